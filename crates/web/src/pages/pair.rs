//! Pairing a device by the one-time code.

use std::time::Instant;

use askama::Template;
use axum::extract::{Query, State};
use axum::http::StatusCode;
use axum::http::header::{RETRY_AFTER, SET_COOKIE};
use axum::response::{IntoResponse, Redirect, Response};
use serde::Deserialize;

use crate::announce::Announcement;
use crate::page::{Place, Shell, Visitor, shown};
use crate::pairing::Attempt;
use crate::posted::OpenForm;
use crate::session::{COOKIE, LASTS_MS};
use crate::state::Web;

#[derive(Debug, Template)]
#[template(path = "pair.html")]
struct PairPage {
    s: Shell,
    code: String,
    trouble: Option<String>,
}

/// What an address may bring along.
#[derive(Debug, Deserialize)]
pub(crate) struct PairQuery {
    #[serde(default)]
    code: String,
}

pub(crate) async fn pair(
    State(web): State<Web>,
    visitor: Visitor,
    Query(query): Query<PairQuery>,
) -> Response {
    if visitor.session.is_some() {
        return Redirect::to("/").into_response();
    }
    pair_page(&web, &visitor, &query.code, None)
}

pub(crate) fn pair_page(
    _web: &Web,
    visitor: &Visitor,
    code: &str,
    trouble: Option<String>,
) -> Response {
    shown(&PairPage {
        s: visitor.shell(Place::Nowhere),
        code: code.chars().take(16).collect(),
        trouble,
    })
}

pub(crate) async fn pair_posted(
    State(web): State<Web>,
    visitor: Visitor,
    form: OpenForm,
) -> Response {
    let now = Instant::now();
    let attempt = web.pairing().attempt(form.text("code"), now);
    match attempt {
        Attempt::Paired => {
            let token = web.sessions().pair(web.now_ms());
            web.keep_devices().await;
            web.announce(Announcement::Paired);
            web.announce(Announcement::Code(web.pairing_code()));
            // No `Secure`: inside the shop the pages come over plain http.
            let cookie = format!(
                "{COOKIE}={token}; Path=/; HttpOnly; SameSite=Strict; Max-Age={}",
                LASTS_MS / 1000
            );
            ([(SET_COOKIE, cookie)], Redirect::to("/")).into_response()
        }
        Attempt::Wrong(left) => {
            let text = visitor
                .texts
                .fill("pair.wrong", &[("left", &left.to_string())]);
            let page = pair_page(&web, &visitor, "", Some(text));
            (StatusCode::FORBIDDEN, page).into_response()
        }
        Attempt::Locked(wait) => {
            let seconds = wait.as_secs();
            web.announce(Announcement::Locked { seconds });
            web.announce(Announcement::Code(web.pairing_code()));
            waiting(&web, &visitor, seconds)
        }
        Attempt::Wait(wait) => waiting(&web, &visitor, wait.as_secs() + 1),
    }
}

fn waiting(web: &Web, visitor: &Visitor, seconds: u64) -> Response {
    let seconds = seconds.to_string();
    let text = visitor.texts.fill("pair.wait", &[("seconds", &seconds)]);
    let page = pair_page(web, visitor, "", Some(text));
    let status = StatusCode::TOO_MANY_REQUESTS;
    (status, [(RETRY_AFTER, seconds)], page).into_response()
}

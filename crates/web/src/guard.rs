//! What every request passes: host, origin, paired session; and the headers of every answer.

use askama::Template;
use axum::extract::{Request, State};
use axum::http::header::{
    ACCEPT, CACHE_CONTROL, CONTENT_SECURITY_POLICY, COOKIE, HOST, LOCATION, ORIGIN,
    REFERRER_POLICY, X_CONTENT_TYPE_OPTIONS, X_FRAME_OPTIONS,
};
use axum::http::{HeaderMap, HeaderName, HeaderValue, Method, StatusCode};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};

use crate::light::{LIGHT_COOKIE, Light};
use crate::page::{Place, Shell, Visitor, page_before, shown};
use crate::pages::pair_page;
use crate::problem::Problem;
use crate::session::cookie;
use crate::state::Web;

/// What a device may have before it is paired: the pairing itself and how it looks.
pub(crate) const OPEN: [&str; 3] = ["/pair", "/style.css", "/icon.svg"];

/// Nothing from elsewhere, nothing inline, in nobody's frame.
const POLICY: &str = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; \
                      connect-src 'self'; form-action 'self'; base-uri 'none'; \
                      frame-ancestors 'none'";

/// Lets a request through to its page, or answers it here.
pub(crate) async fn guard(State(web): State<Web>, mut request: Request, next: Next) -> Response {
    let visitor = visitor(&web, request.headers());
    let wants_page = wants_page(request.headers());
    // An address typed again leads to itself, which is no way back.
    let here = request.uri().path().to_owned();
    let get = request.method() == Method::GET;
    let before = page_before(request.headers()).filter(|path| !get || *path != here);
    let response = match refusal(&web, &request, &visitor) {
        Some(problem) => problem.into_response(),
        None => {
            let sending = web.once().sending();
            request.extensions_mut().insert(visitor.clone());
            request.extensions_mut().insert(sending.clone());
            let response = next.run(request).await;
            sending.done(led_to(&response));
            response
        }
    };
    let mut response = explained(&web, response, &visitor, wants_page.then_some(before));
    protect(response.headers_mut());
    response
}

/// Where a form that was kept leads to.
fn led_to(response: &Response) -> Option<String> {
    let kept = response.status() == StatusCode::SEE_OTHER;
    let to = response.headers().get(LOCATION).filter(|_| kept)?;
    to.to_str().ok().map(str::to_owned)
}

fn visitor(web: &Web, headers: &HeaderMap) -> Visitor {
    let cookies = text(headers, &COOKIE);
    Visitor {
        session: web.sessions().of(cookies, web.now_ms()),
        light: cookie(cookies, LIGHT_COOKIE).map_or(Light::Auto, Light::of_code),
        texts: web.texts(),
        writing: web.writing(),
    }
}

fn refusal(web: &Web, request: &Request, visitor: &Visitor) -> Option<Problem> {
    let headers = request.headers();
    // A name from elsewhere that was pointed at this machine must not open it.
    let host = text(headers, &HOST);
    if !web.knows_host(host) {
        return Some(Problem::Host);
    }
    if !from_here(request.method(), headers, host) {
        return Some(Problem::Foreign);
    }
    let open = OPEN.contains(&request.uri().path());
    (visitor.session.is_none() && !open).then_some(Problem::Unpaired)
}

/// Whether the page that asks is one of this server's. A browser sends `Origin` with every form
/// and cannot be made to leave it out; following a link from elsewhere is allowed.
fn from_here(method: &Method, headers: &HeaderMap, host: &str) -> bool {
    let origin = headers.get(ORIGIN).map(|_| text(headers, &ORIGIN));
    let alike = |o: &str| o.eq_ignore_ascii_case(&format!("http://{host}"));
    if !matches!(*method, Method::GET | Method::HEAD) {
        return origin.is_some_and(alike);
    }
    let site = text(headers, &HeaderName::from_static("sec-fetch-site"));
    let mode = text(headers, &HeaderName::from_static("sec-fetch-mode"));
    let fetched_elsewhere = matches!(site, "cross-site" | "same-site") && mode != "navigate";
    !fetched_elsewhere && origin.is_none_or(alike)
}

fn wants_page(headers: &HeaderMap) -> bool {
    text(headers, &ACCEPT).contains("text/html")
}

#[derive(Debug, Template)]
#[template(path = "problem.html")]
struct ProblemPage {
    s: Shell,
    heading: &'static str,
    detail: String,
    /// The page with the form or link that led here.
    before: Option<String>,
}

/// Puts the page or the line of text in place of a bare problem.
///
/// `page`: a page is wanted, with the page before it where that is known.
fn explained(
    web: &Web,
    mut response: Response,
    visitor: &Visitor,
    page: Option<Option<String>>,
) -> Response {
    // The layer that stops huge bodies, and the router's own answers, know no `Problem`.
    let found = response.extensions_mut().remove::<Problem>().or_else(|| {
        match response.status() {
            StatusCode::PAYLOAD_TOO_LARGE => Some(Problem::TooLarge),
            // An address with a word where a number stands is one that leads nowhere.
            StatusCode::NOT_FOUND | StatusCode::BAD_REQUEST => Some(Problem::NotFound),
            _ => None,
        }
    });
    let Some(problem) = found else {
        return response;
    };
    let body = match page {
        Some(_) if problem == Problem::Unpaired => pair_page(web, visitor, "", None),
        Some(before) => shown(&ProblemPage {
            s: visitor.shell(Place::Nowhere),
            heading: problem.heading(),
            detail: problem.detail(),
            before,
        }),
        None => {
            let detail = problem.detail();
            let heading = visitor.texts.at(problem.heading());
            format!("{heading} {detail}")
                .trim()
                .to_owned()
                .into_response()
        }
    };
    (problem.status(), body).into_response()
}

fn protect(headers: &mut HeaderMap) {
    // A page with a stricter or other policy of its own keeps it.
    headers
        .entry(CONTENT_SECURITY_POLICY)
        .or_insert(HeaderValue::from_static(POLICY));
    headers
        .entry(CACHE_CONTROL)
        .or_insert(HeaderValue::from_static("no-store"));
    let fixed = [
        (X_CONTENT_TYPE_OPTIONS, "nosniff"),
        (X_FRAME_OPTIONS, "DENY"),
        // Not `no-referrer`: with it browsers send `Origin: null` with forms.
        (REFERRER_POLICY, "same-origin"),
        (
            HeaderName::from_static("cross-origin-resource-policy"),
            "same-origin",
        ),
        (
            HeaderName::from_static("cross-origin-opener-policy"),
            "same-origin",
        ),
    ];
    for (name, value) in fixed {
        headers.insert(name, HeaderValue::from_static(value));
    }
}

fn text<'h>(headers: &'h HeaderMap, name: &HeaderName) -> &'h str {
    headers
        .get(name)
        .and_then(|v| v.to_str().ok())
        .unwrap_or("")
}

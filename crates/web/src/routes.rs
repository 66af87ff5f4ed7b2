//! The table of addresses. The router is built from it, so a test can walk all of them.

use std::convert::Infallible;

use axum::Router;
use axum::extract::DefaultBodyLimit;
use axum::handler::Handler;
use axum::middleware::from_fn_with_state;
use axum::response::{IntoResponse, Response};
use axum::routing::{MethodRouter, get, post};
use tower_http::catch_panic::CatchPanicLayer;
use tower_http::limit::RequestBodyLimitLayer;

use crate::assets;
use crate::guard::guard;
use crate::pages;
use crate::problem::Problem;
use crate::state::Web;

/// Largest ordinary form [bytes].
const FORM_BYTES: usize = 256 * 1024;
/// Largest form with a photo or a recording [bytes]: half an hour of two sensors at 2 kHz as text.
const UPLOAD_BYTES: usize = 96 * 1024 * 1024;

/// One address of the server.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Listed {
    /// `GET` or `POST`.
    pub method: &'static str,
    /// Path; what varies stands in braces.
    pub path: &'static str,
}

struct Table {
    router: Router<Web>,
    listed: Vec<Listed>,
}

impl Table {
    fn get<H, T>(mut self, path: &'static str, handler: H) -> Self
    where
        H: Handler<T, Web>,
        T: 'static,
    {
        self.add("GET", path, get(handler));
        self
    }

    fn post<H, T>(mut self, path: &'static str, handler: H) -> Self
    where
        H: Handler<T, Web>,
        T: 'static,
    {
        self.add("POST", path, limited(post(handler), FORM_BYTES));
        self
    }

    fn upload<H, T>(mut self, path: &'static str, handler: H) -> Self
    where
        H: Handler<T, Web>,
        T: 'static,
    {
        self.add("POST", path, limited(post(handler), UPLOAD_BYTES));
        self
    }

    fn add(&mut self, method: &'static str, path: &'static str, route: MethodRouter<Web>) {
        self.listed.push(Listed { method, path });
        self.router = std::mem::take(&mut self.router).route(path, route);
    }
}

/// A body is counted by one layer only; axum's own count would stop uploads at its default.
fn limited(route: MethodRouter<Web>, bytes: usize) -> MethodRouter<Web> {
    route
        .layer::<_, Infallible>(RequestBodyLimitLayer::new(bytes))
        .layer::<_, Infallible>(DefaultBodyLimit::disable())
}

fn table() -> Table {
    Table {
        router: Router::new(),
        listed: Vec::new(),
    }
    .get("/", pages::home)
    .get("/style.css", assets::style)
    .get("/icon.svg", assets::icon)
    .get("/jobs", pages::jobs)
    .get("/machines", pages::machines)
    .post("/machines", pages::machine_posted)
    .get("/machines/{id}", pages::machine)
    .post("/machines/{id}", pages::machine_corrected)
    .post("/machines/{id}/jobs", pages::book_posted)
    .post("/machines/{id}/sold", pages::machine_sold)
    .post("/machines/{id}/owners/{owner}/delete", pages::owner_deleted)
    .get("/jobs/{id}", pages::job)
    .post("/jobs/{id}/stage", pages::stage_posted)
    .get("/jobs/{id}/booking", pages::booking)
    .post("/jobs/{id}/booking", pages::booking_corrected)
    .post("/jobs/{id}/seals", pages::seals_posted)
    .upload("/jobs/{id}/photos", pages::photo_posted)
    .get("/photos/{id}", pages::photo)
    .get("/jobs/{id}/checks", pages::checks)
    .post("/jobs/{id}/checks", pages::checks_posted)
    .post("/jobs/{id}/checks/withdraw", pages::check_withdrawn)
    .get("/jobs/{id}/readings", pages::readings)
    .upload("/jobs/{id}/readings", pages::reading_posted)
    .post(
        "/jobs/{id}/readings/{reading}/withdraw",
        pages::reading_withdrawn,
    )
    .upload("/jobs/{id}/bench", pages::job_bench)
    .post("/jobs/{id}/follow", pages::job_follow)
    .post("/jobs/{id}/assess", pages::assess_posted)
    .get("/jobs/{id}/findings", pages::findings)
    .get("/jobs/{id}/findings/page", pages::findings_page)
    .get("/jobs/{id}/work", pages::work)
    .post("/jobs/{id}/steps", pages::step_posted)
    .post("/jobs/{id}/turns", pages::turn_posted)
    .post("/jobs/{id}/turns/{turn}/withdraw", pages::turn_withdrawn)
    .post("/jobs/{id}/overrides", pages::override_posted)
    .get("/jobs/{id}/handover", pages::handover)
    .post("/jobs/{id}/handover", pages::handover_posted)
    .get("/jobs/{id}/inspection", pages::inspection)
    .post("/jobs/{id}/inspection", pages::inspection_posted)
    .get("/jobs/{id}/papers/{file}", pages::paper)
    .post("/jobs/{id}/remarks", pages::remark_posted)
    .post(
        "/jobs/{id}/remarks/{remark}/withdraw",
        pages::remark_withdrawn,
    )
    .get("/bench.js", assets::bench_script)
    .get("/picture.js", assets::picture_script)
    .get("/sound.js", assets::sound_script)
    .get("/bench", pages::bench)
    .get("/bench/stream", pages::bench_stream)
    .post("/bench/do", pages::bench_do)
    .post("/bench/new", pages::bench_new)
    .post("/bench/leave", pages::bench_leave)
    .post("/bench/assess", pages::bench_assess)
    .get("/bench/findings", pages::bench_findings)
    .get("/what-if", pages::what_if_page)
    .get("/pair", pages::pair)
    .post("/pair", pages::pair_posted)
    .get("/devices", pages::devices)
    .post("/devices/leave", pages::leave)
    .get("/shop", pages::shop)
    .post("/shop", pages::shop_posted)
    .get("/shop/en.toml", pages::shop_texts)
    .post("/light", pages::light_posted)
}

/// Every address, in the order of the table.
pub fn listed_routes() -> Vec<Listed> {
    table().listed
}

/// The router over a state; needs no socket.
pub fn router(web: Web) -> Router {
    let on_panic = {
        let web = web.clone();
        move |panic: Box<dyn std::any::Any + Send>| -> Response {
            web.fault(panic_text(panic.as_ref())).into_response()
        }
    };
    table()
        .router
        .fallback(|| async { Problem::NotFound })
        .method_not_allowed_fallback(|| async { Problem::NotFound })
        .layer(CatchPanicLayer::custom(on_panic))
        .layer(from_fn_with_state(web.clone(), guard))
        .with_state(web)
}

fn panic_text(panic: &(dyn std::any::Any + Send)) -> String {
    panic
        .downcast_ref::<String>()
        .cloned()
        .or_else(|| panic.downcast_ref::<&str>().map(|t| (*t).to_owned()))
        .unwrap_or_else(|| "a panic without a text".to_owned())
}

//! Style, scripts and icon, out of the binary.

use axum::http::header::{CACHE_CONTROL, CONTENT_TYPE};
use axum::response::{IntoResponse, Response};
use evenpull_app::PAGE_STYLE;

const OWN_STYLE: &str = include_str!("../assets/web.css");
const SCRIPT: &str = "text/javascript; charset=utf-8";
const ICON: &str = include_str!("../assets/icon.svg");

fn embedded(kind: &'static str, text: String) -> Response {
    // Asked for again each time: the binary may be a newer one.
    ([(CONTENT_TYPE, kind), (CACHE_CONTROL, "no-cache")], text).into_response()
}

/// The style of the findings page with what the served pages add.
pub(crate) async fn style() -> Response {
    embedded(
        "text/css; charset=utf-8",
        format!("{PAGE_STYLE}\n{OWN_STYLE}"),
    )
}

/// The scripts of the bench.
pub(crate) async fn bench_script() -> Response {
    embedded(SCRIPT, include_str!("../assets/bench.js").to_owned())
}

/// Its picture.
pub(crate) async fn picture_script() -> Response {
    embedded(SCRIPT, include_str!("../assets/picture.js").to_owned())
}

/// Its sound.
pub(crate) async fn sound_script() -> Response {
    embedded(SCRIPT, include_str!("../assets/sound.js").to_owned())
}

/// The icon.
pub(crate) async fn icon() -> Response {
    embedded("image/svg+xml", ICON.to_owned())
}

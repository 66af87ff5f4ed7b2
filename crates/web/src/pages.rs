//! The pages, one module for each.

mod bench;
mod devices;
mod pair;
mod shop;
mod stream;

pub use bench::exercise;
pub(crate) use bench::{bench, bench_assess, bench_do, bench_findings, bench_new};
pub(crate) use devices::{devices, leave};
pub(crate) use pair::{pair, pair_page, pair_posted};
pub(crate) use shop::{light_posted, shop, shop_posted};
pub(crate) use stream::bench_stream;

use axum::response::Redirect;

/// The first page of the day.
pub(crate) async fn home() -> Redirect {
    Redirect::to("/bench")
}

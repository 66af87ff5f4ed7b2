//! The pages, one module for each.

mod devices;
mod pair;
mod shop;

pub(crate) use devices::{devices, leave};
pub(crate) use pair::{pair, pair_page, pair_posted};
pub(crate) use shop::{light_posted, shop, shop_posted};

use axum::response::Redirect;

/// The first page of the day.
pub(crate) async fn home() -> Redirect {
    Redirect::to("/bench")
}

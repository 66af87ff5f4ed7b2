//! The shop's own server: pages, forms and the stream of the bench.
//!
//! The router is built from its state and can be called without a socket. Every request passes
//! `guard`: host, origin, paired session, headers; every form carries the token of its
//! session. Nothing is loaded from elsewhere: style, script and texts are in the binary.

mod announce;
mod assets;
mod bench_keeper;
mod glances;
mod guard;
mod labels;
mod light;
mod once;
mod page;
mod pages;
mod pairing;
mod posted;
mod problem;
mod qr;
mod routes;
mod server;
mod session;
mod state;
mod texts;
mod token;
mod typed;

pub use announce::Announcement;
pub use pages::exercise;
pub use pairing::Pairing;
pub use qr::terminal_qr;
pub use routes::{Listed, listed_routes, router};
pub use server::{Server, ServerError};
pub use state::{Web, WebConfig};
pub use texts::TextError;

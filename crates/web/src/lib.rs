//! The shop's own server: pages, forms and the stream of the bench.
//!
//! The router is built from its state and can be called without a socket. Every request passes
//! [`guard`](crate::guard): host, origin, paired session, headers; every form carries the token of its
//! session. Nothing is loaded from elsewhere: style, script and texts are in the binary.

mod announce;
mod assets;
mod guard;
mod light;
#[cfg_attr(not(test), expect(dead_code, reason = "pressures stand on the bench"))]
mod number;
mod page;
mod pages;
mod pairing;
#[expect(
    dead_code,
    reason = "files and most fields belong to the pages on records"
)]
mod posted;
#[expect(
    dead_code,
    reason = "the gates of a job close steps; they come with its pages"
)]
mod problem;
mod qr;
mod routes;
mod server;
mod session;
#[expect(dead_code, reason = "the time stands on the pages of a job")]
mod state;
#[expect(dead_code, reason = "the script of the bench takes its section")]
mod texts;
mod token;

pub use announce::Announcement;
pub use pairing::Pairing;
pub use qr::terminal_qr;
pub use routes::{Listed, listed_routes, router};
pub use server::{Server, ServerError};
pub use state::{Web, WebConfig};
pub use texts::{TextError, Texts};

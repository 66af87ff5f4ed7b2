//! Sessions and followers as a caller sees them.

#![expect(clippy::unwrap_used, reason = "a test that cannot go on fails")]

mod board;
mod made;
mod reading;
mod streams;

//! The router without a socket: who is let in, what is refused.

#![expect(clippy::unwrap_used, reason = "a test that cannot go on fails")]

mod bench;
mod board;
mod client;
mod forms;
mod owners;
mod papers;
mod records;
mod safety;
mod sensors;
mod settings;
mod stages;
mod trouble;
mod years;

//! The router without a socket: who is let in, what is refused.

mod bench;
mod client;
mod records;
mod safety;

//! The only entry.
fn main() {}

//! A bar on standard error for files that take a while.

use std::io::{self, IsTerminal};

use evenpull_app::Source;
use indicatif::{ProgressBar, ProgressStyle};

/// Files below this are read before a bar could be seen [bytes].
const LARGE_BYTES: u64 = 20_000_000;

/// A bar for a recording; hidden unless standard error is a terminal and the file is large.
pub(crate) fn bar_for(source: &Source) -> ProgressBar {
    let length = source.length();
    let large = length.is_none_or(|bytes| bytes >= LARGE_BYTES);
    if !large || !io::stderr().is_terminal() {
        return ProgressBar::hidden();
    }
    let bar = length.map_or_else(ProgressBar::no_length, ProgressBar::new);
    let style = ProgressStyle::with_template("{msg} {wide_bar} {bytes}/{total_bytes} {eta}");
    bar.with_style(style.unwrap_or_else(|_| ProgressStyle::default_bar()))
        .with_message(source.name())
}

/// A bar for a number of steps; hidden unless standard error is a terminal.
pub(crate) fn steps(message: &str) -> ProgressBar {
    if !io::stderr().is_terminal() {
        return ProgressBar::hidden();
    }
    ProgressBar::new(0).with_message(message.to_owned())
}

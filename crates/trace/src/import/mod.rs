//! Streaming import of pressure recordings: text columns of any usual layout, and sound files.
//!
//! The layout is found from the first block of the file ([`LayoutHint`] overrides any part of it)
//! and stated in words in the recording. Limits: lines up to 1 MiB; one clock for all columns;
//! the unit of a column is settled by the first half megabyte.

mod blocks;
mod channel;
mod clock;
mod collect;
mod columns;
mod entry;
mod error;
mod heading;
mod hint;
mod lines;
mod number;
mod pipeline;
mod rollover;
mod rows;
mod shape;
mod sniff;
mod spacing;
mod text;
mod wav;
mod words;

pub use entry::import;
pub use error::{ImportError, LINE_LIMIT_BYTES};
pub use hint::{
    ChannelHint, ChannelUnit, ColumnRef, Decimal, Delimiter, LayoutHint, PressureKind, TimeUnit,
};

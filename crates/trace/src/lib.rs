//! Recordings: import, cycles, refill clock, drawn air.
//!
//! No file is opened here: callers hand in readers.

mod import;
mod notice;
mod reading;
mod recording;

pub use import::{
    ChannelHint, ChannelUnit, ColumnRef, Decimal, Delimiter, ImportError, LINE_LIMIT_BYTES,
    LayoutHint, PressureKind, TimeUnit, import,
};
pub use notice::Notice;
pub use reading::{ChannelReading, CycleReading, MeanCycle, Measured, Scaled};
pub use recording::{Channel, Recording, Segment};

//! Recordings: import, cycles, refill clock, drawn air.
//!
//! No file is opened here: callers hand in readers.

mod notice;
mod reading;
mod recording;

pub use notice::Notice;
pub use reading::{ChannelReading, CycleReading, MeanCycle, Measured, Scaled};
pub use recording::{Channel, Recording, Segment};

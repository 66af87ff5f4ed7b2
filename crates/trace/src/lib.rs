//! Recordings: import, cycles, refill clock, drawn air.
//!
//! No file is opened here: callers hand in readers.

mod analyse;
mod cross_flow;
mod cycles;
mod falls;
mod firing;
mod hose_correction;
mod import;
mod location;
mod mean_cycle;
mod notice;
mod pace;
mod picture;
mod quality;
mod reading;
mod recording;
mod refill_clock;
mod setup;
mod values;
mod window;

pub use analyse::analyse;
pub use import::{
    ChannelHint, ChannelUnit, ColumnRef, Decimal, Delimiter, ImportError, LINE_LIMIT_BYTES,
    LayoutHint, PressureKind, TimeUnit, import,
};
pub use notice::Notice;
pub use pace::{Pace, WholeCycle};
pub use quality::{CYCLES_WANTED, SPEED_DRIFT, SPEED_SCATTER};
pub use reading::{ChannelReading, CycleReading, MeanCycle, Measured, Scaled, ZeroEffect};
pub use recording::{Channel, Recording, Segment};
pub use setup::{AnalyseError, BodySetup, Setup, ZERO_DRIFT_PA, ZERO_UNKNOWN_PA};

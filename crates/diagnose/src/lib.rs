//! Evidence to causes, advice, baseline and fuelling.

mod assessment;

pub use assessment::{
    Advice, Assessment, Baseline, BodyFinding, Cause, CauseCode, Difference, Fuelling, Interval,
    NextReading, ReadingResult,
};
pub use evenpull_trace::{ChannelReading, CycleReading, MeanCycle, Measured, Notice, Scaled};

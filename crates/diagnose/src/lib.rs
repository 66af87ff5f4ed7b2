//! Evidence to causes, advice, baseline and fuelling.

mod advice;
mod assess;
mod assessment;
mod breathing;
mod cylinder;
mod evidence;
mod fuelling;
mod hypothesis;
mod levelling;
mod mixture;
mod mode;
mod model;
mod next_reading;
mod posterior;
mod residuals;
mod summary;
mod verdict;
mod weigh;

pub use assess::assess;
pub use assessment::{
    Advice, Assessment, Baseline, BodyFinding, Cause, CauseCode, Difference, Fuelling, Interval,
    NextReading, ReadingKind, ReadingResult,
};
pub use evenpull_trace::{ChannelReading, CycleReading, MeanCycle, Measured, Notice, Scaled};

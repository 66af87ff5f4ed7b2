//! Evidence to causes, advice, baseline and fuelling.

mod advice;
mod assess;
mod assessment;
mod baseline;
mod breathing;
mod cause_words;
mod cylinder;
mod doubts;
mod evidence;
mod fuelling;
mod fuelling_words;
mod history;
mod hypothesis;
mod lasting;
mod levelling;
mod library;
mod mending;
mod mixture;
mod mode;
mod model;
mod next_reading;
mod plain;
mod posterior;
mod record;
mod rehearsal;
mod repeats;
mod residuals;
mod sampling;
mod sealed;
mod standing;
mod summary;
mod two_signs;
mod verdict;
mod weigh;

pub use assess::{Beside, Visit, assess, assess_after, assess_beside};
pub use assessment::{
    Advice, Assessment, BASELINE_WORDS, Baseline, BaselineBody, BodyFinding, Cause, CauseCode,
    Difference, Fuelling, Interval, NextReading, ReadingKind, ReadingResult,
};
pub use evenpull_trace::{
    ChannelReading, CycleReading, MeanCycle, Measured, Notice, Scaled, ZeroEffect,
};
pub use history::{
    Axis, Change, Dot, Forecast, History, Limit, PastVisit, Quantity, Series, Standing, Step,
    Touched, Trend, depression_at_standard_kpa, history, steps_at_standard,
};
pub use lasting::{Lasting, LastingUnknown};
pub use library::{
    Bike, Family, FamilyValue, ReferencePoint, Shrunk, SweepPoint, reference_sweep, shrunk,
    sweep_points,
};
pub use plain::{
    PlainHypothesis, PlainLaw, PlainPosterior, PlainReading, PlainUnknown, plain_posterior,
};
pub use record::Kinship;
pub use rehearsal::{Rank, Rehearsal, rehearse};
pub use sampling::{Sampled, Sampling};
pub use standing::{Stood, stood};

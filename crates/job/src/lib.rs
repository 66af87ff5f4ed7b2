//! Machine, engine profile, job, readings, seals, adjusters, gates.
//!
//! No file is opened here: callers hand in text and get values or placed problems.

mod adjuster;
mod caution;
mod check_findings;
mod document;
mod file_error;
mod job;
mod notice;
mod per_body;
mod procedure;
mod profile;
mod swapped;

/// Unit of a gauge.
pub use evenpull_airflow::PressureUnit;

pub use adjuster::{Adjuster, AdjusterKind, PerTurn};
pub use caution::{Caution, CautionWhen, cautions, cautions_for};
pub use check_findings::{
    check_findings, clearances_out, compression_out, leak_down_out, spindle_play_out,
};
pub use file_error::{FileError, FileErrors};
pub use job::{
    Adjusted, AmbientData, Checks, ColumnRef, Condition, EarlierRef, GaugeReading, HoseData,
    JetData, Job, Layout, Pinch, PressureColumn, PressureKind, ProfileRef, Reading, SampleUnit,
    Seal, SealState, SprayResult, TimeUnit, ValveClearances,
};
pub use notice::Notice;
pub use per_body::PerBody;
pub use procedure::{
    GateCheck, GateState, MeasuredReading, Override, Refusal, Stage, Step, evaluate_gates, permit,
};
pub use profile::{
    BleedData, BodyData, BuiltinProfile, ClearanceLimits, Coupling, CouplingLaw, EngineData,
    IdleValve, Passages, Profile, RefillData, ThrottleSensor, Tolerance, builtin,
};
pub use swapped::{body_under, instrument_on};

//! What a watcher gets: small, whole, and newer than the one before.

use evenpull_trace::{Measured, Notice, Scaled};

use crate::block::{Damage, Link};
use crate::practice::PracticeState;
use crate::steady::Missing;

/// Everything that is known at one moment of a session.
#[derive(Debug, Clone, PartialEq)]
pub struct Snapshot {
    /// Counts up by one with each snapshot; a watcher sees by it what it missed.
    pub number: u64,
    /// Samples followed since the session started.
    pub samples: u64,
    /// Samples per second [Hz]; `None` before a device has said.
    pub rate_hz: Option<f64>,
    /// Connection.
    pub link: Link,
    /// Damage on the stream.
    pub damage: Damage,
    /// Samples dropped because the program did not keep up.
    pub dropped: u64,
    /// Last remark of the device.
    pub remark: Option<String>,
    /// Bodies, in the order of the setup.
    pub bodies: Vec<BodyNow>,
    /// Engine speed over the last whole cycles [1/min]; `None` when no engine is seen to run.
    pub rpm: Option<f64>,
    /// Scatter of the speed over the steady stretch, over its mean [-].
    pub rpm_scatter: Option<f64>,
    /// (max - min)/mean of the depressions [-].
    pub spread: Option<f64>,
    /// How far the reading has come.
    pub progress: Progress,
    /// Number of the reading accepted last, counted from 1; 0 for none.
    pub accepted: u64,
    /// Doubts about what is being read.
    pub notices: Vec<Notice>,
    /// Body that each trace sits on by the firing intervals of the last seconds, in the order of the setup;
    /// `None` before they are known.
    pub traces_on: Option<Vec<usize>>,
    /// The practice engine, where it is the source.
    pub practice: Option<PracticeState>,
}

/// One body at one moment.
#[derive(Debug, Clone, PartialEq)]
pub struct BodyNow {
    /// Body.
    pub body: String,
    /// Newest absolute pressure, zero-corrected [kPa]; `None` before the first sample.
    pub now_kpa: Option<f64>,
    /// Ambient less mean runner pressure over the last whole cycles [kPa].
    pub depression_kpa: Option<f64>,
    /// Standard deviation of that mean from cycle to cycle [kPa].
    pub depression_scatter_kpa: Option<f64>,
    /// Sensor zero taken with the engine off [kPa]; `None` if not taken.
    pub zero_kpa: Option<f64>,
    /// Refill rate over the last seconds [1/s].
    pub refill_rate_per_s: Option<Measured>,
    /// Through-area over the last seconds [mm2].
    pub through_area_mm2: Option<Scaled>,
    /// Drawn air per cycle over the last seconds [mg].
    pub drawn_air_mg: Option<Scaled>,
}

/// How far a reading has come.
#[derive(Debug, Clone, PartialEq)]
pub struct Progress {
    /// Steady whole cycles so far.
    pub cycles: usize,
    /// Whole cycles needed.
    pub needed: usize,
    /// What is missing; empty when it can be accepted.
    pub missing: Vec<Missing>,
    /// It is accepted by itself once nothing is missing.
    pub armed: bool,
    /// Why the last attempt to accept it failed.
    pub refused: Option<String>,
}

//! What the analysis must be told beside the recording, and why it may refuse.

use evenpull_airflow::Hose;

/// One body as the analysis sees it, in the profile's order.
#[derive(Debug, Clone, PartialEq)]
pub struct BodySetup {
    /// Body (cylinder); must equal the name of its channel.
    pub body: String,
    /// Crank angle at which this cylinder's intake stroke starts [deg], 720 a cycle.
    pub intake_start_deg: f64,
    /// Sensor zero: what it read with the engine off, minus ambient [Pa]; `None` if not taken.
    pub zero_pa: Option<f64>,
    /// Hose and dead volume in front of the sensor; `None` if not known.
    pub hose: Option<Hose>,
}

/// Everything beside the samples that a reading needs.
#[derive(Debug, Clone, PartialEq)]
pub struct Setup {
    /// One per body, in the profile's order.
    pub bodies: Vec<BodySetup>,
    /// Ambient pressure [Pa].
    pub p0_pa: f64,
    /// Ambient temperature [K].
    pub t0_k: f64,
    /// Runner volume from plate to inlet valve [m3].
    pub runner_m3: f64,
    /// Exponent n of the refill in the condition used [-], 1 to 1.4.
    pub n: f64,
    /// Relative standard deviation of the common scale V/n [-].
    pub scale_sd: f64,
    /// Inlet valve opens before top dead centre [deg].
    pub inlet_opens_btdc_deg: f64,
    /// Inlet valve closes after bottom dead centre [deg].
    pub inlet_closes_abdc_deg: f64,
    /// Drift of a sensor's zero since it was taken, standard deviation [Pa].
    pub zero_sd_pa: f64,
    /// Runners could fill each other through passages that were not pinched off.
    pub passages_open: bool,
}

impl Setup {
    /// Names of the bodies, in the profile's order.
    pub fn body_names(&self) -> Vec<String> {
        self.bodies.iter().map(|b| b.body.clone()).collect()
    }
}

/// Drift of a zeroed 15-115 kPa sensor between the key-off reading and the run [Pa].
///
/// Assumed: the part's stated error is 1.5 kPa over its whole temperature range, most of which the
/// zero takes out; common practice, no source.
pub const ZERO_DRIFT_PA: f64 = 170.0;

/// Error of a sensor that was not zeroed [Pa]: the stated error of the 15-115 kPa type.
///
/// # Source
/// `CHECKS` section 10: +-1.5 kPa from the part's data sheet.
pub const ZERO_UNKNOWN_PA: f64 = 1_500.0;

/// Why a recording gives no reading at all.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum AnalyseError {
    /// A channel of the profile is not in the recording.
    #[error("{recording}: no channel for body '{body}'; the recording has {have}")]
    MissingChannel {
        /// Recording.
        recording: String,
        /// Body without a channel.
        body: String,
        /// Channels there are.
        have: String,
    },
    /// No channel moves as a running engine makes it move.
    #[error(
        "{recording}: no channel shows a running engine (largest swing {swing_kpa:.2} kPa, at least {limit_kpa} kPa \
         needed); check plugs, hoses and that the engine ran"
    )]
    AllDead {
        /// Recording.
        recording: String,
        /// Largest swing seen [kPa].
        swing_kpa: f64,
        /// Swing needed [kPa].
        limit_kpa: f64,
    },
    /// The recording holds no two whole cycles.
    #[error(
        "{recording}: {duration_s:.2} s hold {found} whole cycles, at least {needed} needed; record \
         10 to 20 s of steady running"
    )]
    TooShort {
        /// Recording.
        recording: String,
        /// Length [s].
        duration_s: f64,
        /// Whole cycles found.
        found: usize,
        /// Whole cycles needed.
        needed: usize,
    },
    /// The pressure does not repeat as an engine's cycle does.
    #[error(
        "{recording}: no repeating cycle between {lo_rpm:.0} and {hi_rpm:.0} rpm found; check the \
         time column's unit and that the engine ran steadily"
    )]
    NoCycle {
        /// Recording.
        recording: String,
        /// Slowest speed searched [1/min].
        lo_rpm: f64,
        /// Fastest speed searched [1/min].
        hi_rpm: f64,
    },
    /// The sampling is too coarse to see the cycle found.
    #[error(
        "{recording}: {samples_per_cycle:.1} samples a cycle are too few, at least {needed} needed; \
         sample at {rate_hz:.0} Hz or faster"
    )]
    TooCoarse {
        /// Recording.
        recording: String,
        /// Samples a cycle.
        samples_per_cycle: f64,
        /// Samples a cycle needed.
        needed: f64,
        /// Rate that would do [Hz].
        rate_hz: f64,
    },
    /// Mean pressure is above ambient or below vacuum: wrong scale, unit or ambient.
    #[error(
        "{recording}: body '{body}' averages {mean_kpa:.1} kPa absolute with {ambient_kpa:.1} kPa \
         ambient; a running engine lies below ambient: check the unit, k1/k2 and the ambient pressure"
    )]
    Implausible {
        /// Recording.
        recording: String,
        /// Body.
        body: String,
        /// Mean pressure [kPa].
        mean_kpa: f64,
        /// Ambient [kPa].
        ambient_kpa: f64,
    },
}

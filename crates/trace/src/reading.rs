//! What one recording says about each cylinder.

use crate::notice::Notice;

/// A value with its random standard deviation, both in the value's unit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Measured {
    /// Best value.
    pub value: f64,
    /// Random standard deviation.
    pub sd: f64,
}

/// A value whose error has a random part and a part common to all bodies (the V/n scale).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Scaled {
    /// Best value.
    pub value: f64,
    /// Random standard deviation, cancels nowhere; the sensor's zero is part of it ([`ZeroEffect`]).
    pub sd: f64,
    /// Standard deviation of the common scale, in the unit of the value; cancels in ratios.
    pub scale_sd: f64,
}

/// What the zero of the sensor behind one channel is worth.
///
/// One sensor's zero is off by the same in all readings of a visit, so whoever joins readings takes its part out of
/// their random errors and carries it as one unknown.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct ZeroEffect {
    /// Relative change of refill rate and through-area where the sensor reads high [1/kPa]:
    /// `-(dk/dzero)/k`.
    pub area_per_kpa: f64,
    /// Standard deviation of the zero [kPa].
    pub sd_kpa: f64,
}

/// The measured cycle of one body, averaged in step with the crank.
///
/// All vectors have one length (crank bins over 720 degrees).
#[derive(Debug, Clone, PartialEq, Default)]
pub struct MeanCycle {
    /// Crank angle after this cylinder's own intake start as found in the trace [deg], ascending.
    pub crank_deg: Vec<f64>,
    /// Mean absolute pressure, zero-corrected, as the sensor saw it [kPa].
    pub p_kpa: Vec<f64>,
    /// Standard deviation over the cycles [kPa].
    pub band_kpa: Vec<f64>,
    /// The refill law through its window, as the sensor would see it [kPa]; `NaN` outside.
    pub fit_kpa: Vec<f64>,
}

/// One body in one reading.
#[derive(Debug, Clone, PartialEq)]
pub struct ChannelReading {
    /// Body (cylinder).
    pub body: String,
    /// Ambient minus mean runner pressure over whole cycles [kPa].
    pub mean_depression_kpa: f64,
    /// Lowest absolute pressure of the mean cycle [kPa].
    pub lowest_kpa: f64,
    /// Refill rate `k` of F(r(t)) = k t + c [1/s].
    pub refill_rate_per_s: Measured,
    /// Through-area CdA [mm2]; `None` when the reading cannot carry an area (see the notices).
    pub through_area_mm2: Option<Scaled>,
    /// Drawn air per cycle [mg]; `None` as for the area.
    pub drawn_air_mg: Option<Scaled>,
    /// What the sensor's zero is worth.
    pub zero: ZeroEffect,
    /// Refill fit: root mean square residual over what noise alone would leave [-].
    pub misfit: f64,
    /// The averaged cycle, for pictures.
    pub cycle: MeanCycle,
}

/// One recording, analysed.
#[derive(Debug, Clone, PartialEq)]
pub struct CycleReading {
    /// Engine speed [1/min]; sd is the scatter of the mean.
    pub rpm: Measured,
    /// Scatter of the speed from cycle to cycle [1/min].
    pub rpm_scatter: f64,
    /// Whole cycles used.
    pub cycles: usize,
    /// One per body, in the profile's order.
    pub channels: Vec<ChannelReading>,
    /// Index of the body each channel really sits on, by the firing intervals; `0, 1, 2 ...` unless
    /// hoses are crossed.
    pub traces_on: Vec<usize>,
    /// Doubts about the reading.
    pub notices: Vec<Notice>,
}

impl CycleReading {
    /// True if the firing intervals show at least two hoses on each other's bodies.
    pub fn is_crossed(&self) -> bool {
        self.traces_on.iter().enumerate().any(|(i, on)| i != *on)
    }
}

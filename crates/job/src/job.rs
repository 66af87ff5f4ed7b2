//! One visit of one machine: what was found and read (`evenpull.job/1`).
//!
//! Values keep the units of the file, which their names carry. Gauge readings are converted to
//! kilopascal on the way in. Nothing is opened here: recordings stay names.

use evenpull_airflow::PressureUnit;

use crate::notice::Notice;
use crate::per_body::PerBody;

mod parse;
mod parse_checks;
mod parse_layout;
mod parse_reading;

/// What the engine did while it was read.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Condition {
    /// Idling with the bleeds as they stand.
    Idle,
    /// Idling with every bleed shut.
    IdleBleedsShut,
    /// Steady at one of several openings between idle and hold.
    Sweep,
    /// Steady in the hold band.
    Hold,
}

impl Condition {
    /// Every condition, in the order of work.
    pub const ALL: [Self; 4] = [Self::Idle, Self::IdleBleedsShut, Self::Sweep, Self::Hold];

    /// Idling with the throttle shut: the plates rest on their stops.
    pub fn throttle_shut(self) -> bool {
        matches!(self, Self::Idle | Self::IdleBleedsShut)
    }

    /// The word used in files.
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Idle => "idle",
            Self::IdleBleedsShut => "idle-bleeds-shut",
            Self::Sweep => "sweep",
            Self::Hold => "hold",
        }
    }
}

/// What can be pinched shut while reading.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Pinch {
    /// The hoses of the idle valve.
    IdleValve,
    /// The balance pipe between the stubs.
    BalancePipe,
}

/// Hose from stub to sensor.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct HoseData {
    /// Length [m].
    pub length_m: f64,
    /// Bore [mm].
    pub bore_mm: f64,
    /// Volume at the sensor's end [cc].
    pub dead_volume_cc: f64,
}

/// A jet of known bore let in on one stub.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct JetData {
    /// Index of the body whose stub it feeds.
    pub body: usize,
    /// Bore [mm].
    pub bore_mm: f64,
}

/// An adjuster turned before a reading.
#[derive(Debug, Clone, PartialEq)]
pub struct Adjusted {
    /// Adjuster, in the profile's words.
    pub adjuster: String,
    /// Turns; positive = more opening or more area.
    pub turns: f64,
}

/// Depressions typed from gauges.
#[derive(Debug, Clone, PartialEq)]
pub struct GaugeReading {
    /// Ambient minus runner pressure [kPa], profile's order.
    pub depression_kpa: PerBody<f64>,
    /// Unit they were typed in.
    pub unit: PressureUnit,
}

/// One reading of the job.
#[derive(Debug, Clone, PartialEq)]
pub struct Reading {
    /// Line of the file where it starts, counted from 1.
    pub line: usize,
    /// Condition.
    pub condition: Condition,
    /// Recording, relative to the job file.
    pub recording: Option<String>,
    /// Line of the `recording` key, if there is one.
    pub recording_line: Option<usize>,
    /// Gauges.
    pub gauge: Option<GaugeReading>,
    /// Raw throttle-sensor volts [V].
    pub sensor_v: Option<f64>,
    /// Opening the ECU believes in: volts minus its learned zero [deg above closed].
    pub ecu_opening_deg: Option<f64>,
    /// Idle-valve position [steps].
    pub idle_valve_steps: Option<f64>,
    /// Engine temperature [C].
    pub engine_c: Option<f64>,
    /// Engine speed as shown [1/min].
    pub rpm: Option<f64>,
    /// Bleeds, turns from seat, profile's order.
    pub bleed_turns: Option<PerBody<f64>>,
    /// Hose between stub and sensor.
    pub hose: Option<HoseData>,
    /// Gauge or sensor hoses swapped for this reading, see [`crate::instrument_on`].
    pub swapped: bool,
    /// What was pinched shut.
    pub pinched: Vec<Pinch>,
    /// Known jet let in.
    pub jet: Option<JetData>,
    /// Air over stoichiometric air [-], profile's order.
    pub lambda: Option<PerBody<f64>>,
    /// What was turned before this reading.
    pub adjusted: Vec<Adjusted>,
    /// What was repaired or replaced before this reading: another machine since then.
    pub repaired: Option<String>,
    /// Read of the practice engine, of no real machine.
    pub practice: bool,
}

impl Reading {
    /// True if something was turned or repaired before it.
    pub fn follows_work(&self) -> bool {
        !self.adjusted.is_empty() || self.repaired.is_some()
    }
}

/// Air the engine breathes, and what the sensors showed with the engine off.
#[derive(Debug, Clone, PartialEq)]
pub struct AmbientData {
    /// Absolute pressure [kPa].
    pub pressure_kpa: f64,
    /// True when the pressure was measured rather than taken from height or assumed.
    pub pressure_measured: bool,
    /// Temperature [C].
    pub temperature_c: f64,
    /// True when the temperature was measured rather than assumed.
    pub temperature_measured: bool,
    /// Relative humidity [%].
    pub humidity_percent: f64,
    /// Each sensor's absolute pressure with the engine off [kPa], profile's order.
    pub key_off_kpa: Option<PerBody<f64>>,
}

/// State of a seal as found.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum SealState {
    /// Seal unbroken.
    Intact,
    /// Seal broken or the part shows tool marks.
    Disturbed,
    /// No way to see it.
    CannotSee,
}

impl SealState {
    /// The words used in files.
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Intact => "intact",
            Self::Disturbed => "disturbed",
            Self::CannotSee => "cannot see",
        }
    }
}

/// One seal as found.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Seal {
    /// Sealed part, in the profile's words (`stop.left`).
    pub part: String,
    /// State.
    pub state: SealState,
}

/// A column of a recording.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum ColumnRef {
    /// Counted from 1.
    Index(usize),
    /// By its heading.
    Name(String),
}

/// Unit of a time column.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum TimeUnit {
    /// Seconds.
    Seconds,
    /// Milliseconds.
    Milliseconds,
    /// Microseconds.
    Microseconds,
    /// Nanoseconds.
    Nanoseconds,
    /// Minutes.
    Minutes,
}

impl TimeUnit {
    /// One unit [s].
    pub fn seconds(self) -> f64 {
        match self {
            Self::Seconds => 1.0,
            Self::Milliseconds => 1e-3,
            Self::Microseconds => 1e-6,
            Self::Nanoseconds => 1e-9,
            Self::Minutes => 60.0,
        }
    }
}

/// Which pressure a column holds.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum PressureKind {
    /// Above vacuum.
    Absolute,
    /// Above ambient; below it negative.
    Gauge,
    /// Below ambient, counted positive.
    Depression,
}

/// What the numbers of a pressure column are.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum SampleUnit {
    /// A pressure.
    Pressure {
        /// Unit.
        unit: PressureUnit,
        /// Absolute unless the file says otherwise.
        kind: PressureKind,
    },
    /// Volts of a ratiometric sensor, V = supply (k1 P + k2).
    Volts {
        /// Supply of the sensor [V].
        supply_v: f64,
        /// Slope [1/kPa].
        k1_per_kpa: f64,
        /// Intercept [-].
        k2: f64,
    },
    /// The same in millivolts.
    Millivolts {
        /// Supply of the sensor [V].
        supply_v: f64,
        /// Slope [1/kPa].
        k1_per_kpa: f64,
        /// Intercept [-].
        k2: f64,
    },
    /// Counts of a converter referred to the sensor's supply, counts / full_scale = k1 P + k2.
    Counts {
        /// Counts at the supply.
        full_scale: f64,
        /// Slope [1/kPa].
        k1_per_kpa: f64,
        /// Intercept [-].
        k2: f64,
    },
}

/// One pressure column.
#[derive(Debug, Clone, PartialEq)]
pub struct PressureColumn {
    /// Where it stands.
    pub column: ColumnRef,
    /// What its numbers are.
    pub unit: SampleUnit,
}

/// How the recordings of a job are laid out; everything left out is found by the import.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Layout {
    /// Time column.
    pub time: Option<ColumnRef>,
    /// Its unit.
    pub time_unit: Option<TimeUnit>,
    /// Sampling rate where there is no time column [Hz].
    pub sample_rate_hz: Option<f64>,
    /// Column separator.
    pub delimiter: Option<char>,
    /// Decimal mark.
    pub decimal: Option<char>,
    /// Pressure columns, profile's order.
    pub pressure: Option<PerBody<PressureColumn>>,
}

/// The engine's answer to spray or smoke at an inlet stub, or to the airbox lid coming off.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum SprayResult {
    /// The engine did not react.
    NoChange,
    /// The engine reacted: it draws air there.
    Change,
}

/// Clearances of one cylinder, stone cold.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct ValveClearances {
    /// Inlet valves [mm].
    pub inlet_mm: Vec<f64>,
    /// Exhaust valves [mm].
    pub exhaust_mm: Vec<f64>,
}

/// Checks made by hand; any of them may be missing.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Checks {
    /// Radial play of the spindle [mm].
    pub spindle_play_mm: Option<PerBody<f64>>,
    /// Stub sprayed or smoked.
    pub stub_spray: Option<PerBody<SprayResult>>,
    /// Leak-down [%].
    pub leak_down_percent: Option<PerBody<f64>>,
    /// Compression, gauge pressure [kPa].
    pub compression_kpa: Option<PerBody<f64>>,
    /// Valve clearances.
    pub clearances: Option<PerBody<ValveClearances>>,
    /// Sensor volts after each of several snaps shut [V].
    pub snap_shut_v: Vec<f64>,
    /// Slack in the cable at rest, bars lock to lock.
    pub cable_slack: Option<bool>,
    /// The engine's answer, held steady, to the airbox lid and filter coming off.
    pub lid_off: Option<SprayResult>,
    /// Gauges or sensors compared on one port before use.
    pub gauges_zeroed: Option<bool>,
}

/// One visit of one machine.
#[derive(Debug, Clone, PartialEq)]
pub struct Job {
    /// Machine as booked in.
    pub machine: String,
    /// Profile, as the file names it.
    pub profile: String,
    /// Ambient air.
    pub ambient: AmbientData,
    /// Seals as found.
    pub seals: Vec<Seal>,
    /// Layout of the recordings.
    pub layout: Layout,
    /// Readings in the order they were taken.
    pub readings: Vec<Reading>,
    /// Checks by hand.
    pub checks: Checks,
    /// Earlier healthy visits of the same machine, oldest first.
    pub earlier: Vec<EarlierRef>,
    /// Written reason for the baseline stage, in which stops may be turned; `None`: stay out of it.
    pub baseline_reason: Option<String>,
    /// Free notes, one paragraph each.
    pub notes: Vec<String>,
    /// Assumptions made and doubts found while reading the file.
    pub notices: Vec<Notice>,
}

impl Job {
    /// State of the seal on a part, if it was recorded.
    pub fn seal(&self, part: &str) -> Option<SealState> {
        self.seals.iter().find(|s| s.part == part).map(|s| s.state)
    }
}

/// Where a job file names an earlier visit.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct EarlierRef {
    /// Job folder or job file, relative to the job file.
    pub path: String,
    /// Line of its entry, counted from 1.
    pub line: usize,
}

/// Where a job file names its profile.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ProfileRef {
    /// Path relative to the job file, or the name of an embedded profile.
    pub name: String,
    /// Line of the key, counted from 1.
    pub line: usize,
}

#[cfg(test)]
mod tests;

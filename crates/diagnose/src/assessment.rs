//! The answer to a job, complete enough to print, plot or script against.

use evenpull_trace::{CycleReading, Notice};

use crate::sampling::Sampled;

/// A value with its 90 % interval, all in the unit the field names.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Interval {
    /// Best value.
    pub value: f64,
    /// Lower end of the 90 % interval.
    pub lo90: f64,
    /// Upper end of the 90 % interval.
    pub hi90: f64,
}

/// Causes the program knows; the codes are a contract (`evenpull.assess/1`).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum CauseCode {
    /// Nothing wrong with the breathing beyond tolerance.
    None,
    /// The balance adjuster is off.
    BalanceOff,
    /// A sealed link or lever was altered.
    LinkAltered,
    /// A stop screw was turned in.
    StopIn,
    /// A stop screw was backed out.
    StopOut,
    /// Both stops were moved.
    StopsBoth,
    /// The throttle sensor slipped or drifted.
    SensorShifted,
    /// The throttle sensor's track is worn.
    SensorWorn,
    /// The idle bleeds are unequal.
    BleedUnequal,
    /// A bleed is blocked: turning it does nothing.
    BleedBlocked,
    /// The spindle or its bushes leak.
    SpindleWear,
    /// The inlet stub leaks.
    StubLeak,
    /// A valve has too little clearance.
    ValveTight,
    /// A valve has too much clearance.
    ValveLoose,
    /// Low compression.
    CompressionLow,
    /// The idle valve is stuck open.
    IdleValveStuckOpen,
    /// The idle valve is stuck shut.
    IdleValveStuckShut,
    /// The common idle-air hose leaks or is split.
    IdleAirHose,
    /// The air filter is blocked.
    FilterBlocked,
    /// Injectors deliver unequally.
    InjectorUnequal,
    /// Weak spark.
    SparkWeak,
    /// A gauge or sensor reads wrong.
    GaugeFault,
    /// The hoses are on the wrong bodies.
    CrossedHoses,
    /// The cable holds the plates open.
    CableTight,
}

/// One cause, or a family the readings at hand cannot separate.
#[derive(Debug, Clone, PartialEq)]
pub struct Cause {
    /// The cause, or the likeliest member of the family.
    pub code: CauseCode,
    /// The family's members, `code` among them; one entry when it is no family.
    pub members: Vec<CauseCode>,
    /// Body concerned, if the cause sits on one.
    pub body: Option<String>,
    /// Probability in 0..=1.
    pub probability: f64,
    /// Evidence for, one sentence each.
    pub evidence_for: Vec<String>,
    /// Evidence against, one sentence each.
    pub evidence_against: Vec<String>,
}

/// Where one body stands, against the working baseline of the profile.
#[derive(Debug, Clone, PartialEq)]
pub struct BodyFinding {
    /// Body.
    pub body: String,
    /// Plate offset [deg], positive = more open.
    pub offset_deg: Interval,
    /// Leak area [mm2].
    pub leak_mm2: Interval,
    /// Bleed area [mm2].
    pub bleed_mm2: Interval,
}

/// First body minus second (left minus right on a twin).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Difference {
    /// Plate offset [deg].
    pub offset_deg: Interval,
    /// Leak area [mm2].
    pub leak_mm2: Interval,
}

/// Readings and tests that may be asked for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum ReadingKind {
    /// Hoses put on the bodies they belong to, idle again.
    FitHoses,
    /// Everything between the runners pinched, idle and hold again.
    PinchPassages,
    /// Idle with the bleeds shut.
    BleedsShut,
    /// Steady openings from idle to hold.
    Sweep,
    /// Gauges exchanged.
    SwapGauges,
    /// Pressure sensors exchanged.
    SwapSensors,
    /// Idle with the idle-air hoses pinched.
    PinchIdleValve,
    /// Idle with a known jet let in.
    KnownJet,
    /// Idle several times with blips between.
    RepeatAfterBlips,
    /// Spray or smoke at the stubs.
    SprayStub,
    /// Play of the spindles.
    RockSpindle,
    /// Link off, seals looked at.
    LinkOff,
    /// Leak-down.
    LeakDown,
    /// Compression.
    Compression,
    /// Valve clearances.
    Clearances,
    /// Lambda or CO of each pipe.
    LambdaPerPipe,
    /// Coil and plug exchanged.
    SwapIgnition,
    /// Airbox lid and filter off and on.
    LidOff,
    /// Sensor volts after snaps and through a slow sweep.
    SlowSensorSweep,
    /// Slack of the cable.
    CableSlack,
    /// Idle-air hoses sprayed, valve unplugged.
    IdleHoses,
}

/// The reading that would tell most, per minute of shop time.
#[derive(Debug, Clone, PartialEq)]
pub struct NextReading {
    /// Which it is.
    pub kind: ReadingKind,
    /// What to do.
    pub what: String,
    /// What it separates.
    pub why: String,
    /// Shop time [min].
    pub minutes: f64,
    /// Drop of the entropy over causes to be expected from it [nat]; 0 for what must be read before
    /// any cause is weighed.
    pub gain_nat: f64,
}

/// One step of work, in the trade's order.
#[derive(Debug, Clone, PartialEq)]
pub struct Advice {
    /// What to turn or do; an adjuster of the profile, a bleed, or a repair.
    pub adjuster: String,
    /// How far [turns]; `None` when the step is not a turn.
    pub turns: Option<Interval>,
    /// Which way, in words (`in`, `out`, `clockwise seen from the head` ...).
    pub way: String,
    /// Spread (max - min)/mean of the depression expected afterwards [-].
    pub predicted_spread: Option<f64>,
    /// What must be true before the step, with the reason.
    pub gate: String,
    /// Why this step, one sentence.
    pub why: String,
}

/// Mixture consequence at one operating point of one body.
#[derive(Debug, Clone, PartialEq)]
pub struct Fuelling {
    /// Body.
    pub body: String,
    /// Opening the ECU believes in [deg above closed].
    pub opening_deg: f64,
    /// Engine speed [1/min].
    pub rpm: f64,
    /// Air beyond what the ECU fuels for [%]; positive = lean.
    pub air_error_percent: Interval,
}

/// What the baseline stage gives, in the words that go with every target.
pub const BASELINE_WORDS: &str = "working baseline, not factory setting";

/// Target of one body in the baseline stage.
#[derive(Debug, Clone, PartialEq)]
pub struct BaselineBody {
    /// Body.
    pub body: String,
    /// How far its plate stands from the working baseline with the throttle shut [deg], positive =
    /// more open.
    pub offset_deg: Interval,
    /// Turns of its own stop back to the baseline, positive = in (more open) [-].
    pub stop_turns: Interval,
    /// Raw sensor volts with this plate at the working baseline [V]; `None` where the sensor does not
    /// follow the plate.
    pub stop_v: Option<Interval>,
}

/// Target to go back to where stops were moved; a working baseline, not factory setting.
#[derive(Debug, Clone, PartialEq)]
pub struct Baseline {
    /// Raw sensor volts with the drive plate on its stop [V].
    pub stop_v: Interval,
    /// Idle-valve steps, warm, bleeds as found [-].
    pub idle_valve_steps: Option<Interval>,
    /// Idle depression [kPa].
    pub idle_depression_kpa: Option<Interval>,
    /// One per body.
    pub bodies: Vec<BaselineBody>,
    /// Independent signs that a stop was moved, one sentence each; two at least.
    pub signs: Vec<String>,
    /// True if the targets are known well enough to set a stop by.
    pub sure: bool,
    /// How to tell that it came out right, in order.
    pub verify: Vec<String>,
    /// When to give it up.
    pub give_up: Vec<String>,
}

/// Depressions of one reading, from gauges, recordings or both.
#[derive(Debug, Clone, PartialEq)]
pub struct ReadingResult {
    /// Label for tables: condition, rpm and file.
    pub label: String,
    /// `idle`, `idle-bleeds-shut`, `sweep`, `hold`.
    pub condition: String,
    /// What the recording said, if there is one.
    pub cycle: Option<CycleReading>,
    /// Gauge depressions [kPa] by body, in the profile's order, if gauges were read.
    pub gauge_kpa: Option<Vec<f64>>,
    /// (max - min)/mean of the depression over the bodies [-].
    pub spread: Option<f64>,
    /// Through-area the fitted model expects for each body [mm2], profile order; empty without a fit.
    pub model_area_mm2: Vec<f64>,
    /// Opening used for this reading: what the plate of the sensor's body stands at [deg above shut].
    pub plate_deg: Option<f64>,
}

/// Everything `assess` answers.
#[derive(Debug, Clone, PartialEq)]
pub struct Assessment {
    /// Machine as booked in.
    pub machine: String,
    /// Name of the engine profile.
    pub profile: String,
    /// Bodies in the profile's order.
    pub body_names: Vec<String>,
    /// Good and act limits on the depression difference [kPa].
    pub good_kpa: f64,
    /// Act limit [kPa].
    pub act_kpa: f64,
    /// One per reading of the job, in its order.
    pub readings: Vec<ReadingResult>,
    /// Findings per body; empty when no fit was possible.
    pub bodies: Vec<BodyFinding>,
    /// First minus second body; `None` without a fit.
    pub difference: Option<Difference>,
    /// Most probable first.
    pub causes: Vec<Cause>,
    /// True when the readings do not decide.
    pub undetermined: bool,
    /// Why the cause that leads is no verdict all the same, in words without capital and full stop. Empty where it is
    /// one, and where none leads by enough. The probabilities know nothing of it: they take the readings as they are.
    pub held_open: Vec<String>,
    /// What to measure next.
    pub next_reading: Option<NextReading>,
    /// Every reading worth taking, most telling per minute first.
    pub readings_to_come: Vec<NextReading>,
    /// Entropy over causes as the readings leave them [nat].
    pub doubt_nat: f64,
    /// Steps in the trade's order.
    pub advice: Vec<Advice>,
    /// What must stay sealed, in words.
    pub leave_sealed: Vec<String>,
    /// Baseline target, where stops were moved.
    pub baseline: Option<Baseline>,
    /// Mixture consequence over the throttle range, ascending opening per body.
    pub fuelling: Vec<Fuelling>,
    /// How the draws behind intervals and probabilities were made; `None` without a fit.
    pub sampled: Option<Sampled>,
    /// The same in plain words, one sentence each, without capital and full stop.
    pub mixture_words: Vec<String>,
    /// Remarks that concern the whole job.
    pub notices: Vec<Notice>,
}

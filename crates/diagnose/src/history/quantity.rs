//! Quantities that a history follows: what they may do, how far they may go, who may set them.

use evenpull_job::{AdjusterKind, CouplingLaw, Profile};

use super::wear::Expected;

/// Chance that somebody turned one part between two visits; assumed, as the odds of an unseen seal.
pub(super) const TOUCHED: f64 = 0.03;

/// Irregularity of wear from one unit of distance or time to the next, over its rate; assumed.
const UNEVEN: f64 = 1.0 / 3.0;

/// Clearance of a spindle in its bushes from which one acts [mm]; common practice, no source.
const PLAY_MM: f64 = 0.10;

/// Volts beyond which the closed sensor is not what it was [V]: twice the wider end of its repeatability
/// over snaps, 5 to 10 mV; common practice, no source.
const SENSOR_V: f64 = 0.020;

/// Share of its travel at which the idle valve counts as at an end, as in the findings.
const END: f64 = 0.02;

/// A quantity of a body, a coupling or the machine.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Quantity {
    /// Leak of a body [mm2].
    Leak,
    /// Plate with the throttle shut, over the working baseline [deg].
    Offset,
    /// Driven plate over driving plate [deg].
    Link,
    /// Bleed of a body as it stands [mm2].
    Bleed,
    /// Throttle sensor's zero over the profile's [V].
    SensorZero,
    /// Volts that the ECU takes as closed [V].
    LearnedZero,
    /// Idle valve, warm, at idle [steps].
    IdleSteps,
    /// Drawn air of a body over the mean of all at hold [%].
    AirBalance,
    /// Mean depression of a body at idle [kPa].
    Depression,
}

/// How far a quantity may go.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Limit {
    /// Lower end, if there is one.
    pub lo: Option<f64>,
    /// Upper end, if there is one.
    pub hi: Option<f64>,
    /// What it is, in words.
    pub why: &'static str,
}

impl Quantity {
    /// Every quantity, in the order of the list.
    pub const ALL: [Self; 9] = [
        Self::Leak,
        Self::Offset,
        Self::Link,
        Self::Bleed,
        Self::SensorZero,
        Self::LearnedZero,
        Self::IdleSteps,
        Self::AirBalance,
        Self::Depression,
    ];

    /// The word used in files, with its unit.
    pub fn code(self) -> &'static str {
        match self {
            Self::Leak => "leak_mm2",
            Self::Offset => "offset_deg",
            Self::Link => "link_deg",
            Self::Bleed => "bleed_mm2",
            Self::SensorZero => "sensor_zero_v",
            Self::LearnedZero => "learned_zero_v",
            Self::IdleSteps => "idle_valve_steps",
            Self::AirBalance => "air_balance_percent",
            Self::Depression => "idle_depression_kpa",
        }
    }

    /// The quantity of a word.
    pub fn of_code(code: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|q| q.code() == code)
    }

    /// In words.
    pub fn words(self) -> &'static str {
        match self {
            Self::Leak => "leak",
            Self::Offset => "plate on its stop",
            Self::Link => "link",
            Self::Bleed => "bleed",
            Self::SensorZero => "throttle sensor zero",
            Self::LearnedZero => "learned zero",
            Self::IdleSteps => "idle valve",
            Self::AirBalance => "drawn air against the mean",
            Self::Depression => "idle depression",
        }
    }

    /// Its unit.
    pub fn unit(self) -> &'static str {
        match self {
            Self::Leak | Self::Bleed => "mm2",
            Self::Offset | Self::Link => "deg",
            Self::SensorZero | Self::LearnedZero => "V",
            Self::IdleSteps => "steps",
            Self::AirBalance => "%",
            Self::Depression => "kPa",
        }
    }

    /// Sizes it may have; all assumed. Rates count by 10,000 km or a year, those of a fast part.
    pub(super) fn expected(self, profile: &Profile) -> Expected {
        let travel = profile.idle_valve.map_or(100.0, |v| f64::from(v.steps));
        let turn = profile.bleed.map_or(1.0, |b| b.area_mm2_per_turn);
        // Rate and step; a spindle that is worn out after 60,000 km is a fast one, plates, links and
        // bleeds hardly move by themselves, steps are those of a fault in the findings.
        let (rate_sd, step_sd) = match self {
            Self::Leak => (0.4, 1.5),
            Self::Offset | Self::Link => (0.02, 0.5),
            Self::Bleed => (0.03 * turn, 0.5 * turn),
            Self::SensorZero | Self::LearnedZero => (0.004, 0.12),
            Self::IdleSteps => (0.03 * travel, 0.2 * travel),
            Self::AirBalance => (1.0, 6.0),
            Self::Depression => (1.0, 5.0),
        };
        Expected {
            rate_sd,
            uneven: UNEVEN,
            // Bushes do not grow together again.
            grows: self == Self::Leak,
            step_sd,
            step_chance: TOUCHED,
        }
    }

    /// Where it has gone too far.
    pub(super) fn limit(self, profile: &Profile) -> Option<Limit> {
        match self {
            Self::Leak => Some(Limit {
                lo: None,
                // The ring that the clearance c leaves about the spindle, pi d c / 2, at both bushes.
                hi: Some(std::f64::consts::PI * profile.body.spindle_mm * PLAY_MM),
                why: "both bushes of the spindle at 0.10 mm of clearance, from which one acts",
            }),
            Self::SensorZero => Some(Limit {
                lo: Some(-SENSOR_V),
                hi: Some(SENSOR_V),
                why: "twice the repeatability of a closed sensor",
            }),
            Self::IdleSteps => profile.idle_valve.map(|v| Limit {
                lo: Some(END * f64::from(v.steps)),
                hi: Some((1.0 - END) * f64::from(v.steps)),
                why: "an end of the idle valve's travel",
            }),
            _ => None,
        }
    }

    /// Whether work on `adjuster` sets it.
    pub(super) fn is_set_by(self, profile: &Profile, part: &str, adjuster: &str) -> bool {
        let kind = profile.adjuster(adjuster).map(|a| (a.kind, a.bodies));
        let of_part = |bodies: &[String]| bodies.iter().any(|b| b == part);
        match (self, kind) {
            (Self::Leak, None) => adjuster == format!("leak.{part}"),
            (_, None) => false,
            (Self::Leak, _) => false,
            (Self::Offset, Some((AdjusterKind::Stop, bodies))) => {
                // A rigid rod carries all plates by the most open stop.
                let rigid = profile
                    .couplings
                    .iter()
                    .any(|c| c.law == CouplingLaw::Rigid);
                rigid || of_part(&bodies)
            }
            (Self::Offset, Some((AdjusterKind::Balance | AdjusterKind::LinkEnd, bodies))) => {
                of_part(&bodies) || driven(profile, part)
            }
            (Self::Link, Some((AdjusterKind::Balance, _))) => part == adjuster,
            (Self::Link, Some((AdjusterKind::LinkEnd, _))) => true,
            (Self::Bleed, Some((AdjusterKind::Bleed, bodies))) => of_part(&bodies),
            (Self::SensorZero, Some((AdjusterKind::Sensor, _))) => true,
            (Self::LearnedZero, Some((AdjusterKind::Sensor | AdjusterKind::Stop, _))) => true,
            (Self::IdleSteps | Self::Depression, Some((k, _))) => {
                matches!(
                    k,
                    AdjusterKind::Bleed | AdjusterKind::Stop | AdjusterKind::Balance
                )
            }
            (Self::AirBalance, Some((k, _))) => k != AdjusterKind::Sensor,
            _ => false,
        }
    }
}

/// True for a body that another drives through a rigid rod.
pub(super) fn driven(profile: &Profile, body: &str) -> bool {
    let index = profile.body_index(body);
    let rigid = |c: &&evenpull_job::Coupling| c.law == CouplingLaw::Rigid;
    let mut couplings = profile.couplings.iter().filter(rigid);
    index.is_some_and(|b| couplings.any(|c| c.driven.contains(&b)))
}

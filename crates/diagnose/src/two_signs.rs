//! What keeps a cause that leads from being a verdict: a verdict stands on two signs that do not rest on each other.

use evenpull_job::SealState;

use crate::assessment::CauseCode;
use crate::baseline::stop_signs;
use crate::evidence::{Evidence, Point};
use crate::hypothesis::{Fault, one_stop_carries};
use crate::verdict::{Court, NOTHING};
use crate::weigh::SPEAKS;

/// What speaks against a gauge that reads wrong at one end of the throttle only.
pub(crate) const AT_ONE_END: &str = "a gauge that reads wrong does so at idle as well as at hold, and the readings differ at one of them only";

/// What keeps a cause that leads from being a verdict.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Held {
    /// It is told by bleeds whose turns nobody noted.
    BleedsUnnoted,
    /// All was read at one opening of the throttle.
    OneOpening,
    /// A gauge that is off at idle alone or off idle alone.
    OneEnd,
    /// One sign speaks for it.
    OneSign,
    /// One sign speaks for stops that were moved and leave the bodies alike.
    OneSignOfStops,
    /// A throttle sensor that was moved, or a stop: nothing but its volts was read.
    VoltsAlone,
}

impl Held {
    /// Why, without capital and full stop.
    pub(crate) fn words(self) -> &'static str {
        match self {
            Self::BleedsUnnoted => "the turns of the bleeds were not noted",
            Self::OneOpening => {
                "all was read at one opening of the throttle, and leaks, plates and gauges are told apart by another"
            }
            Self::OneEnd => AT_ONE_END,
            Self::OneSign | Self::OneSignOfStops => {
                "one sign alone speaks for it, and a verdict needs two"
            }
            Self::VoltsAlone => {
                "the volts alone speak for it, and a stop that was moved changes them as well; the air tells them apart"
            }
        }
    }
}

/// Why the cause that leads is no verdict; `None` where it is one.
///
/// A cause beside the areas needs two signs; a part that was itself measured needs no second one. Bleeds whose turns
/// nobody noted are told by nothing but a difference.
pub(crate) fn held_back(court: &Court<'_>, leading: Fault) -> Option<Held> {
    if leading.code == CauseCode::BleedUnequal && court.evidence.bleeds_assumed {
        return Some(Held::BleedsUnnoted);
    }
    if at_one_opening(court.evidence) && stands_on_growth(leading.code) {
        return Some(Held::OneOpening);
    }
    if leading.code == CauseCode::GaugeFault && seen_at_one_end(court.evidence, leading.body) {
        return Some(Held::OneEnd);
    }
    if evenly_moved(court, leading)
        && stop_signs(court.job, court.model, court.evidence, court.fitted).len() < 2
    {
        return Some(Held::OneSignOfStops);
    }
    if leading.code == CauseCode::SensorShifted && volts_alone(court) {
        return Some(Held::VoltsAlone);
    }
    let alone = court.weighed.alternative(leading).is_some_and(|own| {
        let asks = own.weak && court.weighed.asks_for_air > SPEAKS;
        !own.direct && own.signs.len() + usize::from(asks) < 2
    });
    alone.then_some(Held::OneSign)
}

/// Stops that leave the bodies alike: all moved together, or the one that carries all plates by rigid rods. No
/// difference between bodies speaks for them, only seals, volts, the idle valve and how the areas grow.
fn evenly_moved(court: &Court<'_>, leading: Fault) -> bool {
    let carries = leading.code == CauseCode::StopIn && one_stop_carries(court.model.profile);
    leading.code == CauseCode::StopsBoth || carries
}

/// The volts alone tell of a sensor that was moved: its seal is not broken, and nothing was read of the air that a
/// stop would have changed as well.
fn volts_alone(court: &Court<'_>) -> bool {
    let air = court.evidence.has_areas() || court.evidence.points.iter().any(|p| p.steps_read);
    !air && court.job.seal("sensor") != Some(SealState::Disturbed)
}

/// Share of the larger of two differences that the smaller one must reach for both to be the same; assumed.
const SAME: f64 = 0.3;

/// A gauge that reads wrong does so whatever the throttle; true where gauges alone, never exchanged, show body `b` off
/// its fellows with the throttle shut or with it open, and not with the other.
pub(crate) fn seen_at_one_end(evidence: &Evidence, b: Option<usize>) -> bool {
    let checked = |p: &Point| p.swapped || p.recorded_kpa.is_some();
    let Some(b) = b.filter(|_| !evidence.points.iter().any(checked)) else {
        return false;
    };
    let off_fellows = |shut: bool| {
        let points = evidence.points.iter().filter(|p| p.at_stop() == shut);
        let all: Vec<f64> = points
            .filter_map(|p| {
                let read = p.gauge_kpa.as_ref()?;
                let others = read.iter().sum::<f64>() - read.get(b)?;
                Some(read[b] - others / (read.len() - 1) as f64)
            })
            .collect();
        (!all.is_empty()).then(|| all.iter().sum::<f64>() / all.len() as f64)
    };
    let Some((shut, open)) = off_fellows(true).zip(off_fellows(false)) else {
        return false;
    };
    let most = shut.abs().max(open.abs());
    most > NOTHING.1 && shut * open < SAME * most * most
}

/// Leaks, plates and instruments, which differ by how what they do changes with the opening and by nothing else.
fn stands_on_growth(code: CauseCode) -> bool {
    use CauseCode::{
        BalanceOff, GaugeFault, LinkAltered, SpindleWear, StopIn, StopOut, StopsBoth, StubLeak,
    };
    matches!(
        code,
        BalanceOff
            | GaugeFault
            | LinkAltered
            | SpindleWear
            | StopIn
            | StopOut
            | StopsBoth
            | StubLeak
    )
}

/// Speed over speed off idle from which two readings are of two openings: at no load one follows the other; assumed.
const ANOTHER_OPENING: f64 = 1.2;

/// All that was read of the bodies was read at one opening.
fn at_one_opening(evidence: &Evidence) -> bool {
    let told = |p: &&Point| p.law.is_some() || p.ln_area.iter().flatten().count() > 1;
    let read: Vec<&Point> = evidence.points.iter().filter(told).collect();
    let shut = read.iter().filter(|p| p.at_stop()).count();
    let open = read.iter().filter(|p| !p.at_stop()).map(|p| p.rpm);
    let (low, high) = open.fold((f64::INFINITY, 0.0_f64), |(l, h), rpm| {
        (l.min(rpm), h.max(rpm))
    });
    shut == read.len() || (shut == 0 && high < ANOTHER_OPENING * low)
}

//! Stages of a job, the order of the tuning steps, and what must be true before each.

use crate::adjuster::{Adjuster, AdjusterKind};
use crate::profile::Profile;

mod evaluate;

pub use evaluate::{GateCheck, GateState, MeasuredReading, evaluate_gates};

/// Stages of a job.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Stage {
    /// Machine, complaint, who touched what.
    BookingIn,
    /// Seals, volts, steps and depressions before anything is touched.
    AsFound,
    /// Checks, cheapest and most invalidating first.
    Checks,
    /// The steps of [`Step`].
    Tune,
    /// A working baseline again where stops were moved; needs an override.
    Baseline,
    /// Lid back on, re-read, ride, hot re-check.
    Verify,
    /// Before and after, what was done, what is sealed.
    Handover,
}

/// Tuning steps in the order the program enforces.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Step {
    /// Valve clearances, stone cold.
    ClearancesCold,
    /// Engine warm.
    WarmUp,
    /// Bleeds shut, turns from seat noted.
    BleedsShut,
    /// Speed steady in the hold band.
    HoldBand,
    /// Balance adjuster.
    BalanceAdjuster,
    /// Throttle snapped shut, engine killed.
    SnapShutAndKill,
    /// ECU stores the present sensor reading as closed.
    ZeroLearn,
    /// Engine started again.
    Restart,
    /// Bleed opened on the side with the higher depression.
    OpenBleed,
    /// Read again, and again after three to five blips.
    ReRead,
}

impl Stage {
    /// The stages in order.
    pub const ALL: [Self; 7] = [
        Self::BookingIn,
        Self::AsFound,
        Self::Checks,
        Self::Tune,
        Self::Baseline,
        Self::Verify,
        Self::Handover,
    ];

    /// The word used in records.
    pub fn as_str(self) -> &'static str {
        match self {
            Self::BookingIn => "booking-in",
            Self::AsFound => "as-found",
            Self::Checks => "checks",
            Self::Tune => "tune",
            Self::Baseline => "baseline",
            Self::Verify => "verify",
            Self::Handover => "handover",
        }
    }

    /// The stage of a word used in records.
    pub fn from_word(word: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|stage| stage.as_str() == word)
    }
}

impl Step {
    /// The steps in order.
    pub const ALL: [Self; 10] = [
        Self::ClearancesCold,
        Self::WarmUp,
        Self::BleedsShut,
        Self::HoldBand,
        Self::BalanceAdjuster,
        Self::SnapShutAndKill,
        Self::ZeroLearn,
        Self::Restart,
        Self::OpenBleed,
        Self::ReRead,
    ];

    /// The word used in records.
    pub fn as_str(self) -> &'static str {
        match self {
            Self::ClearancesCold => "clearances-cold",
            Self::WarmUp => "warm-up",
            Self::BleedsShut => "bleeds-shut",
            Self::HoldBand => "hold-band",
            Self::BalanceAdjuster => "balance-adjuster",
            Self::SnapShutAndKill => "snap-shut-and-kill",
            Self::ZeroLearn => "zero-learn",
            Self::Restart => "restart",
            Self::OpenBleed => "open-bleed",
            Self::ReRead => "re-read",
        }
    }

    /// The step of a word used in records.
    pub fn from_word(word: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|step| step.as_str() == word)
    }

    /// Place in the order, counted from 1.
    pub fn number(self) -> usize {
        self as usize + 1
    }

    /// What to do, with the profile's figures.
    pub fn action(self, profile: &Profile) -> String {
        let p = &profile.engine;
        match self {
            Self::ClearancesCold => format!(
                "check the valve clearances stone cold: inlet {:.2} mm, exhaust {:.2} mm, \
                 +-{:.2} mm",
                profile.clearances.inlet_mm,
                profile.clearances.exhaust_mm,
                profile.clearances.tolerance_mm
            ),
            Self::WarmUp => format!("run the engine to {:.0} C or more", p.warm_c),
            Self::BleedsShut => "close the bleeds lightly and note the turns from seat".to_owned(),
            Self::HoldBand => format!(
                "hold {:.0} to {:.0} rpm steadily for 10 to 20 s",
                p.hold_rpm[0], p.hold_rpm[1]
            ),
            Self::BalanceAdjuster => match profile.couplings.as_slice() {
                [] => "no balance adjuster on this linkage: go on".to_owned(),
                all => format!(
                    "turn {} until the difference is at most {} kPa, lock it, read again",
                    all.iter()
                        .map(|c| format!("`{}`", c.adjuster))
                        .collect::<Vec<_>>()
                        .join(", then "),
                    profile.tolerance.good_kpa
                ),
            },
            Self::SnapShutAndKill => {
                "snap the throttle shut, then stop the engine with the kill switch".to_owned()
            }
            Self::ZeroLearn => {
                "let the ECU learn the closed position, as its manual says".to_owned()
            }
            Self::Restart => "start the engine again and let the idle settle".to_owned(),
            Self::OpenBleed => match profile.bleed {
                Some(b) => format!(
                    "open the bleed on the side with the higher depression until the sides agree; \
                     stop and go back to findings beyond {} turns, or if both are shut and the \
                     idle is high",
                    b.max_turns
                ),
                None => "no bleeds on these bodies: go on".to_owned(),
            },
            Self::ReRead => {
                "read again, blip three to five times and confirm that it repeats".to_owned()
            }
        }
    }

    /// Why it stands where it stands.
    pub fn reason(self) -> &'static str {
        match self {
            Self::ClearancesCold => {
                "a tight or loose valve changes how a cylinder draws, and no screw puts that right"
            }
            Self::WarmUp => "a cold engine idles on another mixture, valve position and oil drag",
            Self::BleedsShut => "an open bleed adds an area that hides where the plates stand",
            Self::HoldBand => "off idle the plates, not stops and bleeds, carry the flow",
            Self::BalanceAdjuster => "the linkage is set where the plates carry the flow",
            Self::SnapShutAndKill => "the plates must sit on their stops when the ECU learns",
            Self::ZeroLearn => "the ECU takes whatever volts it sees as closed",
            Self::Restart => "the new zero works from the next start",
            Self::OpenBleed => "the bleeds trim the idle only after the plates agree",
            Self::ReRead => "lock nuts and warm plates shift a setting",
        }
    }

    /// True when the engine runs in this step, so that the cautions come first.
    pub fn engine_runs(self) -> bool {
        !matches!(
            self,
            Self::ClearancesCold | Self::SnapShutAndKill | Self::ZeroLearn
        )
    }
}

/// A written reason for touching a sealed part, given for the baseline stage.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Override {
    reason: String,
}

/// Why a sealed part stays sealed.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum Refusal {
    /// The reason says too little to be read a year later.
    #[error(
        "the reason has {words} words, at least {needed} needed; say what was found and why the \
         sealed part must move"
    )]
    ReasonTooShort {
        /// Words given.
        words: usize,
        /// Words needed.
        needed: usize,
    },
    /// A sealed part outside the baseline stage.
    #[error(
        "`{adjuster}` is a sealed {kind}; it is turned only in the baseline stage, under an \
         override with a written reason"
    )]
    Sealed {
        /// Adjuster.
        adjuster: String,
        /// Kind in words.
        kind: &'static str,
    },
}

/// Fewest words a written reason must have; assumed.
const REASON_WORDS: usize = 4;

impl Override {
    /// An override with its written reason.
    ///
    /// # Errors
    /// [`Refusal::ReasonTooShort`] below four words.
    pub fn new(reason: &str) -> Result<Self, Refusal> {
        let words = reason.split_whitespace().count();
        if words < REASON_WORDS {
            return Err(Refusal::ReasonTooShort {
                words,
                needed: REASON_WORDS,
            });
        }
        Ok(Self {
            reason: reason.trim().to_owned(),
        })
    }

    /// The reason as written.
    pub fn reason(&self) -> &str {
        &self.reason
    }
}

/// Whether an adjuster may be turned in a stage.
///
/// The balance adjuster and the bleeds belong to [`Stage::Tune`] and [`Stage::Baseline`]; sealed
/// parts to [`Stage::Baseline`] with an override only.
///
/// # Errors
/// [`Refusal::Sealed`] for a sealed part anywhere else or without an override.
pub fn permit(adjuster: &Adjuster, stage: Stage, reason: Option<&Override>) -> Result<(), Refusal> {
    let allowed = match adjuster.kind {
        AdjusterKind::Balance | AdjusterKind::Bleed => true,
        AdjusterKind::Stop | AdjusterKind::LinkEnd | AdjusterKind::Sensor => {
            stage == Stage::Baseline && reason.is_some()
        }
    };
    if allowed {
        return Ok(());
    }
    Err(Refusal::Sealed {
        adjuster: adjuster.name.clone(),
        kind: adjuster.kind.words(),
    })
}

#[cfg(test)]
mod tests;

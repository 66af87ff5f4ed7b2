//! What to turn, in the trade's order.

use evenpull_diagnose::{Advice, Assessment};

use crate::number::{fixed, range, spread_percent};
use crate::screw::screw;
use crate::turn::{self, Rotation};

/// One step as the page shows it.
#[derive(Debug)]
pub(crate) struct Step {
    pub(crate) adjuster: String,
    /// `¼` and `turn`; `None` when the step is not a turn.
    pub(crate) turns: Option<TurnWords>,
    /// The same as a number with its interval.
    pub(crate) exact: Option<String>,
    /// Which way, as advised.
    pub(crate) way: String,
    /// The rotation where `way` does not say it itself.
    pub(crate) rotation: Option<&'static str>,
    /// Picture of the screw head.
    pub(crate) picture: Option<String>,
    pub(crate) gate: String,
    pub(crate) why: String,
    /// Spread expected afterwards.
    pub(crate) spread: Option<String>,
}

/// How far, split so that the count can be set larger than its unit.
#[derive(Debug)]
pub(crate) struct TurnWords {
    pub(crate) count: String,
    pub(crate) unit: &'static str,
}

/// All steps in their order.
pub(crate) fn steps(assessment: &Assessment) -> Vec<Step> {
    assessment
        .advice
        .iter()
        .enumerate()
        .map(|(i, advice)| step(i + 1, advice))
        .collect()
}

fn step(number: usize, advice: &Advice) -> Step {
    let rotation = Rotation::from_words(&advice.way);
    let count = advice.turns.as_ref().and_then(turn::fraction);
    let rotation_words = rotation
        .filter(|_| count.is_some() && !advice.way.to_lowercase().contains("clockwise"))
        .map(Rotation::words);
    let picture = advice.turns.filter(|_| count.is_some()).map(|t| {
        screw(
            &format!("step-{number}-screw"),
            &advice.adjuster,
            &t,
            rotation,
        )
    });
    Step {
        adjuster: advice.adjuster.clone(),
        turns: count.zip(advice.turns).map(|(count, t)| TurnWords {
            count,
            unit: turn::unit(&t),
        }),
        exact: advice.turns.map(|t| {
            format!(
                "{} turns, 90 % interval {}",
                fixed(t.value, 2),
                range(&t, 2)
            )
        }),
        rotation: rotation_words,
        picture,
        way: advice.way.clone(),
        gate: advice.gate.clone(),
        why: advice.why.clone(),
        spread: advice
            .predicted_spread
            .filter(|s| s.is_finite())
            .map(|s| format!("{} between the bodies", spread_percent(s))),
    }
}

//! What to turn, which way, how far, in the trade's order; and what stays sealed.

use evenpull_job::{AdjusterKind, Job, Profile};
use evenpull_trace::Notice;

use crate::assessment::{Advice, Cause, CauseCode};
use crate::breathing::Breathing;
use crate::evidence::Evidence;
use crate::levelling::HIDDEN_BY_LEVELLING;
use crate::model::Model;
use crate::posterior::Fitted;
use crate::summary::Draw;

/// What the advice is made from.
pub(crate) struct Desk<'a> {
    pub(crate) job: &'a Job,
    pub(crate) model: &'a Model<'a>,
    pub(crate) evidence: &'a Evidence,
    pub(crate) fitted: &'a [Fitted],
    pub(crate) draws: &'a [Draw],
    pub(crate) causes: &'a [Cause],
    pub(crate) undetermined: bool,
    /// The readings themselves are in doubt: the model does not fit or gauges were not checked.
    pub(crate) doubted: bool,
    pub(crate) breathing: Breathing,
}

/// Probability from which a cause is acted on.
pub(crate) const ACT_ON: f64 = 0.5;

/// Probability of causes that levelling would hide up to which it is advised all the same.
const HIDDEN_MOST: f64 = 0.2;

impl Desk<'_> {
    pub(crate) fn likely(&self, codes: &[CauseCode]) -> Option<&Cause> {
        self.all_likely(codes).next()
    }

    /// Causes of these kinds that are acted on, likeliest first.
    pub(crate) fn all_likely(&self, codes: &[CauseCode]) -> impl Iterator<Item = &Cause> {
        self.causes
            .iter()
            .filter(move |c| c.probability >= ACT_ON && codes.contains(&c.code))
    }

    pub(crate) fn profile(&self) -> &Profile {
        self.model.profile
    }

    /// Steps in the trade's order: what was measured outside its limits and what invalidates readings first, then what
    /// is to be mended, then a sealed part that was moved; balance adjusters and bleeds where none of these is.
    pub(crate) fn steps(&self) -> Vec<Advice> {
        let mut steps = self.measured_out();
        if let Some(first) = self.readings_in_doubt() {
            steps.push(first);
            return steps;
        }
        if self.undetermined && (!steps.is_empty() || !self.may_level()) {
            return steps;
        }
        if let Some(gauge) = self.gauge_step() {
            steps.push(gauge);
            return steps;
        }
        if !self.undetermined {
            steps.extend(self.mended());
        }
        if let Some(sealed) = self.sealed_step() {
            steps.push(sealed);
            return steps;
        }
        if steps.is_empty() {
            return self.level();
        }
        steps.extend(self.wait());
        steps
    }

    /// What makes the readings tell of the wrong body.
    fn readings_in_doubt(&self) -> Option<Advice> {
        if self.evidence.is_crossed() {
            return Some(plain(
                "hoses",
                "exchange the hoses so that each sensor or gauge is on the body it is named after",
                "engine off",
                "the firing intervals show them crossed; read again before anything is turned",
            ));
        }
        self.evidence.cross_flow.then(|| {
            plain(
                "idle-air hoses",
                "pinch off the idle-air hoses and any balance pipe and read again",
                "engine off while the hoses are clamped",
                "the runners fill each other; turning an adjuster on such readings dials in an error",
            )
        })
    }

    fn gauge_step(&self) -> Option<Advice> {
        let cause = self.likely(&[CauseCode::GaugeFault])?;
        let points = &self.evidence.points;
        let exchanged = points.iter().any(|p| p.swapped);
        let plural = if self.evidence.has_areas() {
            "gauges and sensors"
        } else {
            "gauges"
        };
        let way = |others: &str| {
            if exchanged {
                "put all of them on one port, zero or replace the one that is off, read again"
                    .to_owned()
            } else {
                format!("{others}, zero or replace the one that is off, read again")
            }
        };
        let (which, way) = match &cause.body {
            Some(body) if self.model.space.bodies > 2 => (
                format!("gauge on {body}"),
                way("swap it with another body's"),
            ),
            _ if self.model.space.bodies < 2 => (
                "gauge".to_owned(),
                "zero or replace it, read again".to_owned(),
            ),
            _ => (plural.to_owned(), way("swap them side to side")),
        };
        Some(plain(
            &which,
            &way,
            "engine off while hoses are moved",
            "the difference stays with the instrument, not with the cylinder",
        ))
    }

    /// Undetermined, but nothing is in question that levelling would hide: balance adjusters and
    /// bleeds are there to be turned.
    fn may_level(&self) -> bool {
        let hidden: f64 = self
            .causes
            .iter()
            .filter(|c| c.members.iter().any(|m| HIDDEN_BY_LEVELLING.contains(m)))
            .map(|c| c.probability)
            .sum();
        !self.doubted && hidden < HIDDEN_MOST
    }
}

/// Finest part of a turn that a hand sets and notes [turns]; common practice, no source.
const NOTCH_TURNS: f64 = 1.0 / 32.0;

/// Parts steps that a hand can make from turns that come to nothing of it, which are told as left alone.
pub(crate) fn settable(steps: Vec<Advice>) -> (Vec<Advice>, Vec<Notice>) {
    let nothing = |step: &Advice| step.turns.filter(|t| t.value < 0.5 * NOTCH_TURNS);
    let mut left = Vec::new();
    let mut kept = Vec::new();
    for step in steps {
        let Some(turns) = nothing(&step) else {
            kept.push(step);
            continue;
        };
        left.push(Notice::new(
            "turn-too-small",
            format!(
                "leave `{}` as it stands: the {:.2} turn it is off is less than a hand can set (1/32 turn)",
                step.adjuster, turns.value
            ),
        ));
    }
    (kept, left)
}

pub(crate) fn plain(adjuster: &str, way: &str, gate: &str, why: &str) -> Advice {
    Advice {
        adjuster: adjuster.to_owned(),
        turns: None,
        way: way.to_owned(),
        predicted_spread: None,
        gate: gate.to_owned(),
        why: why.to_owned(),
    }
}

/// (max - min)/mean.
pub(crate) fn spread(values: &[f64]) -> Option<f64> {
    let mean = values.iter().sum::<f64>() / values.len() as f64;
    (values.len() > 1 && mean > 0.0).then(|| range(values) / mean)
}

/// Highest less lowest.
pub(crate) fn range(values: &[f64]) -> f64 {
    let high = values.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    high - values.iter().copied().fold(f64::INFINITY, f64::min)
}

/// Parts that must not be turned, by the names the files use.
pub(crate) fn leave_sealed(profile: &Profile) -> Vec<String> {
    profile
        .adjusters()
        .into_iter()
        .filter(|a| {
            matches!(
                a.kind,
                AdjusterKind::Stop | AdjusterKind::LinkEnd | AdjusterKind::Sensor
            )
        })
        .map(|a| a.name)
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::assessment::Interval;

    #[test]
    fn a_turn_of_nothing_is_left_alone_and_a_thirty_second_is_made() {
        let step = |value: f64| Advice {
            turns: Some(Interval {
                value,
                lo90: 0.0,
                hi90: 0.1,
            }),
            ..plain("screw 1", "in", "", "")
        };
        let (kept, left) = settable(vec![step(0.015), step(0.016), plain("cable", "", "", "")]);
        assert_eq!(kept, [step(0.016), plain("cable", "", "", "")]);
        assert_eq!(left.len(), 1);
        assert!(
            left[0]
                .text
                .starts_with("leave `screw 1` as it stands: the 0.01 turn"),
            "{left:?}"
        );
    }
}

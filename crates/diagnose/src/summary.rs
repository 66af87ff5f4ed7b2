//! From draws of the mixture to intervals and to probabilities of causes.

use std::collections::BTreeMap;

use crate::assessment::{BodyFinding, CauseCode, Difference, Interval};
use crate::evidence::Evidence;
use crate::hypothesis::Fault;
use crate::model::Model;
use crate::posterior::{DEPRESSION_SLOPE, Fitted};

/// A draw: hypothesis index and parameters.
pub(crate) type Draw = (usize, Vec<f64>);

/// Median and 90 % interval of values; sorts them.
pub(crate) fn interval(mut values: Vec<f64>) -> Option<Interval> {
    values.retain(|v| v.is_finite());
    if values.is_empty() {
        return None;
    }
    values.sort_by(f64::total_cmp);
    let at = |q: f64| values[((values.len() - 1) as f64 * q).round() as usize];
    Some(Interval {
        value: at(0.5),
        lo90: at(0.05),
        hi90: at(0.95),
    })
}

/// Interval of a quantity over all draws.
pub(crate) fn over(draws: &[Draw], f: impl Fn(&[f64]) -> f64) -> Interval {
    interval(draws.iter().map(|(_, p)| f(p)).collect()).unwrap_or(Interval {
        value: f64::NAN,
        lo90: f64::NAN,
        hi90: f64::NAN,
    })
}

/// Offset of each plate with the throttle shut, leak and bleed, per body.
pub(crate) fn bodies(model: &Model<'_>, evidence: &Evidence, draws: &[Draw]) -> Vec<BodyFinding> {
    let base = model.profile.body.stop_opening_deg;
    let turns = last_turns(evidence, model.space.bodies);
    (0..model.space.bodies)
        .map(|b| BodyFinding {
            body: model.profile.bodies()[b].clone(),
            offset_deg: over(draws, |p| model.openings_for(p, None)[b] - base),
            leak_mm2: over(draws, |p| p[model.space.leak(b)]),
            bleed_mm2: over(draws, |p| model.bleed_mm2(p, b, turns[b])),
        })
        .collect()
}

/// First body minus second.
pub(crate) fn difference(model: &Model<'_>, draws: &[Draw]) -> Option<Difference> {
    (model.space.bodies > 1).then(|| Difference {
        offset_deg: over(draws, |p| {
            let open = model.openings_for(p, None);
            open[0] - open[1]
        }),
        leak_mm2: over(draws, |p| p[model.space.leak(0)] - p[model.space.leak(1)]),
    })
}

/// Bleed turns as last known with the bleeds open.
pub(crate) fn last_turns(evidence: &Evidence, bodies: usize) -> Vec<f64> {
    evidence
        .points
        .iter()
        .rev()
        .map(|p| &p.bleed_turns)
        .find(|t| t.iter().any(|x| *x > 0.0))
        .cloned()
        .unwrap_or_else(|| vec![0.0; bodies])
}

/// Difference of bleed area that is worth a turn [mm2]: midway between good and act at idle.
pub(crate) fn bleed_limit_mm2(model: &Model<'_>, evidence: &Evidence) -> f64 {
    let t = model.profile.tolerance;
    let (mut n, mut area, mut depression) = (0.0, 0.0, 0.0);
    for p in evidence.points.iter().filter(|p| p.at_stop()) {
        if let Some(d) = p.depressions_kpa() {
            let areas: Vec<f64> = p.ln_area.iter().flatten().map(|a| a.value.exp()).collect();
            depression += d.iter().sum::<f64>() / d.len() as f64;
            area += if areas.is_empty() {
                8.0
            } else {
                areas.iter().sum::<f64>() / areas.len() as f64
            };
            n += 1.0;
        }
    }
    if n == 0.0 {
        return 0.4;
    }
    0.5 * (t.good_kpa + t.act_kpa) * (area / n) / (DEPRESSION_SLOPE * depression / n)
}

/// Probability of each fault: share of the draws in which it is there.
///
/// Bleeds are judged by what they pass as they stand, whatever the hypothesis.
pub(crate) fn probabilities(
    model: &Model<'_>,
    evidence: &Evidence,
    fitted: &[Fitted],
    draws: &[Draw],
) -> BTreeMap<Fault, f64> {
    let turns = last_turns(evidence, model.space.bodies);
    let limit = bleed_limit_mm2(model, evidence);
    let has_bleeds = model.profile.bleed.is_some() && !evidence.bleeds_assumed;
    let mut counts: BTreeMap<Fault, f64> = BTreeMap::new();
    let share = 1.0 / draws.len().max(1) as f64;
    for (k, p) in draws {
        let bleeds: Vec<f64> = (0..model.space.bodies)
            .map(|b| model.bleed_mm2(p, b, turns[b]))
            .collect();
        let high = bleeds.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let low = bleeds.iter().copied().fold(f64::INFINITY, f64::min);
        let unequal = has_bleeds && high - low > limit;
        let faults = &fitted[*k].hypothesis.faults;
        if unequal {
            *counts
                .entry(Fault::anywhere(CauseCode::BleedUnequal))
                .or_default() += share;
        }
        if faults.is_empty() && !unequal {
            *counts.entry(Fault::anywhere(CauseCode::None)).or_default() += share;
        }
        for f in faults {
            *counts.entry(*f).or_default() += share;
        }
    }
    counts
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_interval_holds_the_middle_ninety_per_cent() {
        let i = interval((0..=1000).rev().map(f64::from).collect()).unwrap();
        assert_eq!((i.lo90, i.value, i.hi90), (50.0, 500.0, 950.0));
        assert!(interval(vec![f64::NAN]).is_none());
    }
}

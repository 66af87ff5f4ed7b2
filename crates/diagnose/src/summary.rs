//! From draws of the mixture to intervals and to the faults in them.

use crate::assessment::{BodyFinding, CauseCode, Difference, Interval};
use crate::evidence::Evidence;
use crate::hypothesis::{Fault, Hypothesis};
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

/// Sizes below which a fault is none: what the "good" limit leaves.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Limits {
    /// Link error [deg].
    pub(crate) link_deg: f64,
    /// Instrument error [kPa].
    pub(crate) instrument_kpa: f64,
}

impl Limits {
    /// By how depression changes with a plate, in the reading where it changes most.
    pub(crate) fn of(model: &Model<'_>, evidence: &Evidence, best: &Fitted) -> Self {
        let good = model.profile.tolerance.good_kpa;
        let kpa_per_deg = |j: usize| {
            let read = evidence.points[j].depressions_kpa()?;
            let mean = read.iter().sum::<f64>() / read.len() as f64;
            let open = *model.openings_deg(&best.mode, evidence, j).first()?;
            let area = *model.areas_mm2(&best.mode, evidence, j).first()?;
            let at = |deg| model.plate_mm2(&best.mode, deg);
            Some(DEPRESSION_SLOPE * mean * (at(open + 0.1) - at(open)) / 0.1 / area)
        };
        let most = (0..evidence.points.len())
            .filter_map(kpa_per_deg)
            .fold(f64::NEG_INFINITY, f64::max);
        Self {
            link_deg: if most > 0.0 {
                good / most
            } else {
                USUAL_LIMIT_DEG
            },
            instrument_kpa: good,
        }
    }
}

/// Link error worth 1 kPa at idle by the filling model [deg]: 1.4 kPa for 0.1 degree.
const USUAL_LIMIT_DEG: f64 = 0.07;

/// Faults that a draw holds: those of its hypothesis that are large enough to matter, and links
/// that are off by more than the limit whatever the hypothesis.
pub(crate) fn faults(
    model: &Model<'_>,
    limits: Limits,
    hypothesis: &Hypothesis,
    p: &[f64],
) -> Vec<Fault> {
    let off = |c: usize| p[model.space.link(c)].abs() > limits.link_deg;
    let mut out: Vec<Fault> = hypothesis
        .faults
        .iter()
        .copied()
        .filter(|f| match (f.code, f.coupling, f.body) {
            (CauseCode::BalanceOff | CauseCode::LinkAltered, Some(c), _) => off(c),
            (CauseCode::GaugeFault, _, Some(b)) => {
                let error = |i: usize| p[i].abs();
                error(model.space.gauge(b)).max(error(model.space.sensor(b)))
                    > limits.instrument_kpa
            }
            _ => true,
        })
        .collect();
    for c in (0..model.space.couplings).filter(|&c| off(c)) {
        if !out.iter().any(|f| f.coupling == Some(c)) {
            out.push(Fault {
                code: CauseCode::BalanceOff,
                body: model.profile.couplings[c].driven.first().copied(),
                coupling: Some(c),
            });
        }
    }
    out
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

//! From draws of the mixture to intervals and to the faults in them.

use crate::assessment::{BodyFinding, CauseCode, Difference, Interval};
use crate::evidence::Evidence;
use crate::hypothesis::{Fault, Hypothesis};
use crate::model::{Model, Space};
use crate::posterior::Fitted;

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
    // Without areas read, what a sound machine of this profile has at idle.
    let usual = model.needed_mm2() / model.space.bodies as f64;
    let kpa_per_mm2: Vec<f64> = evidence
        .points
        .iter()
        .filter(|p| p.at_stop())
        .filter_map(|p| {
            let areas: Vec<f64> = p.ln_area.iter().flatten().map(|a| a.value.exp()).collect();
            let area = match areas.len() {
                0 => usual,
                n => areas.iter().sum::<f64>() / n as f64,
            };
            Some(p.law.as_ref()?.kpa_per_ln(area) / area)
        })
        .collect();
    if kpa_per_mm2.is_empty() {
        return 0.4;
    }
    let mean = kpa_per_mm2.iter().sum::<f64>() / kpa_per_mm2.len() as f64;
    0.5 * (t.good_kpa + t.act_kpa) / mean
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
    /// By how depression changes with a plate, mean of the bodies, in the reading where it changes most.
    pub(crate) fn of(model: &Model<'_>, evidence: &Evidence, best: &Fitted) -> Self {
        let good = model.profile.tolerance.good_kpa;
        let kpa_per_deg = |j: usize| {
            let law = evidence.points[j].law.as_ref()?;
            let open = model.openings_deg(&best.mode, evidence, j);
            let areas = model.areas_mm2(&best.mode, evidence, j);
            let at = |deg| model.plate_mm2(&best.mode, deg);
            let each = open.iter().zip(&areas);
            let sum: f64 = each
                .map(|(o, a)| law.kpa_per_ln(*a) * (at(o + 0.1) - at(*o)) / 0.1 / a)
                .sum();
            // As far as the readings of both tell how one follows the other on this engine.
            Some(best.mode[Space::LN_SLOPE].exp() * sum / open.len() as f64)
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

/// Stop that counts as moved whatever the hypothesis [deg]: three deviations of a sound one.
const STOP_LIMIT_DEG: f64 = 0.12;

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
    let is_stop = |f: &Fault| {
        use CauseCode::{CableTight, StopIn, StopOut, StopsBoth};
        matches!(f.code, StopIn | StopOut | StopsBoth | CableTight)
    };
    if !out.iter().any(is_stop) {
        // A stop that was put back by eye may be further off than that.
        out.extend((0..model.space.bodies).filter_map(|b| {
            let off_deg = p[model.space.stop(b)];
            let code = if off_deg > 0.0 {
                CauseCode::StopIn
            } else {
                CauseCode::StopOut
            };
            (off_deg.abs() > STOP_LIMIT_DEG).then(|| Fault::on(code, b))
        }));
    }
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

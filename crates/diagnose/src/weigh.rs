//! What is present in each draw, and how likely each cause is.
//!
//! A draw of the mixture holds faults of the bodies; causes that leave the areas alone stand beside
//! it with odds of their own ([`crate::cylinder`]). For groups `g` of such causes, weak ones `W_g`
//! and others `N_g` by their odds, and the ratio `L` by which the air asked for at idle speaks for a
//! weak cylinder, a draw weighs `prod(1 + N) + L (prod(1 + W + N) - prod(1 + N))`.

use std::collections::BTreeMap;

use evenpull_job::Condition;

use crate::advice::range;
use crate::assessment::CauseCode;
use crate::cylinder::{Alternative, Group, unseen};
use crate::evidence::{Evidence, Point};
use crate::hypothesis::Fault;
use crate::model::{Model, VALVE_PLACE};
use crate::posterior::Fitted;
use crate::summary::{Draw, Limits, bleed_limit_mm2, faults, last_turns};

/// Place of the hot idle valve with a weak cylinder, in its travel: a fifth less work of one asks for 4 mm2 more (filling model), a
/// third of the travel of a usual valve.
const WEAK_PLACE: (f64, f64) = (0.55, 0.15);

/// Ratio from which the air asked for speaks for causes that nobody has looked at.
pub(crate) const SPEAKS: f64 = 3.0;

/// Draws with their weight and the faults of the bodies in them.
#[derive(Debug, Clone)]
pub(crate) struct Weighed {
    /// One entry per draw: share of the whole, faults of the bodies, ratio for a weak cylinder.
    pub(crate) states: Vec<State>,
    /// Causes beside the areas.
    pub(crate) groups: Vec<Group>,
    /// How far the air asked for speaks for a weak cylinder, averaged; 1 where it says nothing.
    pub(crate) asks_for_air: f64,
}

/// What is present in one draw.
#[derive(Debug, Clone)]
pub(crate) struct State {
    pub(crate) share: f64,
    pub(crate) faults: Vec<Fault>,
    weak_ratio: f64,
}

impl Weighed {
    /// Weighs the draws of the mixture.
    pub(crate) fn of(
        model: &Model<'_>,
        evidence: &Evidence,
        fitted: &[Fitted],
        draws: &[Draw],
        mut groups: Vec<Group>,
    ) -> Self {
        let bodies = Bodies::of(model, evidence, fitted);
        let mut states: Vec<State> = draws
            .iter()
            .map(|(k, p)| State {
                share: 1.0 / draws.len().max(1) as f64,
                faults: bodies.faults(&fitted[*k], p),
                weak_ratio: asked_place(model, evidence, p).map_or(1.0, weak_ratio),
            })
            .collect();
        let asks_for_air = states.iter().map(|s| s.share * s.weak_ratio).sum::<f64>();
        if asks_for_air > SPEAKS {
            groups.push(unseen(&groups));
            groups.retain(|g| !g.is_empty());
        }
        let mut sum = 0.0;
        for state in &mut states {
            state.share *= total(&groups, state.weak_ratio);
            sum += state.share;
        }
        for state in &mut states {
            state.share /= sum;
        }
        Self {
            states,
            groups,
            asks_for_air,
        }
    }

    /// Probability of each cause: share of the draws in which it is there.
    pub(crate) fn probabilities(&self) -> BTreeMap<Fault, f64> {
        let mut counts: BTreeMap<Fault, f64> = BTreeMap::new();
        for state in &self.states {
            let all = total(&self.groups, state.weak_ratio);
            if state.faults.is_empty() {
                *counts.entry(Fault::anywhere(CauseCode::None)).or_default() += state.share / all;
            }
            for fault in &state.faults {
                *counts.entry(*fault).or_default() += state.share;
            }
            for (g, group) in self.groups.iter().enumerate() {
                for a in group {
                    let p = with(&self.groups, g, a, state.weak_ratio) / all;
                    *counts.entry(a.fault).or_default() += state.share * p;
                }
            }
        }
        counts
    }

    /// Causes drawn to stand beside a state; `even` gives numbers even between 0 and 1.
    pub(crate) fn beside(&self, state: &State, even: &mut dyn FnMut() -> f64) -> Vec<Fault> {
        let all = total(&self.groups, state.weak_ratio);
        let mut found = Vec::new();
        for (g, group) in self.groups.iter().enumerate() {
            let mut left = even();
            for a in group {
                left -= with(&self.groups, g, a, state.weak_ratio) / all;
                if left < 0.0 {
                    found.push(a.fault);
                    break;
                }
            }
        }
        found
    }

    /// The cause beside the areas with this name, if any.
    pub(crate) fn alternative(&self, fault: Fault) -> Option<&Alternative> {
        self.groups.iter().flatten().find(|a| a.fault == fault)
    }
}

/// Sum of odds of a group's weak causes, and of the others.
fn odds(group: &Group) -> (f64, f64) {
    group.iter().fold((0.0, 0.0), |(w, n), a| {
        if a.weak {
            (w + a.odds, n)
        } else {
            (w, n + a.odds)
        }
    })
}

/// Weight of everything that may stand beside a draw, and of nothing standing there being 1.
fn total(groups: &[Group], ratio: f64) -> f64 {
    beside(groups, usize::MAX, ratio, false)
}

/// Weight of one cause of group `g` being there, whatever the other groups hold.
fn with(groups: &[Group], g: usize, a: &Alternative, ratio: f64) -> f64 {
    a.odds * beside(groups, g, ratio, a.weak)
}

/// Weight of all states of the groups but `left_out`; `weak`: one outside them is weak already.
fn beside(groups: &[Group], left_out: usize, ratio: f64, weak: bool) -> f64 {
    let (mut any, mut none) = (1.0, 1.0);
    for (_, group) in groups.iter().enumerate().filter(|(i, _)| *i != left_out) {
        let (w, n) = odds(group);
        any *= 1.0 + w + n;
        none *= 1.0 + n;
    }
    if weak {
        ratio * any
    } else {
        none + ratio * (any - none)
    }
}

/// Ratio of densities of the idle valve's place with a weak cylinder and without.
fn weak_ratio(place: f64) -> f64 {
    let ln = |(mean, sd): (f64, f64)| -0.5 * ((place - mean) / sd).powi(2) - sd.ln();
    // A usual place hardly speaks against one: some that are weak ask for little more.
    (ln(WEAK_PLACE) - ln(VALVE_PLACE)).exp().clamp(0.3, 1e3)
}

/// Place the idle valve would have on a body as the profile says if it let in all the air that is
/// asked for beyond the plates and bleeds, in its travel; averaged over the idle readings.
fn asked_place(model: &Model<'_>, evidence: &Evidence, p: &[f64]) -> Option<f64> {
    let valve = model.profile.idle_valve?;
    let full_mm2 = f64::from(valve.steps) * valve.area_mm2_per_step;
    let (mut sum, mut n) = (0.0, 0.0);
    for (j, point) in evidence.points.iter().enumerate() {
        if point.at_stop() && point.steps_read && !point.valve_pinched {
            let air: f64 = model.areas_mm2(p, evidence, j).iter().sum();
            // The engine idles faster in proportion to what it is given (filling model).
            let speed = point.rpm / model.profile.engine.idle_rpm;
            sum += VALVE_PLACE.0 + (air / speed - model.needed_mm2()) / full_mm2;
            n += 1.0;
        }
    }
    (n > 0.0).then(|| sum / n)
}

/// Judging the faults of the bodies in a draw.
struct Bodies<'a> {
    model: &'a Model<'a>,
    limits: Limits,
    turns: Vec<f64>,
    bleed_limit_mm2: f64,
    has_bleeds: bool,
}

impl<'a> Bodies<'a> {
    fn of(model: &'a Model<'a>, evidence: &Evidence, fitted: &[Fitted]) -> Self {
        // What the bleeds pass is told by an idle, and asked about by a difference off it that must have a reason.
        let act_kpa = model.profile.tolerance.act_kpa;
        let open = |p: &Point| match p.condition {
            Condition::Idle => p.law.is_some(),
            Condition::IdleBleedsShut => false,
            Condition::Hold | Condition::Sweep => {
                p.depressions_kpa().is_some_and(|kpa| range(kpa) > act_kpa)
            }
        };
        Self {
            model,
            limits: Limits::of(model, evidence, &fitted[0]),
            turns: last_turns(evidence, model.space.bodies),
            bleed_limit_mm2: bleed_limit_mm2(model, evidence),
            // Turns that nobody noted may be anything.
            has_bleeds: model.profile.bleed.is_some()
                && (!evidence.bleeds_assumed || evidence.points.iter().any(open)),
        }
    }

    /// Faults of the hypothesis that are large enough in this draw; bleeds are judged by what they
    /// pass as they stand, whatever the hypothesis, unless one is blocked.
    fn faults(&self, fitted: &Fitted, p: &[f64]) -> Vec<Fault> {
        let mut found = faults(self.model, self.limits, &fitted.hypothesis, p);
        let blocked = found.iter().any(|f| f.code == CauseCode::BleedBlocked);
        let passes =
            (0..self.model.space.bodies).map(|b| self.model.bleed_mm2(p, b, self.turns[b]));
        let (low, high) = passes.fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), x| {
            (l.min(x), h.max(x))
        });
        if self.has_bleeds && !blocked && high - low > self.bleed_limit_mm2 {
            found.push(Fault::anywhere(CauseCode::BleedUnequal));
        }
        found.sort_unstable();
        found
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn alternative(code: CauseCode, odds: f64, weak: bool) -> Alternative {
        Alternative {
            fault: Fault::anywhere(code),
            odds,
            weak,
            signs: Vec::new(),
            against: Vec::new(),
            direct: false,
        }
    }

    fn weighed(groups: Vec<Group>, ratios: &[f64]) -> Weighed {
        let states = ratios
            .iter()
            .map(|&weak_ratio| State {
                share: total(&groups, weak_ratio) / ratios.len() as f64,
                faults: Vec::new(),
                weak_ratio,
            })
            .collect();
        let mut all = Weighed {
            states,
            groups,
            asks_for_air: 1.0,
        };
        let sum: f64 = all.states.iter().map(|s| s.share).sum();
        all.states.iter_mut().for_each(|s| s.share /= sum);
        all
    }

    /// Against all states counted one by one.
    #[test]
    fn weights_are_those_of_every_state_counted() {
        let groups = vec![
            vec![
                alternative(CauseCode::SparkWeak, 0.3, true),
                alternative(CauseCode::InjectorUnequal, 0.7, true),
            ],
            vec![alternative(CauseCode::ValveLoose, 2.0, false)],
            vec![alternative(CauseCode::FilterBlocked, 0.1, true)],
        ];
        let ratio = 5.0;
        let found = weighed(groups, &[ratio]).probabilities();
        let (mut all, mut spark, mut loose, mut nothing) = (0.0, 0.0, 0.0, 0.0);
        for (fuel, odds) in [(0, 1.0), (1, 0.3), (2, 0.7)] {
            for (valve, o) in [(false, 1.0), (true, 2.0)] {
                for (filter, f) in [(false, 1.0), (true, 0.1)] {
                    let weak = if fuel > 0 || filter { ratio } else { 1.0 };
                    let w = odds * o * f * weak;
                    all += w;
                    spark += if fuel == 1 { w } else { 0.0 };
                    loose += if valve { w } else { 0.0 };
                    nothing += if fuel == 0 && !valve && !filter {
                        w
                    } else {
                        0.0
                    };
                }
            }
        }
        let of = |code| found[&Fault::anywhere(code)];
        for (code, wanted) in [
            (CauseCode::SparkWeak, spark / all),
            (CauseCode::ValveLoose, loose / all),
            (CauseCode::None, nothing / all),
        ] {
            assert!(
                (of(code) - wanted).abs() < 1e-12,
                "{code:?} {} {wanted}",
                of(code)
            );
        }
    }

    #[test]
    fn a_usual_place_of_the_valve_does_not_speak_for_a_weak_cylinder() {
        assert!(weak_ratio(0.3) < 0.5 && weak_ratio(0.1) < 0.5);
        assert!(weak_ratio(0.4) < SPEAKS && weak_ratio(0.6) > 10.0);
    }
}

//! How far the screws that are meant to be turned go: balance adjusters and bleeds.
//!
//! All adjusters are solved at once. A link error is that of a plate against the one that drives it,
//! so each balance adjuster is turned once, drivers first, and the whole linkage is done in one
//! visit of each screw. Bleeds level what is left at idle with the fewest of them turned. Where the
//! readings are a tie between sound and off, the screws are still turned as far as the middle of the
//! posterior says: that is their purpose.

use evenpull_job::{BleedData, Condition};

use crate::advice::{Desk, plain, range, spread};
use crate::assessment::{Advice, CauseCode, Interval};
use crate::evidence::Point;
use crate::summary::{Limits, faults, interval, last_turns};

/// Share of the good difference from which levelling is worth the turn: gauges and sensors repeat to
/// 0.3 kPa (common practice, no source), so a reading nearer to good may not be good. The advice says so: with turns
/// from the good difference itself on, 94.5 % of 199 practice machines are good after two rounds, and 98 % with these.
const WORTH: f64 = 0.6;

/// Share of the good difference that one bleed of a twin may keep, and one of several.
const KEPT: [f64; 2] = [0.3, 0.2];

/// Share of the link error worth the good difference below which an adjuster of a twin is left alone;
/// with more bodies as much less, for what several links leave adds up.
const LINK_WORTH: f64 = 0.5;

/// What the turns of a screw come out beyond what was meant, relative; assumed.
const HAND: f64 = 0.12;

/// Places of the hot idle valve, in its travel, between which bleeds may move it; 20 to 40 % is
/// usual (from memory), an end of the travel is not.
const VALVE_RANGE: (f64, f64) = (0.08, 0.75);

/// Repeatability of a difference of depressions [kPa]; common practice, no source.
const REPEAT_KPA: f64 = 0.3;

impl Desk<'_> {
    /// Balance adjusters first, bleeds after; nothing where the seal of a link that is off is broken.
    pub(crate) fn level(&self) -> Vec<Advice> {
        let off = self.links_to_turn();
        if let Some(altered) = self.altered_link(&off) {
            return vec![altered];
        }
        let mut steps = self.balance(&off);
        steps.extend(self.bleeds(&off));
        steps
    }

    /// Largest difference in the last reading of a condition [kPa].
    fn differ(&self, wanted: impl Fn(&Point) -> bool) -> Option<f64> {
        let point = self.evidence.points.iter().rfind(|p| wanted(p))?;
        Some(range(&self.depressions_kpa(point)?))
    }

    /// The difference that balance adjusters are set by: off idle, where that was read [kPa].
    fn differ_for_links(&self) -> Option<f64> {
        let off_idle = self.differ(|p| !p.at_stop());
        off_idle.or_else(|| self.differ(|_| true))
    }

    /// What is said of a turn where the difference is good already; nothing where it is not.
    fn trim_words(&self, differ_kpa: Option<f64>) -> String {
        let good = self.profile().tolerance.good_kpa;
        match differ_kpa {
            Some(kpa) if kpa <= good => format!(
                "; {kpa:.1} kPa between the bodies is good already ({good} kPa): a reading repeats to {REPEAT_KPA} kPa, \
                 and this turn only makes it sure"
            ),
            _ => String::new(),
        }
    }

    /// Depressions of a reading [kPa]: those of a recording less what the fit believes its sensors to be off.
    fn depressions_kpa(&self, point: &Point) -> Option<Vec<f64>> {
        let mut read = point.depressions_kpa()?.to_vec();
        let whole = point.ln_area.iter().all(Option::is_some);
        if let (true, Some(_), Some(best)) = (whole, &point.recorded_kpa, self.fitted.first()) {
            for (b, kpa) in read.iter_mut().enumerate() {
                // A sensor that reads high shows too little depression.
                *kpa += best.mode[self.model.space.sensor(point.instrument_on(b))];
            }
        }
        Some(read)
    }

    /// Couplings whose adjuster is turned, drivers first.
    fn links_to_turn(&self) -> Vec<usize> {
        let Some(best) = self.fitted.first() else {
            return Vec::new();
        };
        let limits = Limits::of(self.model, self.evidence, best);
        let good = self.profile().tolerance.good_kpa;
        let read = self.differ_for_links();
        let uneven = read.is_none_or(|kpa| kpa > WORTH * good);
        let all = self.draws.len().max(1) as f64;
        let least = LINK_WORTH * limits.link_deg * 2.0 / self.model.space.bodies as f64;
        self.model
            .drivers_first()
            .into_iter()
            .filter(|&c| {
                let holds = |k: usize, p: &[f64]| {
                    faults(self.model, limits, &self.fitted[k].hypothesis, p)
                        .iter()
                        .any(|f| f.coupling == Some(c))
                };
                let links = self.draws.iter().map(|(_, p)| p[self.model.space.link(c)]);
                let middle = interval(links.collect()).map_or(0.0, |i| i.value.abs());
                let named = self.draws.iter().filter(|(k, p)| holds(*k, p)).count() as f64 / all;
                named >= 0.5 || (uneven && middle > least)
            })
            .collect()
    }

    fn balance(&self, off: &[usize]) -> Vec<Advice> {
        let mut out = Vec::new();
        for (done, &c) in off.iter().enumerate() {
            let coupling = &self.profile().couplings[c];
            let link = |p: &[f64]| p[self.model.space.link(c)];
            let of = |f: &dyn Fn(&[f64]) -> f64| {
                interval(self.draws.iter().map(|(_, p)| f(p)).collect())
            };
            let (Some(error), Some(offset), Some(adjuster)) = (
                of(&|p| link(p) / self.model.deg_per_turn(p, c)),
                of(&link),
                self.profile().adjuster(&coupling.adjuster),
            ) else {
                continue;
            };
            let turns = if error.value >= 0.0 {
                error
            } else {
                Interval {
                    value: -error.value,
                    lo90: -error.hi90,
                    hi90: -error.lo90,
                }
            };
            let way = if error.value > 0.0 {
                adjuster.less
            } else {
                adjuster.more
            };
            let names: Vec<&str> = coupling
                .driven
                .iter()
                .map(|&b| self.profile().bodies()[b].as_str())
                .collect();
            let verb = if names.len() > 1 { "stand" } else { "stands" };
            let plates = if names.len() > 1 { "plates" } else { "plate" };
            let [lo, hi] = self.profile().engine.hold_rpm;
            out.push(Advice {
                adjuster: coupling.adjuster.clone(),
                turns: Some(Interval {
                    lo90: turns.lo90.max(0.0),
                    ..turns
                }),
                way,
                predicted_spread: self.spread_without_links(&off[..=done]),
                gate: format!(
                    "clearances checked cold, engine above {:.0} C, bleeds shut (count the turns), steady between \
                     {lo:.0} and {hi:.0} rpm{}",
                    self.profile().engine.warm_c,
                    self.pinch_words()
                ),
                why: format!(
                    "the {plates} of {} {verb} {:+.2} degrees against the one that drives it, off idle as well as \
                     at idle{}",
                    names.join(" and "),
                    offset.value,
                    self.trim_words(self.differ_for_links())
                ),
            });
        }
        out
    }

    /// What cannot be seen in the traces: small passages to a shared idle-air chamber.
    fn pinch_words(&self) -> &'static str {
        let pinched = self.evidence.points.iter().any(|p| p.valve_pinched);
        if self.profile().idle_valve.is_none() || pinched {
            return "";
        }
        "; where the idle-air hoses meet in one chamber, small passages fill the runners from each other unseen: \
         pinch the hoses and read again before the screw is turned"
    }

    /// Spread at hold with the given couplings put right [-].
    fn spread_without_links(&self, couplings: &[usize]) -> Option<f64> {
        let points = &self.evidence.points;
        let j = points
            .iter()
            .rposition(|p| p.condition == Condition::Hold)
            .or_else(|| points.iter().rposition(|p| !p.at_stop()))
            .or_else(|| (!points.is_empty()).then_some(points.len() - 1))?;
        let best = self.fitted.first()?;
        let righted = self.righted(&best.mode, couplings);
        let before = self.model.areas_mm2(&best.mode, self.evidence, j);
        let after = self.model.areas_mm2(&righted, self.evidence, j);
        spread(&self.moved(&points[j], &before, &after)?)
    }

    fn righted(&self, mode: &[f64], couplings: &[usize]) -> Vec<f64> {
        let mut p = mode.to_vec();
        for &c in couplings {
            p[self.model.space.link(c)] = 0.0;
        }
        p
    }

    /// Depressions of a reading once its areas have changed [kPa].
    fn moved(&self, point: &Point, before: &[f64], after: &[f64]) -> Option<Vec<f64>> {
        let read = self.depressions_kpa(point)?;
        Some(
            read.iter()
                .zip(before.iter().zip(after))
                .map(|(d, (b, a))| d + self.kpa(*a, point.rpm) - self.kpa(*b, point.rpm))
                .collect(),
        )
    }

    /// Depression by the filling model [kPa].
    fn kpa(&self, area_mm2: f64, rpm: f64) -> f64 {
        self.breathing.at(area_mm2 * 1e-6, rpm).depression_pa / 1e3
    }

    /// The bleeds that level the idle, with the fewest of them turned.
    fn bleeds(&self, links: &[usize]) -> Vec<Advice> {
        self.bleeds_at_last_idle(links).unwrap_or_default()
    }

    fn bleeds_at_last_idle(&self, links: &[usize]) -> Option<Vec<Advice>> {
        let bleed = self.profile().bleed?;
        let (j, point) = self
            .evidence
            .points
            .iter()
            .enumerate()
            .rfind(|(_, p)| p.condition == Condition::Idle && p.depressions_kpa().is_some())?;
        if point.turned_since.iter().any(|turns| *turns != 0.0) {
            return Some(vec![read_idle_again()]);
        }
        let best = self.fitted.first()?;
        // A balance step comes first; what it leaves is what the bleeds have to level.
        let righted = self.righted(&best.mode, links);
        let before = self.model.areas_mm2(&best.mode, self.evidence, j);
        let areas = self.model.areas_mm2(&righted, self.evidence, j);
        let levels = self.moved(point, &before, &areas)?;
        let idle = Idle {
            desk: self,
            mode: &best.mode,
            point,
            bleed,
            turns: last_turns(self.evidence, levels.len()),
            levels,
            areas,
        };
        let good = self.profile().tolerance.good_kpa;
        // Before a balance step the idle is known by what the step is expected to leave only.
        let worth = if links.is_empty() { WORTH } else { 1.0 };
        if idle.differ() <= worth * good {
            return Some(Vec::new());
        }
        Some(idle.steps(good))
    }
}

/// What is said where the balance was turned after the idle was read: bleeds are set by what is left.
fn read_idle_again() -> Advice {
    plain(
        "bleeds",
        "read the idle again before any bleed is turned",
        "throttle snapped shut, engine stopped, zero-learn, restarted, warm",
        "the last idle reading was taken before the balance was turned, and says nothing of what is left",
    )
}

/// The last idle reading, as the balance will leave it.
struct Idle<'a> {
    desk: &'a Desk<'a>,
    mode: &'a [f64],
    point: &'a Point,
    bleed: BleedData,
    /// Where each bleed stands [turns].
    turns: Vec<f64>,
    levels: Vec<f64>,
    areas: Vec<f64>,
}

/// Turns of every bleed that bring all bodies to one level.
struct Plan {
    turns: Vec<f64>,
    target: usize,
}

impl Idle<'_> {
    fn differ(&self) -> f64 {
        range(&self.levels)
    }

    /// Area of one turn of a bleed [mm2]; what shutting and opening it did corrects the profile's.
    fn per_turn(&self, b: usize) -> f64 {
        self.desk.model.bleed_per_turn_mm2(self.mode, b)
    }

    /// Turns that bring body `b` to a level [kPa]; up to a range no bleed has.
    fn turns_to(&self, b: usize, level_kpa: f64) -> f64 {
        let rpm = self.point.rpm;
        let area = self.areas[b];
        let wanted = self.desk.kpa(area, rpm) + level_kpa - self.levels[b];
        // Depression falls with area: halve the range until it is finer than a hand can turn.
        let span = 2.0 * self.bleed.max_turns * self.per_turn(b);
        let (mut low, mut high) = ((0.05 - area).max(-span), span);
        for _ in 0..24 {
            let middle = 0.5 * (low + high);
            if self.desk.kpa(area + middle, rpm) > wanted {
                low = middle;
            } else {
                high = middle;
            }
        }
        0.5 * (low + high) / self.per_turn(b)
    }

    fn plan(&self, target: usize, kept_kpa: f64) -> Plan {
        let turns = (0..self.levels.len())
            .map(|b| {
                if (self.levels[b] - self.levels[target]).abs() <= kept_kpa {
                    0.0
                } else {
                    self.turns_to(b, self.levels[target])
                }
            })
            .collect();
        Plan { turns, target }
    }

    fn in_range(&self, plan: &Plan) -> bool {
        let stands = self.turns.iter().zip(&plan.turns).map(|(a, b)| a + b);
        stands
            .into_iter()
            .all(|t| (0.0..=self.bleed.max_turns).contains(&t))
    }

    /// True if the idle valve still has room after the plan: it makes up what the bleeds change.
    fn valve_has_room(&self, plan: &Plan) -> bool {
        let (Some(valve), Some(steps)) = (self.desk.profile().idle_valve, self.point.steps) else {
            return true;
        };
        let opened: f64 = (0..plan.turns.len())
            .map(|b| plan.turns[b] * self.per_turn(b))
            .sum();
        let place = (steps - opened / valve.area_mm2_per_step) / f64::from(valve.steps);
        (VALVE_RANGE.0..=VALVE_RANGE.1).contains(&place)
    }

    fn steps(&self, good_kpa: f64) -> Vec<Advice> {
        let n = self.levels.len();
        let cost = |plan: &Plan| {
            let visits = plan.turns.iter().filter(|t| **t != 0.0).count();
            let closed = plan.turns.iter().filter(|t| **t < 0.0).count();
            // In range before all, then room for the valve, few visits, opening rather than shutting.
            (
                !self.in_range(plan),
                !self.valve_has_room(plan),
                visits,
                closed,
                // The level nearest to the others needs the shortest turns.
                (plan.turns.iter().map(|t| t.abs()).sum::<f64>() * 1e3) as u64,
            )
        };
        let kept = KEPT[usize::from(n > 2)];
        let plans = (0..n).map(|target| self.plan(target, kept * good_kpa));
        let Some(best) = plans.min_by_key(cost) else {
            return Vec::new();
        };
        if !self.in_range(&best) {
            return vec![self.refused()];
        }
        (0..n)
            .filter(|&b| best.turns[b] != 0.0)
            .map(|b| self.step(b, &best))
            .collect()
    }

    /// What is said where no bleed can level the idle within its range.
    fn refused(&self) -> Advice {
        let high = (0..self.levels.len())
            .max_by(|&a, &b| self.levels[a].total_cmp(&self.levels[b]))
            .unwrap_or(0);
        let low = self.levels.iter().copied().fold(f64::INFINITY, f64::min);
        let wanted = self.turns[high] + self.turns_to(high, low);
        plain(
            &format!("bleed.{}", self.desk.profile().bodies()[high]),
            "stop: do not open it further",
            "back to the findings",
            &format!(
                "it would have to open to {wanted:.1} turns, beyond its {:.1}: something else is wrong",
                self.bleed.max_turns
            ),
        )
    }

    fn step(&self, b: usize, plan: &Plan) -> Advice {
        let profile = self.desk.profile();
        let name = &profile.bodies()[b];
        let turns = plan.turns[b].abs();
        let kpa = (self.levels[b] - self.levels[plan.target]).abs();
        // The turn is as sure as the hand and as the difference it levels.
        let sd = turns * HAND.hypot(REPEAT_KPA / kpa.max(REPEAT_KPA));
        let after: Vec<f64> = (0..self.areas.len())
            .map(|i| self.areas[i] + plan.turns[i] * self.per_turn(i))
            .collect();
        let after: Vec<f64> = (0..after.len())
            .map(|i| {
                let rpm = self.point.rpm;
                self.levels[i] + self.desk.kpa(after[i], rpm) - self.desk.kpa(self.areas[i], rpm)
            })
            .collect();
        let (way, why) = if plan.turns[b] > 0.0 {
            ("out", "pulls the higher depression at idle")
        } else {
            (
                "in",
                "pulls the lower depression at idle, and opening the others takes more turns or \
                    leaves the idle valve no room",
            )
        };
        Advice {
            adjuster: format!("bleed.{name}"),
            turns: Some(Interval {
                value: turns,
                lo90: (turns - 1.645 * sd).max(0.0),
                hi90: turns + 1.645 * sd,
            }),
            way: way.to_owned(),
            predicted_spread: spread(&after),
            gate: format!(
                "balance done, throttle snapped shut, engine stopped, zero-learn, restarted, warm idle at {:.0} +-{:.0} rpm",
                profile.engine.idle_rpm, profile.engine.idle_tolerance_rpm
            ),
            why: format!(
                "{name} {why}; its bleed stands at {:.2} turns{}",
                self.turns[b],
                self.desk.trim_words(Some(self.differ()))
            ),
        }
    }
}

/// Causes that a balance or a bleed set over them would hide.
pub(crate) const HIDDEN_BY_LEVELLING: [CauseCode; 6] = [
    CauseCode::StopIn,
    CauseCode::StopOut,
    CauseCode::StopsBoth,
    CauseCode::SpindleWear,
    CauseCode::StubLeak,
    CauseCode::GaugeFault,
];

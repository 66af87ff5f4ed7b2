//! What to turn, which way, how far, in the trade's order; and what stays sealed.

use evenpull_job::{AdjusterKind, Condition, Profile};

use crate::assessment::{Advice, Baseline, Cause, CauseCode, Interval};
use crate::breathing::Breathing;
use crate::evidence::{Evidence, Point};
use crate::model::Model;
use crate::posterior::Fitted;
use crate::summary::{Draw, Limits, faults, interval, last_turns, over};

/// What the advice is made from.
pub(crate) struct Desk<'a> {
    pub(crate) model: &'a Model<'a>,
    pub(crate) evidence: &'a Evidence,
    pub(crate) fitted: &'a [Fitted],
    pub(crate) draws: &'a [Draw],
    pub(crate) causes: &'a [Cause],
    pub(crate) undetermined: bool,
    pub(crate) breathing: Breathing,
}

/// Probability from which a cause is acted on.
const ACT_ON: f64 = 0.5;

impl Desk<'_> {
    fn likely(&self, codes: &[CauseCode]) -> Option<&Cause> {
        self.causes
            .iter()
            .find(|c| c.probability >= ACT_ON && codes.contains(&c.code))
    }

    fn profile(&self) -> &Profile {
        self.model.profile
    }

    /// Steps in the trade's order: what invalidates readings first, leaks before balance, bleeds last.
    pub(crate) fn steps(&self) -> Vec<Advice> {
        use CauseCode::{BalanceOff, LinkAltered, SpindleWear, StubLeak};
        if self.evidence.is_crossed() {
            return vec![plain(
                "hoses",
                "exchange the hoses so that each sensor or gauge is on the body it is named after",
                "engine off",
                "the firing intervals show them crossed; read again before anything is turned",
            )];
        }
        if self.evidence.cross_flow {
            return vec![plain(
                "idle-air hoses",
                "pinch off the idle-air hoses and any balance pipe and read again",
                "engine off while the hoses are clamped",
                "the runners fill each other; turning an adjuster on such readings dials in an error",
            )];
        }
        if self.undetermined {
            return Vec::new();
        }
        let mut steps = Vec::new();
        if let Some(c) = self.likely(&[SpindleWear, StubLeak]) {
            steps.push(self.find_leak(c));
        }
        if let Some(c) = self.likely(&[CauseCode::GaugeFault]) {
            let which = c
                .body
                .as_deref()
                .map_or("gauges and sensors".to_owned(), |b| format!("gauge on {b}"));
            steps.push(plain(
                &which,
                "swap them side to side, zero or replace the one that is off, read again",
                "engine off while hoses are moved",
                "the difference stays with the instrument, not with the cylinder",
            ));
            return steps;
        }
        let sealed = [
            CauseCode::StopIn,
            CauseCode::StopOut,
            CauseCode::StopsBoth,
            LinkAltered,
        ];
        if let Some(c) = self.likely(&sealed) {
            steps.push(baseline_step(c));
            return steps;
        }
        if let Some(c) = self.likely(&[CauseCode::SensorShifted]) {
            steps.push(plain(
                "throttle sensor",
                "check its fixing and its closed volts over five snaps; restoring it belongs to the baseline stage",
                "an override with a written reason; plates proven on their stops",
                c.evidence_for.first().map_or("its volts are off while the air is right", String::as_str),
            ));
            return steps;
        }
        if steps.is_empty() {
            if self.likely(&[BalanceOff]).is_some() {
                steps.extend(self.balance());
            }
            steps.extend(self.bleed());
        }
        steps
    }

    fn find_leak(&self, cause: &Cause) -> Advice {
        let body = cause.body.as_deref().unwrap_or("that body");
        let size = self
            .profile()
            .body_index(body)
            .map(|b| over(self.draws, |p| p[self.model.space.leak(b)]))
            .map_or(String::new(), |i| {
                format!(
                    "; about {:.1} mm2 ({:.1} to {:.1})",
                    i.value, i.lo90, i.hi90
                )
            });
        plain(
            &format!("inlet stub and spindle of {body}"),
            "find the leak: spray or smoke the stub, clamps and tappings, rock the spindle; repair, then read again",
            "sprays away from ignition and hot pipes; engine cool enough to touch",
            &format!(
                "air gets in behind the plate of {body}{size}; a balance set over a leak costs about 0.3 degree per mm2"
            ),
        )
    }

    /// The linkage screws that are meant to be turned, each once, drivers first.
    ///
    /// A link error is that of a plate against the one that drives it, so putting one right
    /// disturbs no other and the whole linkage is done in one round.
    fn balance(&self) -> Vec<Advice> {
        let mut out = Vec::new();
        let mut righted = Vec::new();
        let Some(best) = self.fitted.first() else {
            return out;
        };
        let limits = Limits::of(self.model, self.evidence, best);
        for c in self.model.drivers_first() {
            let coupling = &self.profile().couplings[c];
            let holds = |k: usize, p: &[f64]| {
                faults(self.model, limits, &self.fitted[k].hypothesis, p)
                    .iter()
                    .any(|f| f.coupling == Some(c))
            };
            let with: Vec<f64> = self
                .draws
                .iter()
                .filter(|(k, p)| holds(*k, p))
                .map(|(_, p)| p[self.model.space.link(c)] / self.model.deg_per_turn(p, c))
                .collect();
            if (with.len() as f64) < ACT_ON * self.draws.len() as f64 {
                continue;
            }
            let (Some(error), Some(adjuster)) =
                (interval(with), self.profile().adjuster(&coupling.adjuster))
            else {
                continue;
            };
            righted.push(c);
            // What a turn does is uncertain on its own; the offset is not.
            let offset_deg = error.value
                * interval(
                    self.draws
                        .iter()
                        .map(|(_, p)| self.model.deg_per_turn(p, c))
                        .collect(),
                )
                .map_or(coupling.deg_per_turn, |i| i.value);
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
            let [lo, hi] = self.profile().engine.hold_rpm;
            out.push(Advice {
                adjuster: coupling.adjuster.clone(),
                turns: Some(Interval { lo90: turns.lo90.max(0.0), ..turns }),
                way,
                predicted_spread: self.spread_without_links(&righted),
                gate: format!(
                    "clearances checked cold, engine above {:.0} C, bleeds shut (count the turns), steady between \
                     {lo:.0} and {hi:.0} rpm",
                    self.profile().engine.warm_c
                ),
                why: format!(
                    "the plate of {} stands {:+.2} degrees against the one that drives it, off idle as well as at idle",
                    names.join(" and "),
                    offset_deg
                ),
            });
        }
        out
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
        let mut righted = best.mode.clone();
        for &c in couplings {
            righted[self.model.space.link(c)] = 0.0;
        }
        let before = self.model.areas_mm2(&best.mode, self.evidence, j);
        let after = self.model.areas_mm2(&righted, self.evidence, j);
        self.spread_after(&points[j], &before, &after)
    }

    /// Spread of the depressions of a reading once its areas have changed [-].
    fn spread_after(&self, point: &Point, before: &[f64], after: &[f64]) -> Option<f64> {
        let read = point.depressions_kpa()?;
        let moved: Vec<f64> = read
            .iter()
            .zip(before.iter().zip(after))
            .map(|(d, (b, a))| {
                let at = |mm2: f64| self.breathing.at(mm2 * 1e-6, point.rpm).depression_pa / 1e3;
                d + at(*a) - at(*b)
            })
            .collect();
        spread(&moved)
    }

    /// The bleed on the side with the higher depression is opened.
    fn bleed(&self) -> Option<Advice> {
        let bleed = self.profile().bleed?;
        let (j, point) = self
            .evidence
            .points
            .iter()
            .enumerate()
            .rfind(|(_, p)| p.condition == Condition::Idle && p.depressions_kpa().is_some())?;
        let best = self.fitted.first()?;
        let read = point.depressions_kpa()?;
        // A balance step comes first; what it leaves is what the bleeds have to level.
        let mut righted = best.mode.clone();
        for c in 0..self.model.space.couplings {
            if self.likely(&[CauseCode::BalanceOff]).is_some() {
                righted[self.model.space.link(c)] = 0.0;
            }
        }
        let before = self.model.areas_mm2(&best.mode, self.evidence, j);
        let areas = self.model.areas_mm2(&righted, self.evidence, j);
        let at = |mm2: f64| self.breathing.at(mm2 * 1e-6, point.rpm).depression_pa / 1e3;
        let levels: Vec<f64> = (0..read.len())
            .map(|b| read[b] + at(areas[b]) - at(before[b]))
            .collect();
        let high = (0..levels.len()).max_by(|&a, &b| levels[a].total_cmp(&levels[b]))?;
        let low = (0..levels.len()).min_by(|&a, &b| levels[a].total_cmp(&levels[b]))?;
        if levels[high] - levels[low] <= self.profile().tolerance.good_kpa {
            return None;
        }
        let target = levels[low];
        let mut more = 0.0;
        // Depression falls with area; one tenth of a mm2 at a time is finer than a hand can turn.
        while more < bleed.max_turns * bleed.area_mm2_per_turn
            && levels[high] + at(areas[high] + more) - at(areas[high]) > target
        {
            more += 0.01;
        }
        // What shutting and opening it did in this job corrects the profile's area per turn.
        let turns = more / self.model.bleed_mm2(&best.mode, high, 1.0);
        let name = &self.profile().bodies()[high];
        let stands = last_turns(self.evidence, levels.len())[high];
        let adjuster = format!("bleed.{name}");
        if stands + turns > bleed.max_turns {
            return Some(plain(
                &adjuster,
                "stop: do not open it further",
                "back to the findings",
                &format!(
                    "it would have to open to {:.1} turns, beyond its {:.1}: something else is wrong",
                    stands + turns,
                    bleed.max_turns
                ),
            ));
        }
        let mut after = areas.clone();
        after[high] += more;
        let before = self.model.areas_mm2(&best.mode, self.evidence, j);
        Some(Advice {
            adjuster,
            turns: Some(Interval {
                value: turns,
                lo90: 0.8 * turns,
                hi90: 1.2 * turns,
            }),
            way: "out".to_owned(),
            predicted_spread: self.spread_after(point, &before, &after),
            gate: format!(
                "balance done, throttle snapped shut, engine stopped, zero-learn, restarted, warm idle at {:.0} +-{:.0} rpm",
                self.profile().engine.idle_rpm,
                self.profile().engine.idle_tolerance_rpm
            ),
            why: format!(
                "{name} pulls the higher depression at idle; its bleed stands at {stands:.2} turns"
            ),
        })
    }

    /// Target to return to where a stop was moved.
    pub(crate) fn baseline(&self) -> Option<Baseline> {
        let sealed = [CauseCode::StopIn, CauseCode::StopOut, CauseCode::StopsBoth];
        self.likely(&sealed)?;
        let sensor = self.profile().sensor?;
        let base = self.profile().body.stop_opening_deg;
        let v = last(self.evidence, |p| {
            p.at_stop().then_some(p.sensor_v).flatten()
        })?;
        let stop_v = over(self.draws, |p| {
            let open = self.model.openings_for(p, None)[sensor.body];
            v - sensor.volts_per_deg * (open - base)
        });
        let valve = self.profile().idle_valve;
        let steps = last(self.evidence, |p| p.steps_read.then_some(p.steps).flatten());
        let idle_valve_steps = valve.zip(steps).map(|(valve, steps)| {
            over(self.draws, |p| {
                let open = self.model.openings_for(p, None);
                let lost: f64 = open
                    .iter()
                    .map(|o| self.model.plate_mm2(p, *o) - self.model.plate_mm2(p, base))
                    .sum();
                (steps + lost / valve.area_mm2_per_step).clamp(0.0, f64::from(valve.steps))
            })
        });
        // The valve makes up the air, so the depression of a sound idle is that of the bleeds shut.
        let depression = last(self.evidence, |p| {
            let d = p.at_stop().then(|| p.depressions_kpa()).flatten()?;
            Some(d.iter().sum::<f64>() / d.len() as f64)
        });
        let idle_depression_kpa = depression.map(|d| Interval {
            value: d,
            lo90: 0.95 * d,
            hi90: 1.05 * d,
        });
        Some(Baseline {
            stop_v,
            idle_valve_steps,
            idle_depression_kpa,
        })
    }
}

fn last(evidence: &Evidence, f: impl Fn(&Point) -> Option<f64>) -> Option<f64> {
    evidence.points.iter().rev().find_map(f)
}

fn plain(adjuster: &str, way: &str, gate: &str, why: &str) -> Advice {
    Advice {
        adjuster: adjuster.to_owned(),
        turns: None,
        way: way.to_owned(),
        predicted_spread: None,
        gate: gate.to_owned(),
        why: why.to_owned(),
    }
}

fn baseline_step(cause: &Cause) -> Advice {
    let on = cause
        .body
        .as_deref()
        .map_or(String::new(), |b| format!(" on {b}"));
    plain(
        &format!("baseline stage{on}"),
        "leave sealed parts alone in this stage; restoring a working baseline needs an override with a written reason",
        "leaks excluded, clearances and gauges checked, seals photographed, owner's authority noted",
        "a sealed part was moved; compensating with the balance adjuster or the bleeds would hide it",
    )
}

/// (max - min)/mean.
pub(crate) fn spread(values: &[f64]) -> Option<f64> {
    let mean = values.iter().sum::<f64>() / values.len() as f64;
    let high = values.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let low = values.iter().copied().fold(f64::INFINITY, f64::min);
    (values.len() > 1 && mean > 0.0).then(|| (high - low) / mean)
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

//! The baseline stage: where the stops belong once somebody moved them.
//!
//! Targets come from the draws in which a stop was moved: how far each plate stands from the working
//! baseline, what that is in turns and in raw volts, and what the idle valve and the depressions will
//! then do. Two independent signs are wanted before anything is said. A stop position is an airflow
//! setting made on a flow bench, so this is a working baseline, never the setting the machine left with.

use evenpull_job::{CouplingLaw, Job, SealState};
use evenpull_trace::Notice;

use crate::advice::Desk;
use crate::assessment::{Advice, BASELINE_WORDS, Baseline, BaselineBody, CauseCode, Interval};
use crate::evidence::{Evidence, Point};
use crate::hypothesis::Fault;
use crate::model::Model;
use crate::posterior::Fitted;
use crate::residuals::Channel;
use crate::summary::{Draw, over};

/// Half of a 90 % interval up to which a stop can be set by it [deg]: 1.4 kPa at idle for 0.1 degree
/// (filling model), and the bleeds level what is left.
const SURE_DEG: f64 = 0.15;

/// Change of chi-square that is a sign; 4 is two standard deviations.
const TELLING: f64 = 4.0;

/// Repeatability of the closed sensor, the wider end of 5 to 10 mV over snaps [V]; common practice,
/// no source.
const CLOSED_V: f64 = 0.010;

/// How far the valve of an idling engine hunts [steps], standard deviation; assumed.
const STEPS_SD: f64 = 3.0;

fn is_stop(fault: &Fault) -> bool {
    matches!(
        fault.code,
        CauseCode::StopIn | CauseCode::StopOut | CauseCode::StopsBoth
    )
}

impl Desk<'_> {
    /// Target to return to where a stop was moved, and what to say about it.
    pub(crate) fn baseline(&self) -> (Option<Baseline>, Vec<Notice>) {
        let moved = [CauseCode::StopIn, CauseCode::StopOut, CauseCode::StopsBoth];
        if self.likely(&moved).is_none() {
            return (None, Vec::new());
        }
        let signs = stop_signs(self.job, self.model, self.evidence, self.fitted);
        if signs.len() < 2 {
            let seen = signs.first().map_or_else(
                || "no sign of its own says that a stop was moved".to_owned(),
                |one| format!("only one sign says that a stop was moved ({one})"),
            );
            let text = format!(
                "no baseline is given: {seen}, and two are wanted; look at the stop seals, read the raw volts after \
                 five snaps and a sweep of six to twelve steady openings"
            );
            return (None, vec![Notice::new("baseline-one-sign", text)]);
        }
        let draws = self.draws_with_a_moved_stop();
        let Some(stop_v) = self.stop_v(&draws) else {
            return (None, Vec::new());
        };
        let bodies = self.targets(&draws);
        let widest = bodies
            .iter()
            .map(|b| 0.5 * (b.offset_deg.hi90 - b.offset_deg.lo90))
            .fold(0.0, f64::max);
        // Book values of a kind are not this machine's.
        let sure = self.evidence.same_machine && widest <= SURE_DEG;
        let steps = self.idle_steps(&draws);
        let depression = self.idle_depression();
        let baseline = Baseline {
            verify: self.verify(stop_v, steps, depression),
            give_up: self.give_up(),
            stop_v,
            idle_valve_steps: steps,
            idle_depression_kpa: depression,
            bodies,
            signs,
            sure,
        };
        (Some(baseline), self.words(widest, sure))
    }

    fn draws_with_a_moved_stop(&self) -> Vec<Draw> {
        let holds = |(k, _): &&Draw| self.fitted[*k].hypothesis.faults.iter().any(is_stop);
        self.draws.iter().filter(holds).cloned().collect()
    }

    fn closed_v(&self) -> Option<f64> {
        closed_v(self.evidence)
    }

    fn stop_v(&self, draws: &[Draw]) -> Option<Interval> {
        let sensor = self.profile().sensor?;
        let v = self.closed_v()?;
        let base = self.profile().body.stop_opening_deg;
        Some(over(draws, |p| {
            let open = self.model.openings_for(p, None)[sensor.body];
            v - sensor.volts_per_deg * (open - base)
        }))
    }

    fn targets(&self, draws: &[Draw]) -> Vec<BaselineBody> {
        let profile = self.profile();
        let base = profile.body.stop_opening_deg;
        let closed = profile.sensor.zip(self.closed_v());
        (0..profile.bodies().len())
            .map(|b| {
                let off = |p: &[f64]| self.model.openings_for(p, None)[b] - base;
                let follows = |sensed: usize| {
                    let rigid = |c: &evenpull_job::Coupling| c.law == CouplingLaw::Rigid;
                    sensed == b || profile.couplings.iter().all(rigid)
                };
                BaselineBody {
                    body: profile.bodies()[b].clone(),
                    offset_deg: over(draws, off),
                    // Under a rigid rod one stop carries all plates: only the one that was moved goes
                    // back.
                    // The stop of a shared shaft is the first body's.
                    stop_turns: over(draws, |p| {
                        -self.model.stop_deg(p, b) / profile.stop_deg_per_turn
                    }),
                    stop_v: closed
                        .filter(|(s, _)| follows(s.body))
                        .map(|(s, v)| over(draws, |p| v - s.volts_per_deg * off(p))),
                }
            })
            .collect()
    }

    /// Steps of the idle valve once the plates are back, bleeds as found.
    fn idle_steps(&self, draws: &[Draw]) -> Option<Interval> {
        let valve = self.profile().idle_valve?;
        let steps = last(self.evidence, |p| p.steps_read.then_some(p.steps).flatten())?;
        let base = self.profile().body.stop_opening_deg;
        let plain = over(draws, |p| {
            let lost: f64 = self
                .model
                .openings_for(p, None)
                .iter()
                .map(|o| self.model.plate_mm2(p, *o) - self.model.plate_mm2(p, base))
                .sum();
            let per_step = valve.area_mm2_per_step * p[crate::model::Space::LN_VALVE].exp();
            (steps + lost / per_step).clamp(0.0, f64::from(valve.steps))
        });
        let wide = |half: f64| half.hypot(1.645 * STEPS_SD);
        Some(Interval {
            value: plain.value,
            lo90: (plain.value - wide(plain.value - plain.lo90)).max(0.0),
            hi90: (plain.value + wide(plain.hi90 - plain.value)).min(f64::from(valve.steps)),
        })
    }

    /// Mean idle depression once the plates are back: the valve makes up the air, so it stays.
    fn idle_depression(&self) -> Option<Interval> {
        let read = last(self.evidence, |p| {
            let d = p.at_stop().then(|| p.depressions_kpa()).flatten()?;
            Some(d.iter().sum::<f64>() / d.len() as f64)
        })?;
        Some(Interval {
            value: read,
            lo90: 0.95 * read,
            hi90: 1.05 * read,
        })
    }

    fn verify(
        &self,
        stop_v: Interval,
        steps: Option<Interval>,
        depression: Option<Interval>,
    ) -> Vec<String> {
        let good = self.profile().tolerance.good_kpa;
        let mut out = vec![format!(
            "closed sensor volts between {:.3} and {:.3} V over five snaps, read raw, before the zero-learn",
            stop_v.lo90, stop_v.hi90
        )];
        if let Some(s) = steps {
            out.push(format!(
                "after the zero-learn, warm idle: idle valve between {:.0} and {:.0} steps",
                s.lo90, s.hi90
            ));
        }
        if let Some(d) = depression {
            out.push(format!(
                "idle depression between {:.0} and {:.0} kPa, bodies within {good:.0} kPa with the bleeds inside \
                 their range",
                d.lo90, d.hi90
            ));
        }
        out.push(
            "read idle with bleeds shut, idle, a sweep and the hold again and assess: no stop among the causes"
                .to_owned(),
        );
        out.push(
            "seal the stops, note them on the machine, look again after 500 to 1,000 km".to_owned(),
        );
        out
    }

    fn give_up(&self) -> Vec<String> {
        let bleed = self.profile().bleed.map_or(String::new(), |b| {
            format!(
                "a bleed still wants more than {:.1} turns, or all are shut and the idle is high: leaks or worn \
                 bodies, not stops",
                b.max_turns
            )
        });
        [
            bleed,
            "readings with the throttle snapped shut do not repeat to 10 mV and 1 kPa over five snaps: spindles or \
             plates are worn, and no stop setting will hold"
                .to_owned(),
            "a spindle has more than 0.10 mm of play, or plates stick in their bores: new or rebuilt bodies".to_owned(),
            "two of the signs above stay out of their ranges after the second try: bodies and flow bench".to_owned(),
        ]
        .into_iter()
        .filter(|t| !t.is_empty())
        .collect()
    }

    fn words(&self, half_deg: f64, sure: bool) -> Vec<Notice> {
        let mut out = vec![Notice::new(
            "baseline-words",
            format!(
                "the baseline targets are a {BASELINE_WORDS}: stops are set by airflow on a bench"
            ),
        )];
        let alone = !self.evidence.same_machine;
        if alone || !sure {
            let why = match (alone, self.evidence.record.is_some()) {
                (true, false) => {
                    "it rests on the profile of this kind, without an earlier healthy record of this machine"
                }
                (true, true) => {
                    "it rests on a reference of this kind, without an earlier healthy record of this machine"
                }
                (false, _) => "even with the earlier record",
            };
            let enough = if sure {
                "check it by two of the signs listed before it is sealed"
            } else {
                "that is not enough to set a stop by; name an earlier healthy visit of this machine \
                 (`earlier = [\"../folder\"]`) or give a healthy one of its kind (`--reference JOB`), read a sweep of eight openings to 6 to 8 degrees, or have the \
                 bodies set on a flow bench"
            };
            out.push(Notice::new(
                "baseline-alone",
                format!("{why}, the plates are known to +-{half_deg:.2} degree: {enough}"),
            ));
        }
        out
    }

    /// The turns of the stops, in the baseline stage only: an override with a written reason.
    pub(crate) fn baseline_turns(&self, baseline: Option<&Baseline>) -> Vec<Advice> {
        let (Some(reason), Some(baseline)) = (&self.job.baseline_reason, baseline) else {
            return Vec::new();
        };
        if !baseline.sure {
            return Vec::new();
        }
        let per_turn = self.profile().stop_deg_per_turn;
        let clear = |b: &&BaselineBody| {
            let t = b.stop_turns;
            let narrow = 0.5 * (t.hi90 - t.lo90) * per_turn <= SURE_DEG;
            narrow && (t.lo90 > 0.0 || t.hi90 < 0.0)
        };
        let step = |b: &BaselineBody| {
            let size = b.stop_turns.value.abs();
            let half = 0.5 * (b.stop_turns.hi90 - b.stop_turns.lo90);
            let at = b.stop_v.map_or(String::new(), |v| {
                format!(
                    "; stop turning at {:.3} V ({:.3} to {:.3})",
                    v.value, v.lo90, v.hi90
                )
            });
            Advice {
                adjuster: format!("stop.{}", b.body),
                turns: Some(Interval {
                    value: size,
                    lo90: (size - half).max(0.0),
                    hi90: size + half,
                }),
                way: if b.stop_turns.value > 0.0 {
                    "in"
                } else {
                    "out"
                }
                .to_owned(),
                predicted_spread: None,
                gate: format!(
                    "baseline stage, override: {reason}; engine off, seals photographed, leaks excluded, clearances \
                     checked{at}"
                ),
                why: format!(
                    "the plate of {} stands {:+.2} degrees ({:+.2} to {:+.2}) from the target, a {BASELINE_WORDS}",
                    b.body, b.offset_deg.value, b.offset_deg.lo90, b.offset_deg.hi90
                ),
            }
        };
        baseline.bodies.iter().filter(clear).map(step).collect()
    }
}

/// Independent signs that a stop was moved.
pub(crate) fn stop_signs(
    job: &Job,
    model: &Model<'_>,
    evidence: &Evidence,
    fitted: &[Fitted],
) -> Vec<String> {
    let mut out = Vec::new();
    let profile = model.profile;
    let seals: Vec<&str> = profile
        .bodies()
        .iter()
        .filter(|b| job.seal(&format!("stop.{b}")) == Some(SealState::Disturbed))
        .map(String::as_str)
        .collect();
    if !seals.is_empty() {
        out.push(format!(
            "the stop seal of {} is disturbed",
            seals.join(" and ")
        ));
    }
    if let (Some(s), Some(v)) = (profile.sensor, closed_v(evidence)) {
        let off = v - s.volts_at_stop;
        if off.abs() > CLOSED_V {
            out.push(format!(
                "the closed sensor shows {v:.3} V, {:+.0} mV from the record",
                1e3 * off
            ));
        }
    }
    let with = fitted
        .iter()
        .find(|f| f.hypothesis.faults.iter().any(is_stop));
    let without = fitted.iter().find(|f| f.hypothesis.is_sound());
    if let (Some(with), Some(without)) = (with, without) {
        let gain = |channels: &[Channel]| {
            let of = |f: &Fitted| channels.iter().map(|c| f.channel(*c)).sum::<f64>();
            of(without) - of(with)
        };
        let areas = [Channel::AreasIdle, Channel::AreasOffIdle, Channel::Level];
        if gain(&areas) > TELLING {
            out.push("the through-areas grow with the opening as with a moved stop".to_owned());
        }
        if gain(&[Channel::Valve]) > TELLING {
            out.push("the idle valve stands where a moved stop puts it".to_owned());
        }
    }
    out
}

/// Raw volts of the last reading with the throttle shut [V].
fn closed_v(evidence: &Evidence) -> Option<f64> {
    last(evidence, |p| p.at_stop().then_some(p.sensor_v).flatten())
}

fn last(evidence: &Evidence, f: impl Fn(&Point) -> Option<f64>) -> Option<f64> {
    evidence.points.iter().rev().find_map(f)
}

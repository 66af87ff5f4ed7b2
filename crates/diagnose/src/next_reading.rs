//! The reading that would settle most, per minute of shop time.
//!
//! For every test of the trade that was not done yet its outcome is foreseen on the machines of the
//! weighed draws, and the expected drop of the entropy over causes is taken over the minutes it costs.

use std::collections::BTreeMap;

use evenpull_job::{Condition, Job};
use rand::rngs::StdRng;
use rand::{RngExt, SeedableRng};

use crate::assessment::{CauseCode, NextReading, ReadingKind};
use crate::evidence::Evidence;
use crate::hypothesis::Fault;
use crate::model::Model;
use crate::posterior::Fitted;
use crate::summary::Draw;
use crate::two_signs::Held;
use crate::weigh::Weighed;

mod candidate;
mod foresee;
mod information;

use candidate::{CANDIDATES, Candidate, Tells, swap};
use foresee::Foresight;
use information::{Outcome, entropy, of_numbers, of_words, shares};

/// Draws taken for foreseeing.
const DRAWS: usize = 600;

/// Least expected drop that is worth naming [nat].
const WORTH_NAMING: f64 = 0.01;

/// Seed; the answer to the same job is the same.
const SEED: u64 = 0x5eed_0002;

/// Everything the choice rests on.
pub(crate) struct Search<'a> {
    pub(crate) job: &'a Job,
    pub(crate) model: &'a Model<'a>,
    pub(crate) evidence: &'a Evidence,
    pub(crate) fitted: &'a [Fitted],
    pub(crate) draws: &'a [Draw],
    pub(crate) weighed: &'a Weighed,
}

/// Draws with what is wrong in each.
struct Sample {
    /// Index of the draw and number of its label.
    machines: Vec<(usize, usize)>,
    /// Faults of each label.
    labels: Vec<Vec<Fault>>,
}

impl Search<'_> {
    /// Every reading worth taking, most telling per minute first.
    pub(crate) fn readings(&self) -> Vec<NextReading> {
        let sample = self.sample();
        let mut found: Vec<NextReading> = CANDIDATES
            .iter()
            .filter(|c| !c.done(self.job, self.evidence) && c.possible(self.model.profile))
            .map(|c| NextReading {
                kind: c.kind,
                what: c.what(self.model.space.bodies, self.job),
                why: c.why.to_owned(),
                minutes: c.minutes,
                gain_nat: self.gain(c, &sample),
            })
            .filter(|r| r.gain_nat > WORTH_NAMING)
            .collect();
        found.sort_by(|a, b| (b.gain_nat / b.minutes).total_cmp(&(a.gain_nat / a.minutes)));
        found
    }

    /// The reading that what holds the verdict open asks for, however sure the readings seem of the cause; `None` where
    /// it was taken or is for the search to find.
    /// `leading`: the cause that is held back.
    pub(crate) fn asked_by(&self, held: Held, leading: CauseCode) -> Option<NextReading> {
        let off_idle = self.evidence.points.iter().any(|p| !p.at_stop());
        let kinds: &[ReadingKind] = match held {
            Held::OneEnd => &[ReadingKind::SwapGauges],
            Held::OneOpening if off_idle => &[ReadingKind::BleedsShut],
            Held::OneOpening => &[ReadingKind::Sweep],
            Held::OneSign => second_sign(leading),
            Held::OneSignOfStops | Held::VoltsAlone => return self.of_volts_and_valve(),
            Held::BleedsUnnoted => return None,
        };
        let open =
            |c: &&Candidate| !c.done(self.job, self.evidence) && c.possible(self.model.profile);
        let candidate = kinds
            .iter()
            .find_map(|kind| CANDIDATES.iter().filter(open).find(|c| c.kind == *kind))?;
        Some(NextReading {
            kind: candidate.kind,
            what: candidate.what(self.model.space.bodies, self.job),
            why: candidate.why.to_owned(),
            minutes: candidate.minutes,
            gain_nat: 0.0,
        })
    }

    /// What a stop that was moved shows beside its seal, where it was not read.
    fn of_volts_and_valve(&self) -> Option<NextReading> {
        let profile = self.model.profile;
        let at_stop = || self.evidence.points.iter().filter(|p| p.at_stop());
        let volts = profile.sensor.is_some() && at_stop().all(|p| p.sensor_v.is_none());
        let valve = profile.idle_valve.is_some() && at_stop().all(|p| !p.steps_read);
        let what = match (volts, valve) {
            (true, true) => {
                "note the raw volts of the throttle sensor with the throttle shut, and the idle valve's steps at warm idle"
            }
            (true, false) => "note the raw volts of the throttle sensor with the throttle shut",
            (false, true) => "note the idle valve's steps at warm idle",
            (false, false) => return None,
        };
        Some(NextReading {
            kind: ReadingKind::SlowSensorSweep,
            what: what.to_owned(),
            why: "a stop that was moved moves both; a sensor that was moved leaves the idle valve where it was".to_owned(),
            minutes: 3.0,
            gain_nat: 0.0,
        })
    }

    /// Entropy over causes as the readings leave them [nat].
    pub(crate) fn doubt_nat(&self) -> f64 {
        let labels: Vec<usize> = self.sample().machines.iter().map(|m| m.1).collect();
        entropy(shares(&labels).into_values())
    }

    fn gain(&self, candidate: &Candidate, sample: &Sample) -> f64 {
        match candidate.tells {
            Tells::Words(chances) => {
                let labels: Vec<usize> = sample.machines.iter().map(|m| m.1).collect();
                let bodies = self.model.space.bodies;
                let table: Vec<Vec<f64>> =
                    sample.labels.iter().map(|l| chances(l, bodies)).collect();
                of_words(&shares(&labels), &table)
            }
            Tells::Numbers(what) => {
                let mut foresight = Foresight::new(self.model, self.evidence);
                let outcomes: Vec<Outcome> = sample
                    .machines
                    .iter()
                    .map(|&(i, label)| {
                        let (k, p) = &self.draws[i];
                        Outcome {
                            label,
                            source: *k,
                            read: foresight.read(what, &self.fitted[*k], p),
                        }
                    })
                    .collect();
                if outcomes.first().is_none_or(|o| o.read.is_empty()) {
                    return 0.0;
                }
                of_numbers(&outcomes)
            }
        }
    }

    /// Draws taken evenly by their shares, with what stands beside them.
    fn sample(&self) -> Sample {
        let mut rng = StdRng::seed_from_u64(SEED);
        let mut numbers: BTreeMap<Vec<Fault>, usize> = BTreeMap::new();
        let (mut machines, mut labels) = (Vec::new(), Vec::new());
        let (mut passed, mut taken) = (0.0, 0);
        for (i, state) in self.weighed.states.iter().enumerate() {
            passed += state.share * DRAWS as f64;
            while (taken as f64) + 0.5 < passed {
                taken += 1;
                let mut faults = state.faults.clone();
                faults.extend(self.weighed.beside(state, &mut || rng.random()));
                faults.sort_unstable();
                let next = numbers.len();
                let label = *numbers.entry(faults.clone()).or_insert(next);
                if label == next {
                    labels.push(faults);
                }
                machines.push((i, label));
            }
        }
        // Drawn hypothesis by hypothesis; halves of the draws must not be halves of the causes.
        for i in (1..machines.len()).rev() {
            machines.swap(i, rng.random_range(0..=i));
        }
        Sample { machines, labels }
    }
}

/// Readings that may speak for a cause beside the areas as well, the cheapest first.
fn second_sign(leading: CauseCode) -> &'static [ReadingKind] {
    match leading {
        CauseCode::SparkWeak | CauseCode::InjectorUnequal => {
            &[ReadingKind::LambdaPerPipe, ReadingKind::SwapIgnition]
        }
        CauseCode::CompressionLow | CauseCode::ValveTight => &[
            ReadingKind::Compression,
            ReadingKind::LeakDown,
            ReadingKind::Clearances,
        ],
        CauseCode::ValveLoose => &[ReadingKind::Clearances],
        CauseCode::FilterBlocked => &[ReadingKind::LidOff],
        _ => &[],
    }
}

/// What must be read before any cause is weighed further: where the readings themselves mislead.
pub(crate) fn first_of_all(bodies: usize, evidence: &Evidence) -> Option<NextReading> {
    let must = |kind, what: &str, why: &str, minutes| NextReading {
        kind,
        what: what.to_owned(),
        why: why.to_owned(),
        minutes,
        gain_nat: 0.0,
    };
    if evidence.is_crossed() {
        return Some(must(
            ReadingKind::FitHoses,
            "put the hoses on the right bodies and read idle again",
            "the firing intervals show them crossed; no adjuster may be turned on such readings",
            3.0,
        ));
    }
    if evidence.cross_flow {
        return Some(must(
            ReadingKind::PinchPassages,
            "pinch off the idle-air hoses and any balance pipe and read idle and hold again",
            "the runners fill each other, which shifts areas and depressions alike",
            5.0,
        ));
    }
    (!evidence.has_areas() && !evidence.gauges_checked).then(|| {
        must(
            ReadingKind::SwapGauges,
            &format!(
                "{}, and read idle and hold again",
                swap("gauge hoses", bodies)
            ),
            "a gauge error stays with the gauge, a true difference with the cylinder",
            3.0,
        )
    })
}

/// True if a fault of the label has this code, on this body where one is given.
fn holds(label: &[Fault], code: CauseCode, body: Option<usize>) -> bool {
    label
        .iter()
        .any(|f| f.code == code && (body.is_none() || f.body.is_none() || f.body == body))
}

/// Readings of one kind so far.
fn count(evidence: &Evidence, condition: Condition) -> usize {
    evidence
        .points
        .iter()
        .filter(|p| p.condition == condition)
        .count()
}

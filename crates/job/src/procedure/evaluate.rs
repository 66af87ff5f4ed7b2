//! Which gates the readings of a job show to be met.

use super::Step;
use crate::check_findings::clearances_out;
use crate::job::{Condition, Job, Reading};
use crate::profile::Profile;

/// What the recording of one reading said, where there is one.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct MeasuredReading {
    /// Engine speed [1/min].
    pub rpm: Option<f64>,
    /// Mean depression [kPa], profile's order.
    pub depression_kpa: Option<Vec<f64>>,
}

/// State of one gate.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum GateState {
    /// The job shows it; the text says where.
    Met(String),
    /// The job shows the contrary; the text says what to do.
    NotMet(String),
    /// The job does not say; the text says what to record.
    NotShown(String),
    /// The job shows the contrary, but something else comes first; the text says what. The readings alone do not
    /// say so: see who weighed them.
    Waits(String),
}

/// One gate of the order with its state.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct GateCheck {
    /// Step.
    pub step: Step,
    /// State.
    pub state: GateState,
}

/// Evaluates every step of the order against a job.
///
/// `measured` runs parallel to `job.readings`; missing entries fall back to typed values.
pub fn evaluate_gates(
    profile: &Profile,
    job: &Job,
    measured: &[MeasuredReading],
) -> Vec<GateCheck> {
    let seen: Vec<Seen<'_>> = job
        .readings
        .iter()
        .enumerate()
        .map(|(i, reading)| Seen::new(i, reading, measured.get(i)))
        .collect();
    Step::ALL
        .into_iter()
        .map(|step| GateCheck {
            step,
            state: match step {
                Step::ClearancesCold => clearances(profile, job),
                Step::WarmUp => warm(profile, &seen),
                Step::BleedsShut => bleeds_shut(profile, &seen),
                Step::HoldBand => hold_band(profile, &seen),
                Step::BalanceAdjuster => balanced(profile, &seen),
                Step::SnapShutAndKill | Step::ZeroLearn | Step::Restart => {
                    GateState::NotShown("done at the machine; readings cannot show it".to_owned())
                }
                Step::OpenBleed => idle_trimmed(profile, &seen),
                Step::ReRead => re_read(&seen),
            },
        })
        .collect()
}

/// A reading with speed and depressions from the recording, else from what was typed.
struct Seen<'j> {
    number: usize,
    reading: &'j Reading,
    rpm: Option<f64>,
    depression_kpa: Option<Vec<f64>>,
}

impl<'j> Seen<'j> {
    fn new(index: usize, reading: &'j Reading, measured: Option<&MeasuredReading>) -> Self {
        let typed = || reading.gauge.as_ref().and_then(|g| g.depression_kpa.all());
        Self {
            number: index + 1,
            reading,
            rpm: measured.and_then(|m| m.rpm).or(reading.rpm),
            depression_kpa: measured
                .and_then(|m| m.depression_kpa.clone())
                .or_else(typed),
        }
    }

    /// Largest minus smallest depression [kPa].
    fn difference_kpa(&self) -> Option<f64> {
        let d = self.depression_kpa.as_ref()?;
        let max = d.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let min = d.iter().copied().fold(f64::INFINITY, f64::min);
        (max - min).is_finite().then_some(max - min)
    }
}

fn clearances(profile: &Profile, job: &Job) -> GateState {
    let Some(all) = &job.checks.clearances else {
        return GateState::NotShown("record the valve clearances of every body".to_owned());
    };
    for (i, body) in profile.bodies().iter().enumerate() {
        let Some(found) = all.get(i) else {
            return GateState::NotShown(format!("record the clearances of {body}"));
        };
        if found.inlet_mm.is_empty() || found.exhaust_mm.is_empty() {
            return GateState::NotShown(format!("record inlet and exhaust clearance of {body}"));
        }
    }
    let out = clearances_out(job, profile);
    if out.is_empty() {
        GateState::Met("clearances recorded, all within tolerance".to_owned())
    } else {
        GateState::NotMet(format!("set the clearances cold first: {}", out.join(", ")))
    }
}

fn warm(profile: &Profile, seen: &[Seen<'_>]) -> GateState {
    let limit = profile.engine.warm_c;
    let known: Vec<(usize, f64)> = seen
        .iter()
        .filter_map(|s| Some((s.number, s.reading.engine_c?)))
        .collect();
    let Some(&(_, coldest)) = known.iter().min_by(|a, b| a.1.total_cmp(&b.1)) else {
        return GateState::NotShown("record the engine temperature with the readings".to_owned());
    };
    let cold: Vec<String> = known
        .iter()
        .filter(|(_, c)| *c < limit)
        .map(|(n, c)| format!("reading {n} at {c:.0} C"))
        .collect();
    if cold.is_empty() {
        return GateState::Met(format!("{coldest:.0} C or more in every reading that says"));
    }
    GateState::NotMet(format!(
        "warm the engine to {limit:.0} C and read again: {}",
        cold.join(", ")
    ))
}

fn bleeds_shut(profile: &Profile, seen: &[Seen<'_>]) -> GateState {
    if profile.bleed.is_none() {
        return GateState::Met("no bleeds on these bodies".to_owned());
    }
    let shut = |s: &&Seen<'_>| {
        let turns = s.reading.bleed_turns.as_ref().and_then(|t| t.all());
        let all_zero = turns.is_some_and(|t| t.iter().all(|v| *v <= 0.0));
        all_zero || s.reading.condition == Condition::IdleBleedsShut
    };
    match seen.iter().find(shut) {
        Some(s) => GateState::Met(format!("bleeds shut in reading {}", s.number)),
        None => GateState::NotShown("read once at idle with every bleed shut".to_owned()),
    }
}

fn hold_band(profile: &Profile, seen: &[Seen<'_>]) -> GateState {
    let [low, high] = profile.engine.hold_rpm;
    let holds: Vec<&Seen<'_>> = seen
        .iter()
        .filter(|s| s.reading.condition == Condition::Hold)
        .collect();
    if holds.is_empty() {
        return GateState::NotShown(format!("read once at a steady {low:.0} to {high:.0} rpm"));
    }
    let mut outside = Vec::new();
    for s in holds {
        match s.rpm {
            Some(rpm) if (low..=high).contains(&rpm) => {
                return GateState::Met(format!("reading {} at {rpm:.0} rpm", s.number));
            }
            Some(rpm) => outside.push(format!("reading {} at {rpm:.0} rpm", s.number)),
            None => {}
        }
    }
    if outside.is_empty() {
        return GateState::NotShown("record the speed with the hold reading".to_owned());
    }
    GateState::NotMet(format!(
        "hold {low:.0} to {high:.0} rpm and read again: {}",
        outside.join(", ")
    ))
}

fn balanced(profile: &Profile, seen: &[Seen<'_>]) -> GateState {
    if profile.couplings.is_empty() {
        return GateState::Met("no balance adjuster on this linkage".to_owned());
    }
    last_difference(
        profile,
        seen,
        Condition::Hold,
        "at hold",
        "read the depressions at hold",
    )
}

fn idle_trimmed(profile: &Profile, seen: &[Seen<'_>]) -> GateState {
    if profile.bleed.is_none() {
        return GateState::Met("no bleeds on these bodies".to_owned());
    }
    last_difference(
        profile,
        seen,
        Condition::Idle,
        "at idle",
        "read the depressions at idle",
    )
}

fn last_difference(
    profile: &Profile,
    seen: &[Seen<'_>],
    condition: Condition,
    place: &str,
    record: &str,
) -> GateState {
    let found = seen
        .iter()
        .rev()
        .filter(|s| s.reading.condition == condition)
        .find_map(|s| Some((s.number, s.difference_kpa()?)));
    let good = profile.tolerance.good_kpa;
    match found {
        None => GateState::NotShown(record.to_owned()),
        Some((n, d)) if d <= good => GateState::Met(format!(
            "reading {n}: {d:.1} kPa between the bodies {place}"
        )),
        Some((n, d)) => GateState::NotMet(format!(
            "reading {n}: {d:.1} kPa between the bodies {place}, at most {good} kPa wanted"
        )),
    }
}

/// A reading after the last adjustment.
fn re_read(seen: &[Seen<'_>]) -> GateState {
    match seen.iter().rposition(|s| s.reading.follows_work()) {
        None => GateState::NotShown("nothing was adjusted in this job".to_owned()),
        Some(i) if i + 1 < seen.len() => GateState::Met(format!(
            "reading {} was taken after the last adjustment and its first reading",
            seen[i + 1].number
        )),
        Some(_) => GateState::NotShown(
            "read once more after three to five blips, to show that it repeats".to_owned(),
        ),
    }
}

//! A job from files to findings.

use std::path::{Path, PathBuf};

use evenpull_diagnose::{
    Assessment, Beside, BodyFinding, Interval, Sampling, Visit, assess_beside,
};
use evenpull_job::{GateCheck, Job, MeasuredReading, Profile, check_findings, evaluate_gates};
use evenpull_trace::{CycleReading, Notice};

use crate::answer::{AssessAnswer, assess_answer};
use crate::earlier::{EarlierVisit, earlier_visits};
use crate::error::{AppError, ErrorKind};
use crate::job_folder::{LoadedJob, load_job};
use crate::order_of_work::held_against;
use crate::present_state::{present_state, without_others};
use crate::recording::{job_request, read_recording};
use crate::records::Known;
use crate::scale::calibrate;
use crate::standing::StandingText;

/// A job, its findings and the state of its gates.
#[derive(Debug, Clone, PartialEq)]
pub struct AssessOutcome {
    /// Job and profile.
    pub loaded: LoadedJob,
    /// Findings.
    pub assessment: Assessment,
    /// The order of work with the state of each gate.
    pub gates: Vec<GateCheck>,
    /// What the imports found and assumed, one line each, by reading.
    pub assumed: Vec<Vec<String>>,
}

impl AssessOutcome {
    /// The `evenpull.assess/1` answer.
    pub fn answer(&self) -> AssessAnswer {
        let typed: Vec<Option<f64>> = self.loaded.job.readings.iter().map(|r| r.rpm).collect();
        assess_answer(&self.assessment, &typed)
    }
}

/// Progress through a job: reading `done` of `of` is finished.
pub type JobProgress<'a> = dyn FnMut(usize, usize) + 'a;

/// Loads a job, reads its recordings one after another and assesses it.
///
/// A recording that carries no reading becomes a notice; the rest of the job is still assessed.
///
/// # Errors
/// Bad input as in [`load_job`] and [`read_recording`].
pub fn assess(path: &Path, progress: &mut JobProgress<'_>) -> Result<AssessOutcome, AppError> {
    assess_sampled(path, Sampling::Full, progress)
}

/// As [`assess`], with draws made as `sampling` says: for callers that assess many jobs.
///
/// # Errors
/// As for [`assess`].
pub fn assess_sampled(
    path: &Path,
    sampling: Sampling,
    progress: &mut JobProgress<'_>,
) -> Result<AssessOutcome, AppError> {
    alone(load_job(path)?, Vec::new(), sampling, progress)
}

/// As [`assess`], beside healthy jobs of the same kind of machine, read under the job's profile.
///
/// # Errors
/// As [`assess`]; a reference that is not there, is the job itself, or does not fit the profile.
pub fn assess_with_references(
    path: &Path,
    references: &[PathBuf],
    progress: &mut JobProgress<'_>,
) -> Result<AssessOutcome, AppError> {
    let loaded = load_job(path)?;
    let kin = crate::earlier::references(&loaded, references)?;
    alone(loaded, kin, Sampling::Full, progress)
}

/// As [`assess`], for a job that is loaded already.
///
/// # Errors
/// Bad input as in [`read_recording`].
pub fn assess_loaded(
    loaded: LoadedJob,
    progress: &mut JobProgress<'_>,
) -> Result<AssessOutcome, AppError> {
    alone(loaded, Vec::new(), Sampling::Full, progress)
}

/// A job by itself, or beside references of its kind.
fn alone(
    loaded: LoadedJob,
    kin: Vec<EarlierVisit>,
    sampling: Sampling,
    progress: &mut JobProgress<'_>,
) -> Result<AssessOutcome, AppError> {
    let asked = Asked {
        known: &Known::default(),
        keeps: false,
        sampling,
    };
    Ok(answered(loaded, kin, &asked, progress)?.0)
}

/// A job in the records, beside what they know; with what it leaves to history and library.
///
/// # Errors
/// As for [`assess`].
pub(crate) fn assess_on_record(
    path: &Path,
    known: &Known,
) -> Result<(AssessOutcome, StandingText), AppError> {
    let asked = Asked {
        known,
        keeps: true,
        sampling: Sampling::Full,
    };
    let (outcome, left) = answered(load_job(path)?, Vec::new(), &asked, &mut |_, _| {})?;
    Ok((outcome, left.unwrap_or_default()))
}

/// What is asked beside the findings.
struct Asked<'a> {
    /// What the records know.
    known: &'a Known,
    /// What the visit leaves to history and library is wanted.
    keeps: bool,
    /// How the draws are made.
    sampling: Sampling,
}

/// Assesses beside references of the same kind, then the earlier visits that the job names.
fn answered(
    loaded: LoadedJob,
    mut earlier: Vec<EarlierVisit>,
    asked: &Asked<'_>,
    progress: &mut JobProgress<'_>,
) -> Result<(AssessOutcome, Option<StandingText>), AppError> {
    earlier.extend(earlier_visits(&loaded)?);
    let Recordings {
        mut cycles,
        assumed,
        refused,
    } = read_all(&loaded, progress)?;
    let gates = evaluate_gates(&loaded.profile, &loaded.job, &measured(&cycles));
    let scale = calibrate(&loaded, &mut cycles);
    let (mut assessment, left) = judged(&loaded, cycles, &earlier, asked);
    assessment.notices.extend(scale);
    assessment.notices.extend(refused);
    assessment.notices.extend(of_files(&loaded));
    let gates = held_against(gates, &assessment, &loaded.profile);
    let outcome = AssessOutcome {
        loaded,
        assessment,
        gates,
        assumed,
    };
    Ok((outcome, left))
}

/// The recordings of a job, analysed; one entry per reading.
pub(crate) struct Recordings {
    pub(crate) cycles: Vec<Option<CycleReading>>,
    assumed: Vec<Vec<String>>,
    refused: Vec<Notice>,
}

/// Reads the recordings of a job one after another.
///
/// # Errors
/// Bad input as in [`read_recording`]; a recording that carries no reading becomes a notice.
pub(crate) fn read_all(
    loaded: &LoadedJob,
    progress: &mut JobProgress<'_>,
) -> Result<Recordings, AppError> {
    let count = loaded.job.readings.len();
    let mut cycles: Vec<Option<CycleReading>> = Vec::with_capacity(count);
    let mut assumed = Vec::with_capacity(count);
    let mut refused = Vec::new();
    for index in 0..count {
        progress(index, count);
        let Some(request) = job_request(loaded, index) else {
            cycles.push(None);
            assumed.push(Vec::new());
            continue;
        };
        match read_recording(&request, &mut |_| {}) {
            Ok(outcome) => {
                cycles.push(Some(outcome.reading));
                assumed.push(outcome.assumed);
            }
            Err(error) if error.kind() == ErrorKind::Refused => {
                refused.push(Notice::new(
                    "recording-refused",
                    format!("reading {}: {error}", index + 1),
                ));
                cycles.push(None);
                assumed.push(Vec::new());
            }
            Err(error) => return Err(error),
        }
    }
    progress(count, count);
    Ok(Recordings {
        cycles,
        assumed,
        refused,
    })
}

/// Findings from the readings that show the present state; the others are shown beside them.
fn judged(
    loaded: &LoadedJob,
    cycles: Vec<Option<CycleReading>>,
    earlier: &[EarlierVisit],
    asked: &Asked<'_>,
) -> (Assessment, Option<StandingText>) {
    let before: Vec<Visit<'_>> = earlier
        .iter()
        .map(|e| Visit {
            job: &e.job,
            cycles: &e.cycles,
            kinship: e.kinship,
        })
        .collect();
    let state = present_state(&loaded.job, &loaded.profile);
    if state.shows.iter().all(|&shows| shows) {
        return beside_all(&loaded.job, &loaded.profile, &cycles, &before, asked);
    }
    let (mut weighed, mut shown) = (cycles, Vec::new());
    for (cycle, shows) in weighed.iter_mut().zip(&state.shows) {
        shown.push(if *shows { None } else { cycle.take() });
    }
    let job = without_others(&loaded.job, &state);
    let (mut assessment, left) = beside_all(&job, &loaded.profile, &weighed, &before, asked);
    let readings = assessment.readings.iter_mut().zip(&loaded.job.readings);
    for ((result, reading), cycle) in readings.zip(shown) {
        result.cycle = result.cycle.take().or(cycle);
        let typed = reading.gauge.as_ref().and_then(|g| g.depression_kpa.all());
        result.gauge_kpa = result.gauge_kpa.take().or(typed);
    }
    assessment.notices.extend(state.notices);
    (assessment, left)
}

/// Findings beside all that is known, with a word on how much that helps.
fn beside_all(
    job: &Job,
    profile: &Profile,
    cycles: &[Option<CycleReading>],
    earlier: &[Visit<'_>],
    asked: &Asked<'_>,
) -> (Assessment, Option<StandingText>) {
    let known = asked.known;
    let beside = Beside {
        earlier,
        own: &known.own,
        family: known.family.as_ref(),
    };
    let mut found = assess_beside(job, profile, cycles, &beside, asked.sampling);
    if !known.is_empty() {
        let alone = Beside {
            earlier,
            ..Beside::default()
        };
        let without = assess_beside(job, profile, cycles, &alone, asked.sampling);
        found.notices.extend(sharpened(&found, &without, known));
    }
    let left = asked
        .keeps
        .then(|| StandingText::of(job, profile, cycles, &beside));
    (found, left)
}

/// How much narrower the intervals are with what the records know.
fn sharpened(with: &Assessment, without: &Assessment, known: &Known) -> Option<Notice> {
    let half = |a: &Assessment, of: fn(&BodyFinding) -> Interval| {
        let halves = a.bodies.iter().map(|b| 0.5 * (of(b).hi90 - of(b).lo90));
        halves.sum::<f64>() / a.bodies.len() as f64
    };
    let mut by = Vec::new();
    if let Some(family) = &known.family {
        by.push(match family.bikes.as_slice() {
            [one] => format!("another machine of this profile ({one})"),
            all => format!(
                "{} other machines of this profile ({})",
                all.len(),
                all.join(", ")
            ),
        });
    }
    match known.own.len() {
        0 => {}
        1 => by.push("an earlier visit of this machine".to_owned()),
        n => by.push(format!("{n} earlier visits of this machine")),
    }
    let (offset, leak) = (|b: &BodyFinding| b.offset_deg, |b: &BodyFinding| b.leak_mm2);
    (!with.bodies.is_empty() && !without.bodies.is_empty()).then(|| {
        Notice::new(
            "library",
            format!(
                "from the records {} stand beside the readings: plates are known to +-{:.2} degree (+-{:.2} without), \
                 leaks to +-{:.2} mm2 (+-{:.2} without), 90 %; `evenpull library list` shows who counts",
                by.join(" and "),
                half(with, offset),
                half(without, offset),
                half(with, leak),
                half(without, leak)
            ),
        )
    })
}

/// What was assumed or doubted while the job and its profile were read.
fn of_files(loaded: &LoadedJob) -> Vec<Notice> {
    let checks = check_findings(&loaded.job, &loaded.profile);
    let said = checks.iter().chain(&loaded.job.notices);
    let mut notices: Vec<Notice> = said.map(|n| Notice::new(n.code, n.text.clone())).collect();
    let readings = loaded.job.readings.iter().enumerate();
    let practice: Vec<String> = readings
        .filter(|(_, r)| r.practice)
        .map(|(i, _)| (i + 1).to_string())
        .collect();
    if !practice.is_empty() {
        notices.push(Notice::new(
            "practice-readings",
            format!(
                "readings of the practice engine, of no real machine: {}",
                practice.join(", ")
            ),
        ));
    }
    let assumed = loaded.profile.assumed.len();
    if assumed > 0 {
        notices.push(Notice::new(
            "profile-defaults",
            format!(
                "{assumed} keys are left out of the profile and defaults stand in; `evenpull profile \
                 check` lists them with their marks"
            ),
        ));
    }
    notices
}

fn measured(cycles: &[Option<CycleReading>]) -> Vec<MeasuredReading> {
    cycles
        .iter()
        .map(|cycle| match cycle {
            None => MeasuredReading::default(),
            Some(c) => MeasuredReading {
                rpm: Some(c.rpm.value),
                depression_kpa: Some(
                    c.channels
                        .iter()
                        .map(|channel| channel.mean_depression_kpa)
                        .collect(),
                ),
            },
        })
        .collect()
}

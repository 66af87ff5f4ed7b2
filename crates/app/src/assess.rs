//! A job from files to findings.

use std::path::Path;

use evenpull_diagnose::{Assessment, Sampling, Visit, assess_after};
use evenpull_job::{GateCheck, MeasuredReading, check_findings, evaluate_gates};
use evenpull_trace::{CycleReading, Notice};

use crate::answer::{AssessAnswer, assess_answer};
use crate::earlier::{EarlierVisit, earlier_visits};
use crate::error::{AppError, ErrorKind};
use crate::job_folder::{LoadedJob, load_job};
use crate::present_state::{present_state, without_others};
use crate::recording::{job_request, read_recording};
use crate::scale::calibrate;

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
    answered(load_job(path)?, sampling, progress)
}

/// As [`assess`], for a job that is loaded already.
///
/// # Errors
/// Bad input as in [`read_recording`].
pub fn assess_loaded(
    loaded: LoadedJob,
    progress: &mut JobProgress<'_>,
) -> Result<AssessOutcome, AppError> {
    answered(loaded, Sampling::Full, progress)
}

fn answered(
    loaded: LoadedJob,
    sampling: Sampling,
    progress: &mut JobProgress<'_>,
) -> Result<AssessOutcome, AppError> {
    let earlier = earlier_visits(&loaded)?;
    let Recordings {
        mut cycles,
        assumed,
        refused,
    } = read_all(&loaded, progress)?;
    let gates = evaluate_gates(&loaded.profile, &loaded.job, &measured(&cycles));
    let scale = calibrate(&loaded, &mut cycles);
    let mut assessment = judged(&loaded, cycles, &earlier, sampling);
    assessment.notices.extend(scale);
    assessment.notices.extend(refused);
    assessment.notices.extend(of_files(&loaded));
    Ok(AssessOutcome {
        loaded,
        assessment,
        gates,
        assumed,
    })
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
    sampling: Sampling,
) -> Assessment {
    let before: Vec<Visit<'_>> = earlier
        .iter()
        .map(|e| Visit {
            job: &e.job,
            cycles: &e.cycles,
        })
        .collect();
    let state = present_state(&loaded.job, &loaded.profile);
    if state.shows.iter().all(|&shows| shows) {
        return assess_after(&loaded.job, &loaded.profile, &cycles, &before, sampling);
    }
    let (mut weighed, mut shown) = (cycles, Vec::new());
    for (cycle, shows) in weighed.iter_mut().zip(&state.shows) {
        shown.push(if *shows { None } else { cycle.take() });
    }
    let job = without_others(&loaded.job, &state);
    let mut assessment = assess_after(&job, &loaded.profile, &weighed, &before, sampling);
    let readings = assessment.readings.iter_mut().zip(&loaded.job.readings);
    for ((result, reading), cycle) in readings.zip(shown) {
        result.cycle = result.cycle.take().or(cycle);
        let typed = reading.gauge.as_ref().and_then(|g| g.depression_kpa.all());
        result.gauge_kpa = result.gauge_kpa.take().or(typed);
    }
    assessment.notices.extend(state.notices);
    assessment
}

/// What was assumed or doubted while the job and its profile were read.
fn of_files(loaded: &LoadedJob) -> Vec<Notice> {
    let checks = check_findings(&loaded.job, &loaded.profile);
    let said = checks.iter().chain(&loaded.job.notices);
    let mut notices: Vec<Notice> = said.map(|n| Notice::new(n.code, n.text.clone())).collect();
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

//! Visits that an assessment may lean on: earlier ones of the same machine that the job names, and
//! references, healthy machines of the same kind that are given beside it.

use std::path::Path;

use evenpull_diagnose::Kinship;
use evenpull_job::{EarlierRef, FileErrors, Job};
use evenpull_trace::CycleReading;

use crate::assess::read_all;
use crate::error::AppError;
use crate::job_folder::{LoadedJob, check_recordings, job_file};
use crate::present_state::{present_state, without_others};
use crate::text_file::{problem, read_text};

/// An earlier or reference visit, its recordings analysed.
pub(crate) struct EarlierVisit {
    pub(crate) kinship: Kinship,
    pub(crate) job: Job,
    pub(crate) cycles: Vec<Option<CycleReading>>,
}

/// Loads and reads every earlier visit of a job, under the job's own profile: the scale of the areas
/// must be one.
///
/// # Errors
/// At the job's line that names it: a visit that is not there or is the job itself. In the earlier
/// job file: every problem of it, bodies that the profile does not know among them.
pub(crate) fn earlier_visits(loaded: &LoadedJob) -> Result<Vec<EarlierVisit>, AppError> {
    let named = loaded.job.earlier.iter().enumerate();
    named.map(|(i, e)| earlier_visit(loaded, i, e)).collect()
}

fn earlier_visit(
    loaded: &LoadedJob,
    index: usize,
    named: &EarlierRef,
) -> Result<EarlierVisit, AppError> {
    let wrong = |problem: &str| {
        let error = Job::problem_at(
            &loaded.file.display().to_string(),
            &loaded.text,
            named.line,
            &format!("earlier[{}]", index + 1),
            problem,
            "name the job folder of an earlier healthy visit of this machine, relative to this job file",
        );
        AppError::File(error.into())
    };
    let path = loaded.folder.join(&named.path);
    let file = match path.try_exists() {
        Ok(true) => job_file(&path)
            .map_err(|_| wrong(&format!("the folder `{}` holds no `job.toml`", named.path)))?,
        _ => return Err(wrong(&format!("there is no `{}`", named.path))),
    };
    if is_the_job(&file, loaded) {
        return Err(wrong("an earlier visit cannot be this job itself"));
    }
    read_visit(&file, loaded, Kinship::SameMachine)
}

/// Loads and reads every reference, under the job's own profile.
///
/// # Errors
/// At the path given: a job that is not there or is the job itself. In its job file: every problem of
/// it, bodies that the profile does not know among them; another kind of engine.
pub(crate) fn references(
    loaded: &LoadedJob,
    paths: &[impl AsRef<Path>],
) -> Result<Vec<EarlierVisit>, AppError> {
    let each = paths.iter().map(AsRef::as_ref);
    each.map(|path| reference(loaded, path)).collect()
}

fn reference(loaded: &LoadedJob, path: &Path) -> Result<EarlierVisit, AppError> {
    const REMEDY: &str = "give the job of a healthy machine of the same kind, read with recordings, a sweep among them";
    if !path.exists() {
        return Err(problem(path, "there is no such reference", REMEDY));
    }
    let file = job_file(path)?;
    if is_the_job(&file, loaded) {
        return Err(problem(path, "a job cannot be its own reference", REMEDY));
    }
    read_visit(&file, loaded, Kinship::SameKind)
}

fn is_the_job(file: &Path, loaded: &LoadedJob) -> bool {
    let same = |a: &Path| a.canonicalize().ok();
    same(file).is_some() && same(file) == same(&loaded.file)
}

/// Reads a visit under the profile of the job at hand.
fn read_visit(file: &Path, loaded: &LoadedJob, kinship: Kinship) -> Result<EarlierVisit, AppError> {
    let text = read_text(file)?;
    let job = Job::from_toml(&file.display().to_string(), &text, &loaded.profile)
        .map_err(|e: FileErrors| AppError::from(e))?;
    let visit = LoadedJob {
        job,
        profile: loaded.profile.clone(),
        folder: file.parent().map(Into::into).unwrap_or_default(),
        file: file.to_owned(),
        text,
    };
    check_recordings(&visit)?;
    let mut cycles = read_all(&visit, &mut |_, _| {})?.cycles;
    let state = present_state(&visit.job, &visit.profile);
    for (cycle, shows) in cycles.iter_mut().zip(&state.shows) {
        if !shows {
            *cycle = None;
        }
    }
    Ok(EarlierVisit {
        kinship,
        job: without_others(&visit.job, &state),
        cycles,
    })
}

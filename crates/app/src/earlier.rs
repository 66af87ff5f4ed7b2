//! Earlier visits of the same machine that a job names.

use evenpull_job::{EarlierRef, FileErrors, Job};
use evenpull_trace::CycleReading;

use crate::assess::read_all;
use crate::error::AppError;
use crate::job_folder::{LoadedJob, check_recordings, job_file};
use crate::present_state::{present_state, without_others};
use crate::text_file::read_text;

/// An earlier visit, its recordings analysed.
pub(crate) struct EarlierVisit {
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
    let same = |a: &std::path::Path| a.canonicalize().ok();
    if same(&file).is_some() && same(&file) == same(&loaded.file) {
        return Err(wrong("an earlier visit cannot be this job itself"));
    }
    let text = read_text(&file)?;
    let job = Job::from_toml(&file.display().to_string(), &text, &loaded.profile)
        .map_err(|e: FileErrors| AppError::from(e))?;
    let visit = LoadedJob {
        job,
        profile: loaded.profile.clone(),
        folder: file.parent().map(Into::into).unwrap_or_default(),
        file,
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
        job: without_others(&visit.job, &state),
        cycles,
    })
}

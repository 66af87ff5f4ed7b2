//! A job on disk: a folder with `job.toml`, or that file itself.

use std::path::{Path, PathBuf};

use evenpull_job::{FileErrors, Job, Profile};

use crate::error::AppError;
use crate::profiles::load_profile_from;
use crate::text_file::{problem, read_text, reason};

/// A job with its profile and the folder its paths refer to.
#[derive(Debug, Clone, PartialEq)]
pub struct LoadedJob {
    /// Job.
    pub job: Job,
    /// Profile.
    pub profile: Profile,
    /// Path of the job file.
    pub file: PathBuf,
    /// Folder of the job file.
    pub folder: PathBuf,
    /// Text of the job file, for messages that point into it.
    pub text: String,
}

impl LoadedJob {
    /// Path of a recording named in the job.
    pub fn recording_path(&self, name: &str) -> PathBuf {
        self.folder.join(name)
    }
}

/// Reads a job and its profile, and checks that every recording it names can be opened.
///
/// # Errors
/// Every problem of the job file, of the profile, or a recording that cannot be opened, placed at
/// the line that names it.
pub fn load_job(path: &Path) -> Result<LoadedJob, AppError> {
    let file = job_file(path)?;
    let text = read_text(&file)?;
    let shown = file.display().to_string();
    let reference = Job::profile_ref(&shown, &text)?;
    let folder = file.parent().map(Path::to_path_buf).unwrap_or_default();
    let profile = match load_profile_from(&reference.name, &folder) {
        Ok(loaded) => loaded.profile,
        Err(AppError::NoProfile { name, known }) => {
            let error = Job::problem_at(
                &shown,
                &text,
                reference.line,
                "profile",
                &format!("no profile `{name}`: no such file beside the job"),
                &format!("give the path of a profile file, relative to the job, or one of {known}"),
            );
            return Err(AppError::File(error.into()));
        }
        Err(other) => return Err(other),
    };
    let job = Job::from_toml(&shown, &text, &profile)?;
    let loaded = LoadedJob {
        job,
        profile,
        file,
        folder,
        text,
    };
    check_recordings(&loaded)?;
    Ok(loaded)
}

/// The job file of a folder, or the path itself.
pub(crate) fn job_file(path: &Path) -> Result<PathBuf, AppError> {
    if !path.is_dir() {
        return Ok(path.to_owned());
    }
    let file = path.join("job.toml");
    if file.exists() {
        return Ok(file);
    }
    Err(problem(
        path,
        "the folder holds no `job.toml`",
        "name a job folder or a job file",
    ))
}

/// Opens every recording once, so that a missing one is known before any work is done.
pub(crate) fn check_recordings(loaded: &LoadedJob) -> Result<(), AppError> {
    let shown = loaded.file.display().to_string();
    let mut problems = Vec::new();
    for (i, reading) in loaded.job.readings.iter().enumerate() {
        let Some(name) = &reading.recording else {
            continue;
        };
        let path = loaded.recording_path(name);
        let found = std::fs::File::open(&path).and_then(|f| f.metadata());
        let (what, remedy) = match found {
            Ok(meta) if meta.is_dir() => ("is a folder".to_owned(), "name the file inside it"),
            Ok(_) => continue,
            Err(e) => reason(&e),
        };
        problems.push(Job::problem_at(
            &shown,
            &loaded.text,
            reading.recording_line.unwrap_or(reading.line),
            &format!("reading[{}].recording", i + 1),
            &format!("the recording `{name}` {what}"),
            &format!("{remedy}; paths are relative to the job file"),
        ));
    }
    match FileErrors::new(problems) {
        Some(errors) => Err(errors.into()),
        None => Ok(()),
    }
}

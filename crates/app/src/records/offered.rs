//! A recording looked at before it is kept.

use std::path::PathBuf;

use evenpull_job::{Job, Profile};

use super::{ReadingEntry, Records};
use crate::error::{AppError, ErrorKind};
use crate::recording::{ReadRequest, Source, read_given};

impl Records {
    /// Reads the recording of an entry as the assessment of the job will, and refuses what would stop
    /// it: a picture, a letter, a table without pressures. One that carries no reading for another
    /// reason, such as an engine that stands, is evidence all the same and passes.
    ///
    /// # Errors
    /// Problems of the file under the name it was given with.
    pub async fn check_recording(&self, job_id: i64, entry: &ReadingEntry) -> Result<(), AppError> {
        let entry = entry.clone();
        let texts = self.job_texts(job_id).await?;
        let work = move || {
            let profile = Profile::from_toml("profile.toml", &texts.profile_toml)?;
            let job = Job::draft_from_toml("job.toml", &texts.job_toml, &profile)?;
            readable(&job, &profile, &entry)
        };
        tokio::task::spawn_blocking(work)
            .await
            .map_err(|e| AppError::Runtime(e.to_string()))?
    }
}

fn readable(job: &Job, profile: &Profile, entry: &ReadingEntry) -> Result<(), AppError> {
    let Some(recording) = &entry.recording else {
        return Ok(());
    };
    let request = ReadRequest {
        source: Source::File(PathBuf::from(&recording.file_name)),
        profile,
        layout: &job.layout,
        ambient: &job.ambient,
        condition: Some(entry.condition),
        hose: entry.hose,
        swapped: entry.swapped,
        pinched: &entry.pinched,
    };
    match read_given(&recording.bytes, &request) {
        Err(error) if error.kind() == ErrorKind::BadInput => Err(error),
        _ => Ok(()),
    }
}

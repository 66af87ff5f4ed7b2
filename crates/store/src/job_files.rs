//! A stored job as the files of its folder.

use std::collections::BTreeSet;
use std::path::Path;

use crate::error::StoreError;
use crate::jobs::{JOB_FILE, PROFILE_FILE};
use crate::store::Store;

/// Where the files of a job go, one after another.
pub(crate) trait FileSink {
    /// Takes one file; `name` is relative, with `/` between its parts.
    fn put(&mut self, name: &str, bytes: &[u8]) -> Result<(), StoreError>;
}

/// A folder that is made for the purpose.
#[derive(Debug)]
pub(crate) struct FolderSink<'a> {
    folder: &'a Path,
}

impl<'a> FolderSink<'a> {
    /// A folder that does not exist yet, or is empty.
    pub(crate) fn new(folder: &'a Path) -> Result<Self, StoreError> {
        let filled = std::fs::read_dir(folder).is_ok_and(|mut entries| entries.next().is_some());
        if filled || folder.is_file() {
            return Err(StoreError::invalid(
                folder.display().to_string(),
                "is there already and not empty",
                "name a folder that does not exist yet; nothing was overwritten",
            ));
        }
        std::fs::create_dir_all(folder).map_err(|e| StoreError::of_writing(folder, &e))?;
        Ok(Self { folder })
    }
}

impl FileSink for FolderSink<'_> {
    fn put(&mut self, name: &str, bytes: &[u8]) -> Result<(), StoreError> {
        let path = self.folder.join(name);
        if let Some(parent) = path.parent() {
            std::fs::create_dir_all(parent).map_err(|e| StoreError::of_writing(parent, &e))?;
        }
        std::fs::write(&path, bytes).map_err(|e| StoreError::of_writing(&path, &e))
    }
}

impl Store {
    /// Writes a job as a folder with `job.toml`, `profile.toml` and its recordings.
    ///
    /// # Errors
    /// [`StoreError::Missing`], [`StoreError::Invalid`] for a job without readings or a folder that
    /// is not empty.
    pub async fn write_job_folder(&self, job_id: i64, folder: &Path) -> Result<(), StoreError> {
        let mut sink = FolderSink::new(folder)?;
        self.put_job(job_id, &mut sink).await
    }

    pub(crate) async fn put_job(
        &self,
        job_id: i64,
        sink: &mut impl FileSink,
    ) -> Result<(), StoreError> {
        let mut connection = self.reader().acquire().await.map_err(self.fail())?;
        let (parts, profile_toml) = self.parts(&mut connection, job_id).await?;
        drop(connection);
        if parts.readings.is_empty() {
            return Err(StoreError::invalid(
                format!("job {job_id}"),
                "holds no readings yet, and a job file needs one",
                "add a reading first",
            ));
        }
        sink.put(JOB_FILE, parts.text().as_bytes())?;
        sink.put(PROFILE_FILE, profile_toml.as_bytes())?;
        let mut written = BTreeSet::new();
        for (reading_id, name, _) in self.recording_hashes(job_id).await? {
            // Readings that share a file name share the file.
            if written.insert(name.clone()) {
                let recording = self.recording(reading_id).await?;
                sink.put(&name, &recording.bytes)?;
            }
        }
        Ok(())
    }
}

//! Jobs in and out, backups, and whether the records are sound.

use std::path::{Path, PathBuf};

use evenpull_job::Job;
use evenpull_store::{
    ArchiveLimits, BackupSummary, CheckReport, ImportJob, Imported, SalvageReport, unpack_archive,
};

use super::{Clock, Records};
use crate::error::AppError;
use crate::job_folder::load_job;
use crate::profiles::load_profile_from;
use crate::text_file::problem;
use crate::written::unwritable;

/// Version written into backups and findings.
const VERSION: &str = env!("CARGO_PKG_VERSION");

impl Records {
    /// Writes a job with everything on record about it into a new folder, or an archive when `to`
    /// ends in `.zip`.
    ///
    /// # Errors
    /// As [`evenpull_store::Store::export_job`].
    pub async fn export(&self, job_id: i64, to: &Path, with_owner: bool) -> Result<(), AppError> {
        Ok(self.store().export_job(job_id, to, with_owner).await?)
    }

    /// Takes a job in from a folder with `job.toml`, or from an archive of one.
    ///
    /// `machine_id` names a machine on record; otherwise a new one is made.
    ///
    /// # Errors
    /// As [`load_job`] and [`evenpull_store::Store::import_job`]; nothing is kept then.
    pub async fn import(&self, from: &Path, machine_id: Option<i64>) -> Result<Imported, AppError> {
        let made = tempfile::tempdir().map_err(|e| unwritable(&std::env::temp_dir(), &e))?;
        let folder = if from.is_dir() {
            from.to_owned()
        } else {
            let unpacked = made.path().join("job");
            unpack_archive(from, &unpacked, ArchiveLimits::JOB)?;
            folder_in(&unpacked, from)?
        };
        let loaded = load_job(&folder)?;
        let shown = loaded.file.display().to_string();
        let reference = Job::profile_ref(&shown, &loaded.text)?;
        let profile = load_profile_from(&reference.name, &loaded.folder)?;
        let new = ImportJob {
            job_toml: loaded.text,
            profile_toml: profile.text,
            machine_id,
        };
        let at = self.now();
        Ok(self.store().import_job(&folder, &new, at).await?)
    }

    /// Writes everything into one new file and reads it again.
    ///
    /// # Errors
    /// As [`evenpull_store::Store::backup`].
    pub async fn backup(&self, to: &Path) -> Result<BackupSummary, AppError> {
        Ok(self.store().backup(to, VERSION, self.now()).await?)
    }

    /// Reads everything and compares it with what was stored.
    ///
    /// # Errors
    /// As [`evenpull_store::Store::check`].
    pub async fn check(&self) -> Result<CheckReport, AppError> {
        Ok(self.store().check().await?)
    }
}

/// Puts a backup's records into `folder`; see [`evenpull_store::restore`].
///
/// # Errors
/// As [`evenpull_store::restore`].
pub async fn restore_records(
    backup: &Path,
    folder: &Path,
    overwrite: bool,
) -> Result<BackupSummary, AppError> {
    let holder = "`evenpull restore`";
    Ok(evenpull_store::restore(backup, folder, overwrite, holder).await?)
}

/// Takes over what can be read of damaged records into a new folder; see
/// [`evenpull_store::salvage`].
///
/// # Errors
/// As [`evenpull_store::salvage`].
pub async fn salvage_records(
    from: &Path,
    to: &Path,
    clock: &Clock,
) -> Result<SalvageReport, AppError> {
    Ok(evenpull_store::salvage(from, to, "`evenpull salvage`", clock()).await?)
}

/// The folder of the job in an unpacked archive: the top, or the only folder in it.
fn folder_in(unpacked: &Path, archive: &Path) -> Result<PathBuf, AppError> {
    if unpacked.join("job.toml").is_file() {
        return Ok(unpacked.to_owned());
    }
    let inside: Vec<PathBuf> = std::fs::read_dir(unpacked)
        .into_iter()
        .flatten()
        .flatten()
        .map(|entry| entry.path())
        .filter(|path| path.join("job.toml").is_file())
        .collect();
    match inside.as_slice() {
        [one] => Ok(one.clone()),
        _ => Err(problem(
            archive,
            "holds no `job.toml`, or more than one",
            "pack one job's folder",
        )),
    }
}

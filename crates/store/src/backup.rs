//! One file that holds everything, and the way back from it.

use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};

use crate::archive::{ArchiveLimits, ArchivedFile, ZipSink, folder_of, unpack};
use crate::error::StoreError;
use crate::integrity;
use crate::job_files::FileSink;
use crate::lock::FolderLock;
use crate::moment::Moment;
use crate::schema;
use crate::shop::forget_devices;
use crate::snapshot::{copy_to, sync_folder};
use crate::store::{DATABASE, PHOTOS, Store, connect_alone, connect_reading};

const FORMAT: &str = "evenpull.backup/1";
const MANIFEST: &str = "manifest.json";

/// What a backup says about itself.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct Manifest {
    format: String,
    program_version: String,
    schema: i64,
    made: Moment,
    files: Vec<ArchivedFile>,
}

/// What was backed up or restored.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct BackupSummary {
    /// When the backup was made.
    pub made: Moment,
    /// Version of the program that made it.
    pub program_version: String,
    /// Schema of the records in it.
    pub schema: i64,
    /// Photos in it.
    pub photos: usize,
    /// Everything unpacked [bytes].
    pub length_bytes: u64,
    /// Where records that were replaced lie now.
    pub replaced: Option<PathBuf>,
}

impl Store {
    /// Writes everything into the one file `to`, which must not exist; others may go on writing.
    ///
    /// The file is read again and compared before this returns.
    ///
    /// # Errors
    /// [`StoreError::Invalid`] when `to` exists, [`StoreError::Damaged`] when records or photos are
    /// not sound, or a place that cannot be written.
    pub async fn backup(
        &self,
        to: &Path,
        program_version: &str,
        at: Moment,
    ) -> Result<BackupSummary, StoreError> {
        let mut zip = ZipSink::new(to)?;
        let beside = folder_of(to);
        let work =
            tempfile::tempdir_in(&beside).map_err(|e| StoreError::of_writing(&beside, &e))?;
        let copy = work.path().join(DATABASE);
        // A connection of its own: writers go on meanwhile.
        let from = connect_reading(self.file()).await?;
        copy_to(&from, self.file(), &copy).await?;
        from.close().await;
        let alone = connect_alone(&copy).await?;
        integrity::quick(&alone, self.file()).await?;
        let names = integrity::photo_names(&alone, &copy).await?;
        let schema = schema::version(&alone)
            .await
            .map_err(|e| StoreError::of_database(&copy, &e))?;
        // A backup lies elsewhere: it must not open the pages to whoever was paired when it was made.
        forget_devices(&alone)
            .await
            .map_err(|e| StoreError::of_database(&copy, &e))?;
        alone.close().await;
        zip.put_file(DATABASE, &copy)?;
        for name in &names {
            let path = self.photos_folder().join(name);
            zip.put_file(&format!("{PHOTOS}/{name}"), &path)?;
        }
        let manifest = Manifest {
            format: FORMAT.to_owned(),
            program_version: program_version.to_owned(),
            schema,
            made: at,
            files: zip.files.clone(),
        };
        let text = serde_json::to_vec_pretty(&manifest).map_err(|e| StoreError::Database {
            file: to.to_owned(),
            problem: e.to_string(),
        })?;
        zip.put(MANIFEST, &text)?;
        zip.finish()?;
        // Only what was read again counts as a backup.
        let again =
            tempfile::tempdir_in(&beside).map_err(|e| StoreError::of_writing(&beside, &e))?;
        let (manifest, _) = verified(to, again.path()).await?;
        Ok(summary(&manifest, None))
    }
}

/// Puts the records of a backup into `folder`.
///
/// The backup is checked whole before anything is touched. Records that are there already are
/// kept aside, and only replaced with `overwrite`.
///
/// # Errors
/// [`StoreError::Invalid`] for a backup that is not sound or records that are there,
/// [`StoreError::NewerSchema`], [`StoreError::InUse`].
pub async fn restore(
    backup: &Path,
    folder: &Path,
    overwrite: bool,
    holder: &str,
) -> Result<BackupSummary, StoreError> {
    std::fs::create_dir_all(folder).map_err(|e| StoreError::of_writing(folder, &e))?;
    let lock = FolderLock::take(folder, holder)?;
    let done = restore_locked(backup, folder, overwrite).await;
    lock.release();
    done
}

async fn restore_locked(
    backup: &Path,
    folder: &Path,
    overwrite: bool,
) -> Result<BackupSummary, StoreError> {
    if folder.join(DATABASE).exists() && !overwrite {
        return Err(StoreError::invalid(
            folder.display().to_string(),
            "there are records in this folder already",
            "restore into an empty folder with `--data`, or say `--overwrite`: the records there \
             are then kept aside in a folder beside them",
        ));
    }
    let work = tempfile::tempdir_in(folder).map_err(|e| StoreError::of_writing(folder, &e))?;
    let (manifest, unpacked) = verified(backup, work.path()).await?;
    let replaced = set_aside(folder)?;
    for name in [PHOTOS, DATABASE] {
        let from = unpacked.join(name);
        if from.exists() {
            let to = folder.join(name);
            std::fs::rename(&from, &to).map_err(|e| StoreError::of_writing(&to, &e))?;
        }
    }
    sync_folder(folder)?;
    Ok(summary(&manifest, replaced))
}

/// Unpacks a backup and compares every file with what the backup says of it.
async fn verified(backup: &Path, work: &Path) -> Result<(Manifest, PathBuf), StoreError> {
    let refused = |problem: String| {
        StoreError::invalid(
            backup.display().to_string(),
            problem,
            "nothing was changed; use another backup",
        )
    };
    let folder = work.join("unpacked");
    let mut files = unpack(backup, &folder, ArchiveLimits::BACKUP)?;
    let text = std::fs::read(folder.join(MANIFEST))
        .map_err(|_| refused("is no backup: it holds no `manifest.json`".to_owned()))?;
    let manifest: Manifest = serde_json::from_slice(&text)
        .map_err(|e| refused(format!("its `manifest.json` cannot be read: {e}")))?;
    if manifest.format != FORMAT {
        return Err(refused(format!(
            "is of the format `{}`, not `{FORMAT}`",
            manifest.format
        )));
    }
    files.retain(|f| f.name != MANIFEST);
    if let Some(f) = manifest.files.iter().find(|f| !files.contains(f)) {
        return Err(refused(format!("`{}` in it is missing or changed", f.name)));
    }
    if let Some(f) = files.iter().find(|f| !manifest.files.contains(f)) {
        return Err(refused(format!("`{}` in it does not belong there", f.name)));
    }
    let copy = folder.join(DATABASE);
    if !copy.is_file() {
        return Err(refused("holds no records".to_owned()));
    }
    let alone = connect_alone(&copy).await?;
    let found = schema::version(&alone)
        .await
        .map_err(|e| refused(format!("its records cannot be read: {e}")))?;
    let sound = integrity::quick(&alone, &copy).await;
    alone.close().await;
    if found > schema::CURRENT {
        return Err(StoreError::NewerSchema {
            file: backup.to_owned(),
            found,
            known: schema::CURRENT,
        });
    }
    sound.map_err(|_| refused("its records are damaged".to_owned()))?;
    Ok((manifest, folder))
}

/// Moves records that are there into a folder of their own.
fn set_aside(folder: &Path) -> Result<Option<PathBuf>, StoreError> {
    let names = [
        DATABASE.to_owned(),
        format!("{DATABASE}-wal"),
        format!("{DATABASE}-shm"),
        PHOTOS.to_owned(),
    ];
    let there: Vec<_> = names.iter().filter(|n| folder.join(n).exists()).collect();
    if there.is_empty() {
        return Ok(None);
    }
    let mut n = 1;
    let aside = loop {
        let path = folder.join(format!("replaced-{n}"));
        if !path.exists() {
            break path;
        }
        n += 1;
    };
    std::fs::create_dir(&aside).map_err(|e| StoreError::of_writing(&aside, &e))?;
    for name in there {
        let to = aside.join(name);
        std::fs::rename(folder.join(name), &to).map_err(|e| StoreError::of_writing(&to, &e))?;
    }
    sync_folder(&aside)?;
    Ok(Some(aside))
}

fn summary(manifest: &Manifest, replaced: Option<PathBuf>) -> BackupSummary {
    BackupSummary {
        made: manifest.made,
        program_version: manifest.program_version.clone(),
        schema: manifest.schema,
        photos: manifest.files.len().saturating_sub(1),
        length_bytes: manifest.files.iter().map(|f| f.length_bytes).sum(),
        replaced,
    }
}

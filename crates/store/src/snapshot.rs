//! A consistent copy of the database while it is in use.

use std::path::Path;

use sqlx::SqlitePool;

use crate::error::StoreError;

/// Writes one sound copy of the database to `copy`, which must not exist yet.
pub(crate) async fn copy_to(pool: &SqlitePool, file: &Path, copy: &Path) -> Result<(), StoreError> {
    let name = copy.to_str().ok_or_else(|| {
        StoreError::invalid(
            copy.display().to_string(),
            "the path is not plain text",
            "choose a path of letters and digits",
        )
    })?;
    sqlx::query("VACUUM INTO $1")
        .bind(name)
        .execute(pool)
        .await
        .map_err(|e| match StoreError::of_database(file, &e) {
            // Full or refusing is the place of the copy, not the records.
            StoreError::DiskFull { .. } => StoreError::DiskFull {
                path: copy.to_owned(),
            },
            other => other,
        })?;
    sync_file(copy)
}

/// As [`copy_to`], replacing a copy left from an attempt before.
pub(crate) async fn copy_aside(
    pool: &SqlitePool,
    file: &Path,
    copy: &Path,
) -> Result<(), StoreError> {
    if copy.exists() {
        std::fs::remove_file(copy).map_err(|e| StoreError::of_writing(copy, &e))?;
    }
    copy_to(pool, file, copy).await
}

/// Waits until a file is on the disk.
pub(crate) fn sync_file(path: &Path) -> Result<(), StoreError> {
    std::fs::OpenOptions::new()
        .append(true)
        .open(path)
        .and_then(|f| f.sync_all())
        .map_err(|e| StoreError::of_writing(path, &e))
}

/// Waits until the names in a folder are on the disk.
pub(crate) fn sync_folder(folder: &Path) -> Result<(), StoreError> {
    // Only unix lets a folder be opened and synced; elsewhere the system does it by itself.
    #[cfg(unix)]
    std::fs::File::open(folder)
        .and_then(|f| f.sync_all())
        .map_err(|e| StoreError::of_writing(folder, &e))?;
    #[cfg(not(unix))]
    let _ = folder;
    Ok(())
}

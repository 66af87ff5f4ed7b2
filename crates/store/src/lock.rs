//! One writer for a data folder.
//!
//! The lock belongs to the operating system, so it ends with the process, however that ends. The
//! text beside it only tells who holds it; it stays behind after a crash and says so.

use std::fs::{File, OpenOptions, TryLockError};
use std::path::{Path, PathBuf};

use crate::error::StoreError;

const LOCK: &str = "evenpull.lock";
const HOLDER: &str = "evenpull.in-use";

/// The lock of a data folder, held until dropped.
#[derive(Debug)]
pub(crate) struct FolderLock {
    // The system releases the lock when the file is closed.
    _file: File,
    holder: PathBuf,
    /// The last holder ended without closing the records.
    pub(crate) after_crash: bool,
}

impl FolderLock {
    /// Takes the lock or names who has it.
    pub(crate) fn take(folder: &Path, holder: &str) -> Result<Self, StoreError> {
        let path = folder.join(LOCK);
        let file = OpenOptions::new()
            .create(true)
            .truncate(false)
            .write(true)
            .open(&path)
            .map_err(|e| StoreError::of_writing(&path, &e))?;
        let written = folder.join(HOLDER);
        match file.try_lock() {
            Ok(()) => {}
            Err(TryLockError::WouldBlock) => {
                return Err(StoreError::InUse {
                    folder: folder.to_owned(),
                    holder: std::fs::read_to_string(&written)
                        .map_or_else(|_| "another program".to_owned(), |t| t.trim().to_owned()),
                });
            }
            Err(TryLockError::Error(e)) => return Err(StoreError::of_writing(&path, &e)),
        }
        let after_crash = written.exists();
        let text = format!("{holder} (process {})\n", std::process::id());
        std::fs::write(&written, text).map_err(|e| StoreError::of_writing(&written, &e))?;
        Ok(Self {
            _file: file,
            holder: written,
            after_crash,
        })
    }

    /// Ends the use in good order; the lock itself goes when this is dropped.
    pub(crate) fn release(&self) {
        // A name left behind costs one check at the next start, no more.
        drop(std::fs::remove_file(&self.holder));
    }
}

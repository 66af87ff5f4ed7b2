//! Photos: files named by their hash beside the database.
//!
//! A file is whole on the disk before the database names it, so a crash leaves at most a file
//! that nothing names.

use std::io::Write;
use std::path::{Path, PathBuf};

use serde::Serialize;
use sqlx::{Sqlite, Transaction};

use crate::error::StoreError;
use crate::moment::Moment;
use crate::photo_cleaning::{CleanPhoto, PhotoKind, clean};
use crate::recording_pack::hash;
use crate::snapshot::sync_folder;
use crate::store::Store;

/// A photo to be kept.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct NewPhoto {
    /// Name of the file it comes from, for messages.
    pub name: String,
    /// The file as the camera made it; place, time and device are taken out of it.
    pub bytes: Vec<u8>,
    /// What it shows.
    pub caption: String,
}

/// A photo on record.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct PhotoRecord {
    /// Number.
    pub id: i64,
    /// Job it belongs to.
    pub job_id: i64,
    /// Stage of the job when it was added.
    pub stage: String,
    /// What it shows.
    pub caption: String,
    /// SHA-256 of the kept file.
    pub sha256: String,
    /// `image/jpeg`, `image/png` or `image/webp`.
    pub media_type: String,
    /// Length of the kept file [bytes].
    pub length_bytes: i64,
    /// When it was added.
    pub added: Moment,
}

type Row = (i64, i64, String, String, String, String, i64, i64);

impl PhotoRecord {
    /// Name of the file in the folder of photos.
    pub fn file_name(&self) -> String {
        file_name(&self.sha256, &self.media_type)
    }
}

/// Name of the file of a photo.
pub(crate) fn file_name(sha256: &str, media_type: &str) -> String {
    let end = PhotoKind::of_media_type(media_type).map_or("bin", PhotoKind::extension);
    format!("{sha256}.{end}")
}

impl Store {
    /// Keeps a photo of a job, cleaned of place, time and device.
    ///
    /// # Errors
    /// [`StoreError::Invalid`] for what is no picture, [`StoreError::Missing`] for the job.
    pub async fn add_photo(
        &self,
        job_id: i64,
        new: NewPhoto,
        at: Moment,
    ) -> Result<i64, StoreError> {
        // Nobody's photo is left behind for a job that does not exist.
        self.job_line(job_id).await?;
        self.writer()?;
        let kept = clean(&new.name, new.bytes)?;
        let sha256 = hash(&kept.bytes);
        let file = format!("{sha256}.{}", kept.kind.extension());
        keep_file(&self.photos_folder(), &file, &kept.bytes)?;
        let mut tx = self.write(at).await?;
        let (stage, _) = self.stage_and_profile(&mut tx, job_id).await?;
        let id = self
            .insert_photo(&mut tx, job_id, &stage, &new.caption, &sha256, &kept, at)
            .await?;
        self.touch(&mut tx, job_id, at).await?;
        self.commit(tx).await?;
        Ok(id)
    }

    #[expect(
        clippy::too_many_arguments,
        reason = "the columns of one row, each once"
    )]
    pub(crate) async fn insert_photo(
        &self,
        tx: &mut Transaction<'static, Sqlite>,
        job_id: i64,
        stage: &str,
        caption: &str,
        sha256: &str,
        kept: &CleanPhoto,
        at: Moment,
    ) -> Result<i64, StoreError> {
        let id = self.next_id(tx, "photos").await?;
        sqlx::query(
            "INSERT INTO photos (id, job_id, stage, caption, sha256, media_type, length_bytes, \
             added_ms) VALUES ($1, $2, $3, $4, $5, $6, $7, $8)",
        )
        .bind(id)
        .bind(job_id)
        .bind(stage)
        .bind(caption.trim())
        .bind(sha256)
        .bind(kept.kind.media_type())
        .bind(i64::try_from(kept.bytes.len()).unwrap_or(i64::MAX))
        .bind(at.ms)
        .execute(&mut **tx)
        .await
        .map_err(self.fail())?;
        Ok(id)
    }

    /// The photos of a job, in order.
    ///
    /// # Errors
    /// Problems of the database.
    pub async fn photos(&self, job_id: i64) -> Result<Vec<PhotoRecord>, StoreError> {
        let rows: Vec<Row> = sqlx::query_as(
            "SELECT id, job_id, stage, caption, sha256, media_type, length_bytes, added_ms \
             FROM photos WHERE job_id = $1 ORDER BY id",
        )
        .bind(job_id)
        .fetch_all(self.reader())
        .await
        .map_err(self.fail())?;
        Ok(rows.into_iter().map(record).collect())
    }

    /// One photo with its file.
    ///
    /// # Errors
    /// [`StoreError::Missing`], or [`StoreError::Damaged`] when the file is not what was kept.
    pub async fn photo(&self, id: i64) -> Result<(PhotoRecord, Vec<u8>), StoreError> {
        let row: Option<Row> = sqlx::query_as(
            "SELECT id, job_id, stage, caption, sha256, media_type, length_bytes, added_ms \
             FROM photos WHERE id = $1",
        )
        .bind(id)
        .fetch_optional(self.reader())
        .await
        .map_err(self.fail())?;
        let photo = record(row.ok_or(StoreError::Missing { what: "photo", id })?);
        let bytes = self.photo_bytes(&photo)?;
        Ok((photo, bytes))
    }

    /// The file of a photo, checked.
    pub(crate) fn photo_bytes(&self, photo: &PhotoRecord) -> Result<Vec<u8>, StoreError> {
        let path = self.photos_folder().join(photo.file_name());
        let bytes = std::fs::read(&path).map_err(|e| StoreError::of_reading(&path, &e))?;
        if hash(&bytes) != photo.sha256 {
            return Err(StoreError::Damaged {
                file: path,
                problem: "the photo is not what was kept".to_owned(),
            });
        }
        Ok(bytes)
    }
}

fn record(row: Row) -> PhotoRecord {
    let (id, job_id, stage, caption, sha256, media_type, length_bytes, added) = row;
    PhotoRecord {
        id,
        job_id,
        stage,
        caption,
        sha256,
        media_type,
        length_bytes,
        added: Moment::from_ms(added),
    }
}

/// Writes a file under its final name only when it is whole and on the disk.
pub(crate) fn keep_file(folder: &Path, name: &str, bytes: &[u8]) -> Result<PathBuf, StoreError> {
    std::fs::create_dir_all(folder).map_err(|e| StoreError::of_writing(folder, &e))?;
    let path = folder.join(name);
    if std::fs::read(&path).is_ok_and(|there| there == bytes) {
        return Ok(path);
    }
    let failed = |e: std::io::Error| StoreError::of_writing(&path, &e);
    let mut file = tempfile::NamedTempFile::new_in(folder).map_err(failed)?;
    file.write_all(bytes)
        .and_then(|()| file.as_file().sync_all())
        .map_err(failed)?;
    file.persist(&path).map_err(|e| failed(e.error))?;
    sync_folder(folder)?;
    Ok(path)
}

//! Documents as they were handed out: versions that are never changed.

use serde::Serialize;
use sqlx::{Sqlite, Transaction};

use crate::error::StoreError;
use crate::moment::Moment;
use crate::recording_pack::{CODING, hash, pack, unpack};
use crate::store::Store;

/// A document to be kept.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct NewDocument {
    /// Kind, such as `handover`.
    pub kind: String,
    /// Version, counted from 1 for each job and kind.
    pub version: i64,
    /// Form: `pdf-a4`, `pdf-letter` or `html`.
    pub form: String,
    /// Version of the program that wrote it.
    pub program_version: String,
    /// SHA-256 over everything it rests on.
    pub data_sha256: String,
    /// The file.
    pub bytes: Vec<u8>,
    /// When this version was first written; the same for all its forms.
    pub written: Moment,
}

/// A document on record, without its file.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct DocumentRecord {
    /// Number.
    pub id: i64,
    /// Kind.
    pub kind: String,
    /// Version.
    pub version: i64,
    /// Form.
    pub form: String,
    /// Version of the program that wrote it.
    pub program_version: String,
    /// SHA-256 over everything it rests on.
    pub data_sha256: String,
    /// SHA-256 of the file.
    pub content_sha256: String,
    /// Length of the file [bytes].
    pub length_bytes: i64,
    /// When it was written.
    pub written: Moment,
}

impl DocumentRecord {
    /// Name of its file in an export.
    pub fn file_name(&self) -> String {
        let (form, end) = match self.form.split_once('-') {
            Some((end, sheet)) => (format!("-{sheet}"), end),
            None => (String::new(), self.form.as_str()),
        };
        format!("documents/{}-{}{form}.{end}", self.kind, self.version)
    }
}

type Row = (i64, String, i64, String, String, String, String, i64, i64);

impl Store {
    /// Keeps a document; a form of a version that is there already stays as it is.
    ///
    /// # Errors
    /// [`StoreError::Missing`] for the job, [`StoreError::Invalid`] when that form of that version is on
    /// record.
    pub async fn add_document(
        &self,
        job_id: i64,
        new: &NewDocument,
        at: Moment,
    ) -> Result<i64, StoreError> {
        self.job_line(job_id).await?;
        let mut tx = self.write(at).await?;
        let id = self.insert_document(&mut tx, job_id, new).await?;
        self.commit(tx).await?;
        Ok(id)
    }

    /// Keeps a document beside the others of its job; none is ever written over.
    pub(crate) async fn insert_document(
        &self,
        tx: &mut Transaction<'static, Sqlite>,
        job_id: i64,
        new: &NewDocument,
    ) -> Result<i64, StoreError> {
        let packed = pack(&new.kind, &new.bytes)?;
        let there: Option<i64> = sqlx::query_scalar(
            "SELECT id FROM documents WHERE job_id = $1 AND kind = $2 AND version = $3 AND form = $4",
        )
        .bind(job_id)
        .bind(&new.kind)
        .bind(new.version)
        .bind(&new.form)
        .fetch_optional(&mut **tx)
        .await
        .map_err(self.fail())?;
        if there.is_some() {
            return Err(StoreError::invalid(
                "document",
                format!("version {} of the {} is on record", new.version, new.kind),
                "ask for it again: what is on record is then given out",
            ));
        }
        let id = self.next_id(tx, "documents").await?;
        sqlx::query(
            "INSERT INTO documents (id, job_id, kind, version, form, program_version, data_sha256, \
             content_sha256, length_bytes, coding, packed, written_ms) \
             VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12)",
        )
        .bind(id)
        .bind(job_id)
        .bind(&new.kind)
        .bind(new.version)
        .bind(&new.form)
        .bind(&new.program_version)
        .bind(&new.data_sha256)
        .bind(hash(&new.bytes))
        .bind(i64::try_from(new.bytes.len()).unwrap_or(i64::MAX))
        .bind(CODING)
        .bind(packed)
        .bind(new.written.ms)
        .execute(&mut **tx)
        .await
        .map_err(self.fail())?;
        Ok(id)
    }

    /// The documents of a job without their files, latest first.
    ///
    /// # Errors
    /// Problems of the database.
    pub async fn documents(&self, job_id: i64) -> Result<Vec<DocumentRecord>, StoreError> {
        let rows: Vec<Row> = sqlx::query_as(
            "SELECT id, kind, version, form, program_version, data_sha256, content_sha256, \
             length_bytes, written_ms FROM documents WHERE job_id = $1 ORDER BY id DESC",
        )
        .bind(job_id)
        .fetch_all(self.reader())
        .await
        .map_err(self.fail())?;
        Ok(rows.into_iter().map(record).collect())
    }

    /// One document with its file, checked.
    ///
    /// # Errors
    /// [`StoreError::Missing`], or [`StoreError::Damaged`] when the file is not what was kept.
    pub async fn document(&self, id: i64) -> Result<(DocumentRecord, Vec<u8>), StoreError> {
        let row: Option<Row> = sqlx::query_as(
            "SELECT id, kind, version, form, program_version, data_sha256, content_sha256, \
             length_bytes, written_ms FROM documents WHERE id = $1",
        )
        .bind(id)
        .fetch_optional(self.reader())
        .await
        .map_err(self.fail())?;
        let record = record(row.ok_or(StoreError::Missing {
            what: "document",
            id,
        })?);
        let (coding, packed): (String, Vec<u8>) =
            sqlx::query_as("SELECT coding, packed FROM documents WHERE id = $1")
                .bind(id)
                .fetch_one(self.reader())
                .await
                .map_err(self.fail())?;
        let length = usize::try_from(record.length_bytes).unwrap_or(0);
        let bytes =
            unpack(&coding, &packed, length, &record.content_sha256).map_err(|problem| {
                StoreError::Damaged {
                    file: self.file().to_owned(),
                    problem: format!("document {id}: {problem}"),
                }
            })?;
        Ok((record, bytes))
    }
}

fn record(row: Row) -> DocumentRecord {
    let (id, kind, version, form, program_version, data_sha256, content_sha256, length, written) =
        row;
    DocumentRecord {
        id,
        kind,
        version,
        form,
        program_version,
        data_sha256,
        content_sha256,
        length_bytes: length,
        written: Moment::from_ms(written),
    }
}

//! Findings as computed, with what they were computed from.

use serde::Serialize;
use sha2::{Digest, Sha256};
use sqlx::{Sqlite, Transaction};

use crate::error::StoreError;
use crate::moment::Moment;
use crate::record_file::FindingsNote;
use crate::recording_pack::hex;
use crate::store::Store;

/// Findings to be kept.
#[derive(Debug, Clone, PartialEq)]
pub struct NewFindings {
    /// Version of the program that computed them.
    pub program_version: String,
    /// Hash of the job's inputs they were computed from, by [`Store::inputs_sha256`].
    pub inputs_sha256: String,
    /// They were undetermined.
    pub undetermined: bool,
    /// Code of the most probable cause; empty where there was none.
    pub leading_cause: String,
    /// Its probability.
    pub probability: Option<f64>,
    /// The answer, `evenpull.assess/1`.
    pub answer_json: String,
}

/// Findings on record.
#[derive(Debug, Clone, PartialEq)]
pub struct FindingsRecord {
    /// Number.
    pub id: i64,
    /// As computed.
    pub findings: NewFindings,
    /// When they were computed.
    pub computed: Moment,
}

/// Findings without the answer, for lists.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct FindingsLine {
    /// Number.
    pub id: i64,
    /// Version of the program.
    pub program_version: String,
    /// Hash of the inputs.
    pub inputs_sha256: String,
    /// They were undetermined.
    pub undetermined: bool,
    /// Most probable cause.
    pub leading_cause: String,
    /// Its probability.
    pub probability: Option<f64>,
    /// When they were computed.
    pub computed: Moment,
}

type Row = (i64, String, String, i64, String, Option<f64>, String, i64);
type LineRow = (i64, String, String, i64, String, Option<f64>, i64);

impl Store {
    /// Hash over everything the findings of a job rest on: job text, profile and recordings.
    ///
    /// # Errors
    /// [`StoreError::Missing`].
    pub async fn inputs_sha256(&self, job_id: i64) -> Result<String, StoreError> {
        let texts = self.job_texts(job_id).await?;
        let mut hash = Sha256::new();
        for text in [&texts.job_toml, &texts.profile_toml] {
            hash.update((text.len() as u64).to_le_bytes());
            hash.update(text);
        }
        for (_, name, sha256) in self.recording_hashes(job_id).await? {
            hash.update((name.len() as u64).to_le_bytes());
            hash.update(name);
            hash.update(sha256);
        }
        Ok(hex(&hash.finalize()))
    }

    /// Keeps findings; older ones stay.
    ///
    /// # Errors
    /// [`StoreError::Missing`] for the job.
    pub async fn add_findings(
        &self,
        job_id: i64,
        new: &NewFindings,
        at: Moment,
    ) -> Result<i64, StoreError> {
        let mut tx = self.write(at).await?;
        self.must_have_job(&mut tx, job_id).await?;
        let id = self.insert_findings(&mut tx, job_id, new, at).await?;
        self.commit(tx).await?;
        Ok(id)
    }

    pub(crate) async fn insert_findings(
        &self,
        tx: &mut Transaction<'static, Sqlite>,
        job_id: i64,
        new: &NewFindings,
        at: Moment,
    ) -> Result<i64, StoreError> {
        let id = self.next_id(tx, "findings").await?;
        sqlx::query(
            "INSERT INTO findings (id, job_id, program_version, inputs_sha256, undetermined, \
             leading_cause, probability, answer_json, computed_ms) \
             VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9)",
        )
        .bind(id)
        .bind(job_id)
        .bind(&new.program_version)
        .bind(&new.inputs_sha256)
        .bind(i64::from(new.undetermined))
        .bind(&new.leading_cause)
        .bind(new.probability)
        .bind(&new.answer_json)
        .bind(at.ms)
        .execute(&mut **tx)
        .await
        .map_err(self.fail())?;
        Ok(id)
    }

    /// The findings of a job without their answers, latest first.
    ///
    /// # Errors
    /// Problems of the database.
    pub async fn findings(&self, job_id: i64) -> Result<Vec<FindingsLine>, StoreError> {
        let rows: Vec<LineRow> = sqlx::query_as(
            "SELECT id, program_version, inputs_sha256, undetermined, leading_cause, probability, \
             computed_ms FROM findings WHERE job_id = $1 ORDER BY id DESC",
        )
        .bind(job_id)
        .fetch_all(self.reader())
        .await
        .map_err(self.fail())?;
        let line = |(
            id,
            program_version,
            inputs_sha256,
            undetermined,
            leading_cause,
            p,
            computed,
        ): LineRow| {
            FindingsLine {
                id,
                program_version,
                inputs_sha256,
                undetermined: undetermined != 0,
                leading_cause,
                probability: p,
                computed: Moment::from_ms(computed),
            }
        };
        Ok(rows.into_iter().map(line).collect())
    }

    /// The latest findings of a job, with their answer.
    ///
    /// # Errors
    /// Problems of the database.
    pub async fn latest_findings(&self, job_id: i64) -> Result<Option<FindingsRecord>, StoreError> {
        let row: Option<Row> = sqlx::query_as(
            "SELECT id, program_version, inputs_sha256, undetermined, leading_cause, probability, \
             answer_json, computed_ms FROM findings WHERE job_id = $1 ORDER BY id DESC LIMIT 1",
        )
        .bind(job_id)
        .fetch_optional(self.reader())
        .await
        .map_err(self.fail())?;
        Ok(row.map(
            |(id, program_version, inputs_sha256, undetermined, cause, probability, json, ms)| {
                FindingsRecord {
                    id,
                    findings: NewFindings {
                        program_version,
                        inputs_sha256,
                        undetermined: undetermined != 0,
                        leading_cause: cause,
                        probability,
                        answer_json: json,
                    },
                    computed: Moment::from_ms(ms),
                }
            },
        ))
    }
}

impl From<&FindingsNote> for NewFindings {
    fn from(note: &FindingsNote) -> Self {
        Self {
            program_version: note.program_version.clone(),
            inputs_sha256: note.inputs_sha256.clone(),
            undetermined: note.undetermined,
            leading_cause: note.leading_cause.clone(),
            probability: note.probability,
            answer_json: note.answer_json.clone(),
        }
    }
}

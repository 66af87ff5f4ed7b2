//! How far the order of work has come.

use evenpull_job::Step;
use serde::Serialize;
use sqlx::{Sqlite, Transaction};

use crate::error::StoreError;
use crate::moment::Moment;
use crate::store::Store;

/// A step of the order of work, as noted.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct ProgressRecord {
    /// Number.
    pub id: i64,
    /// Step, in the words of the records.
    pub step: String,
    /// Done, or opened again.
    pub done: bool,
    /// Remark.
    pub note: String,
    /// When it was noted.
    pub noted: Moment,
}

impl Store {
    /// Notes a step as done, or as open again; the last word counts, earlier ones stay.
    ///
    /// # Errors
    /// [`StoreError::Missing`] for the job.
    pub async fn record_step(
        &self,
        job_id: i64,
        step: Step,
        done: bool,
        note: &str,
        at: Moment,
    ) -> Result<i64, StoreError> {
        let mut tx = self.write(at).await?;
        self.touch(&mut tx, job_id, at).await?;
        let id = self
            .insert_step(&mut tx, job_id, step.as_str(), done, note, at)
            .await?;
        self.commit(tx).await?;
        Ok(id)
    }

    pub(crate) async fn insert_step(
        &self,
        tx: &mut Transaction<'static, Sqlite>,
        job_id: i64,
        step: &str,
        done: bool,
        note: &str,
        at: Moment,
    ) -> Result<i64, StoreError> {
        let id = self.next_id(tx, "progress").await?;
        sqlx::query(
            "INSERT INTO progress (id, job_id, step, state, note, noted_ms) \
             VALUES ($1, $2, $3, $4, $5, $6)",
        )
        .bind(id)
        .bind(job_id)
        .bind(step)
        .bind(if done { "done" } else { "open" })
        .bind(note.trim())
        .bind(at.ms)
        .execute(&mut **tx)
        .await
        .map_err(self.fail())?;
        Ok(id)
    }

    /// Everything noted on the steps of a job, in order.
    ///
    /// # Errors
    /// Problems of the database.
    pub async fn progress(&self, job_id: i64) -> Result<Vec<ProgressRecord>, StoreError> {
        let rows: Vec<(i64, String, String, String, i64)> = sqlx::query_as(
            "SELECT id, step, state, note, noted_ms FROM progress WHERE job_id = $1 ORDER BY id",
        )
        .bind(job_id)
        .fetch_all(self.reader())
        .await
        .map_err(self.fail())?;
        let record = |(id, step, state, note, noted): (_, _, String, _, _)| ProgressRecord {
            id,
            step,
            done: state == "done",
            note,
            noted: Moment::from_ms(noted),
        };
        Ok(rows.into_iter().map(record).collect())
    }
}

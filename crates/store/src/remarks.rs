//! What was written down by hand for the owner: asked, found, done, declined, left out, next.

use serde::Serialize;
use sqlx::{Sqlite, Transaction};

use crate::error::StoreError;
use crate::moment::Moment;
use crate::store::Store;

/// Topics of a remark, in the words of the records.
pub const REMARK_TOPICS: [&str; 6] = [
    "asked",
    "found",
    "done",
    "declined",
    "not-checked",
    "next-check",
];
/// Longest remark [bytes]: a page of text.
const LONGEST: usize = 4000;

/// A remark on record.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct RemarkRecord {
    /// Number.
    pub id: i64,
    /// One of [`REMARK_TOPICS`].
    pub topic: String,
    /// The text.
    pub text: String,
    /// When it was noted.
    pub noted: Moment,
}

impl Store {
    /// Keeps a remark on a job.
    ///
    /// # Errors
    /// [`StoreError::Missing`] for the job, [`StoreError::Invalid`] for an unknown topic, an empty text
    /// or one above 4,000 bytes.
    pub async fn record_remark(
        &self,
        job_id: i64,
        topic: &str,
        text: &str,
        at: Moment,
    ) -> Result<i64, StoreError> {
        check(topic, text)?;
        let mut tx = self.write(at).await?;
        self.touch(&mut tx, job_id, at).await?;
        let id = self.insert_remark(&mut tx, job_id, topic, text, at).await?;
        self.commit(tx).await?;
        Ok(id)
    }

    /// Takes a remark out of the documents to come; it stays on record.
    ///
    /// # Errors
    /// [`StoreError::Missing`].
    pub async fn withdraw_remark(&self, id: i64, at: Moment) -> Result<(), StoreError> {
        let statement = "UPDATE remarks SET withdrawn_ms = $1 \
                         WHERE id = $2 AND withdrawn_ms IS NULL RETURNING job_id";
        self.withdraw(statement, "remark", id, at).await
    }

    pub(crate) async fn insert_remark(
        &self,
        tx: &mut Transaction<'static, Sqlite>,
        job_id: i64,
        topic: &str,
        text: &str,
        at: Moment,
    ) -> Result<i64, StoreError> {
        let id = self.next_id(tx, "remarks").await?;
        sqlx::query(
            "INSERT INTO remarks (id, job_id, topic, text, noted_ms, withdrawn_ms) \
             VALUES ($1, $2, $3, $4, $5, NULL)",
        )
        .bind(id)
        .bind(job_id)
        .bind(topic)
        .bind(text.trim())
        .bind(at.ms)
        .execute(&mut **tx)
        .await
        .map_err(self.fail())?;
        Ok(id)
    }

    /// The remarks on a job that count, in order.
    ///
    /// # Errors
    /// Problems of the database.
    pub async fn remarks(&self, job_id: i64) -> Result<Vec<RemarkRecord>, StoreError> {
        let rows: Vec<(i64, String, String, i64)> = sqlx::query_as(
            "SELECT id, topic, text, noted_ms FROM remarks \
             WHERE job_id = $1 AND withdrawn_ms IS NULL ORDER BY id",
        )
        .bind(job_id)
        .fetch_all(self.reader())
        .await
        .map_err(self.fail())?;
        let record = |(id, topic, text, noted)| RemarkRecord {
            id,
            topic,
            text,
            noted: Moment::from_ms(noted),
        };
        Ok(rows.into_iter().map(record).collect())
    }
}

/// Refuses what is no remark.
pub(crate) fn check(topic: &str, text: &str) -> Result<(), StoreError> {
    if !REMARK_TOPICS.contains(&topic) {
        return Err(StoreError::invalid(
            "topic",
            format!("`{topic}` is not known"),
            format!("use one of {}", REMARK_TOPICS.join(", ")),
        ));
    }
    if text.trim().is_empty() || text.len() > LONGEST {
        return Err(StoreError::invalid(
            "text",
            format!("{} bytes", text.trim().len()),
            format!("write one to {LONGEST} bytes"),
        ));
    }
    Ok(())
}

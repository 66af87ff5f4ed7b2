//! The stage of a job: it moves on by what is recorded, and back by hand alone.

use evenpull_job::Stage;
use serde::Serialize;
use sqlx::{Sqlite, Transaction};

use crate::error::StoreError;
use crate::moment::Moment;
use crate::store::Store;

/// What moved a job into a stage.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum MovedBy {
    /// Somebody chose the stage.
    Hand,
    /// A reading was kept: the machine is looked at as found.
    Reading,
    /// A seal as found was noted.
    Seal,
    /// A check was noted.
    Check,
    /// A turn was noted: tuning has begun.
    Turn,
}

/// A move from one stage into another.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct StageMove {
    /// Number.
    pub id: i64,
    /// Stage before.
    pub was: String,
    /// Stage after.
    pub stage: String,
    /// What moved it, a word of [`MovedBy`].
    pub why: String,
    /// When it moved.
    pub moved: Moment,
}

impl MovedBy {
    /// Everything that moves a job.
    pub(crate) const ALL: [Self; 5] = [
        Self::Hand,
        Self::Reading,
        Self::Seal,
        Self::Check,
        Self::Turn,
    ];

    /// The word used in records.
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Hand => "hand",
            Self::Reading => "reading",
            Self::Seal => "seal",
            Self::Check => "check",
            Self::Turn => "turn",
        }
    }

    /// The stage that this proves to have begun; none for a hand, which chooses.
    fn proves(self) -> Option<Stage> {
        match self {
            Self::Hand => None,
            Self::Reading | Self::Seal => Some(Stage::AsFound),
            Self::Check => Some(Stage::Checks),
            Self::Turn => Some(Stage::Tune),
        }
    }
}

impl Store {
    /// Puts a job into a stage, forward or back.
    ///
    /// # Errors
    /// [`StoreError::Missing`].
    pub async fn set_stage(&self, id: i64, stage: Stage, at: Moment) -> Result<(), StoreError> {
        let mut tx = self.write(at).await?;
        let was = self.stage_word(&mut tx, id).await?;
        if was != stage.as_str() {
            self.write_stage(&mut tx, id, &was, stage, MovedBy::Hand, at)
                .await?;
        }
        self.touch(&mut tx, id, at).await?;
        self.commit(tx).await
    }

    /// Moves a job on to the stage that something proves to have begun, never back; returns the stage
    /// it then stands in.
    ///
    /// Baseline, verify and handover are left to a hand: nothing that is recorded proves them.
    pub(crate) async fn move_on(
        &self,
        tx: &mut Transaction<'static, Sqlite>,
        id: i64,
        why: MovedBy,
        at: Moment,
    ) -> Result<String, StoreError> {
        let was = self.stage_word(tx, id).await?;
        // An unknown word can only come from a newer program; it is left alone.
        match (Stage::from_word(&was), why.proves()) {
            (Some(now), Some(begun)) if now < begun => {
                self.write_stage(tx, id, &was, begun, why, at).await?;
                Ok(begun.as_str().to_owned())
            }
            _ => Ok(was),
        }
    }

    pub(crate) async fn stage_word(
        &self,
        tx: &mut Transaction<'static, Sqlite>,
        id: i64,
    ) -> Result<String, StoreError> {
        let stage: Option<String> = sqlx::query_scalar("SELECT stage FROM jobs WHERE id = $1")
            .bind(id)
            .fetch_optional(&mut **tx)
            .await
            .map_err(self.fail())?;
        stage.ok_or(StoreError::Missing { what: "job", id })
    }

    async fn write_stage(
        &self,
        tx: &mut Transaction<'static, Sqlite>,
        job_id: i64,
        was: &str,
        stage: Stage,
        why: MovedBy,
        at: Moment,
    ) -> Result<(), StoreError> {
        sqlx::query("UPDATE jobs SET stage = $1 WHERE id = $2")
            .bind(stage.as_str())
            .bind(job_id)
            .execute(&mut **tx)
            .await
            .map_err(self.fail())?;
        self.insert_stage_move(tx, job_id, (was, stage.as_str()), why.as_str(), at)
            .await
    }

    pub(crate) async fn insert_stage_move(
        &self,
        tx: &mut Transaction<'static, Sqlite>,
        job_id: i64,
        (was, stage): (&str, &str),
        why: &str,
        at: Moment,
    ) -> Result<(), StoreError> {
        let id = self.next_id(tx, "stage_moves").await?;
        sqlx::query(
            "INSERT INTO stage_moves (id, job_id, was, stage, why, moved_ms) \
             VALUES ($1, $2, $3, $4, $5, $6)",
        )
        .bind(id)
        .bind(job_id)
        .bind(was)
        .bind(stage)
        .bind(why)
        .bind(at.ms)
        .execute(&mut **tx)
        .await
        .map_err(self.fail())?;
        Ok(())
    }

    /// The stages that a job went through, in order.
    ///
    /// # Errors
    /// Problems of the database.
    pub async fn stage_moves(&self, job_id: i64) -> Result<Vec<StageMove>, StoreError> {
        let rows: Vec<(i64, String, String, String, i64)> = sqlx::query_as(
            "SELECT id, was, stage, why, moved_ms FROM stage_moves WHERE job_id = $1 ORDER BY id",
        )
        .bind(job_id)
        .fetch_all(self.reader())
        .await
        .map_err(self.fail())?;
        let record = |(id, was, stage, why, moved)| StageMove {
            id,
            was,
            stage,
            why,
            moved: Moment::from_ms(moved),
        };
        Ok(rows.into_iter().map(record).collect())
    }
}

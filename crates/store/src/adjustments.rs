//! What was turned, and the written reasons for touching what is sealed.

use evenpull_job::{Override, Stage, permit};
use serde::Serialize;
use sqlx::{Sqlite, Transaction};

use crate::error::StoreError;
use crate::moment::Moment;
use crate::stages::MovedBy;
use crate::store::Store;

/// A turn on record.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct AdjustmentRecord {
    /// Number.
    pub id: i64,
    /// The reading that follows it, once there is one.
    pub reading_id: Option<i64>,
    /// The override it was made under, for a sealed part.
    pub override_id: Option<i64>,
    /// Stage of the job.
    pub stage: String,
    /// Adjuster.
    pub adjuster: String,
    /// Turns; positive = more opening or area.
    pub turns: f64,
    /// When it was made.
    pub made: Moment,
    /// When it was taken back; it does not count then.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub withdrawn: Option<Moment>,
}

impl AdjustmentRecord {
    /// Whether it counts: it was not taken back.
    pub fn counts(&self) -> bool {
        self.withdrawn.is_none()
    }
}

/// An override on record.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct OverrideRecord {
    /// Number.
    pub id: i64,
    /// Adjuster it is for.
    pub adjuster: String,
    /// Reason as written.
    pub reason: String,
    /// When it was given.
    pub given: Moment,
}

type Row = (
    i64,
    Option<i64>,
    Option<i64>,
    String,
    String,
    f64,
    i64,
    Option<i64>,
);

impl Store {
    /// Records the written reason for turning a sealed part of this job.
    ///
    /// # Errors
    /// [`StoreError::Refused`] for a reason that says too little, [`StoreError::Missing`],
    /// [`StoreError::Invalid`] for an adjuster the profile does not have.
    pub async fn record_override(
        &self,
        job_id: i64,
        adjuster: &str,
        reason: &Override,
        at: Moment,
    ) -> Result<i64, StoreError> {
        let mut tx = self.write(at).await?;
        let (_, profile) = self.stage_and_profile(&mut tx, job_id).await?;
        known_adjuster(&profile, adjuster)?;
        let id = self
            .insert_override(&mut tx, job_id, adjuster, reason.reason(), at)
            .await?;
        self.touch(&mut tx, job_id, at).await?;
        self.commit(tx).await?;
        Ok(id)
    }

    pub(crate) async fn insert_override(
        &self,
        tx: &mut Transaction<'static, Sqlite>,
        job_id: i64,
        adjuster: &str,
        reason: &str,
        at: Moment,
    ) -> Result<i64, StoreError> {
        let id = self.next_id(tx, "overrides").await?;
        sqlx::query(
            "INSERT INTO overrides (id, job_id, adjuster, reason, given_ms) \
             VALUES ($1, $2, $3, $4, $5)",
        )
        .bind(id)
        .bind(job_id)
        .bind(adjuster)
        .bind(reason)
        .bind(at.ms)
        .execute(&mut **tx)
        .await
        .map_err(self.fail())?;
        Ok(id)
    }

    /// Records what was turned; it is put before the reading that comes next.
    ///
    /// A sealed part needs the baseline stage and an override on record for it.
    ///
    /// # Errors
    /// [`StoreError::Refused`] for a sealed part otherwise, [`StoreError::Missing`],
    /// [`StoreError::Invalid`].
    pub async fn record_adjustment(
        &self,
        job_id: i64,
        adjuster: &str,
        turns: f64,
        at: Moment,
    ) -> Result<i64, StoreError> {
        if !turns.is_finite() || turns == 0.0 || turns.abs() > 50.0 {
            return Err(StoreError::invalid(
                format!("turns of {adjuster}"),
                format!("{turns} turns cannot be"),
                "write the turns made, positive for more opening or area",
            ));
        }
        let mut tx = self.write(at).await?;
        let (stage, profile) = self.stage_and_profile(&mut tx, job_id).await?;
        let found = known_adjuster(&profile, adjuster)?;
        let given: Option<(i64, String)> = sqlx::query_as(
            "SELECT id, reason FROM overrides WHERE job_id = $1 AND adjuster = $2 \
             ORDER BY id DESC LIMIT 1",
        )
        .bind(job_id)
        .bind(adjuster)
        .fetch_optional(&mut *tx)
        .await
        .map_err(self.fail())?;
        let reason = match &given {
            Some((_, text)) => Some(Override::new(text)?),
            None => None,
        };
        // An unknown word can only come from a newer program; it permits nothing.
        let now = Stage::from_word(&stage).unwrap_or(Stage::BookingIn);
        permit(&found, now, reason.as_ref())?;
        let stage = self.move_on(&mut tx, job_id, MovedBy::Turn, at).await?;
        let under = given.map(|(id, _)| id).filter(|_| found.kind.is_sealed());
        let id = self
            .insert_adjustment(&mut tx, job_id, &stage, adjuster, turns, under, at)
            .await?;
        self.touch(&mut tx, job_id, at).await?;
        self.commit(tx).await?;
        Ok(id)
    }

    #[expect(
        clippy::too_many_arguments,
        reason = "the columns of one row, each once"
    )]
    pub(crate) async fn insert_adjustment(
        &self,
        tx: &mut Transaction<'static, Sqlite>,
        job_id: i64,
        stage: &str,
        adjuster: &str,
        turns: f64,
        override_id: Option<i64>,
        at: Moment,
    ) -> Result<i64, StoreError> {
        let id = self.next_id(tx, "adjustments").await?;
        sqlx::query(
            "INSERT INTO adjustments (id, job_id, reading_id, override_id, stage, adjuster, turns, \
             made_ms) VALUES ($1, $2, NULL, $3, $4, $5, $6, $7)",
        )
        .bind(id)
        .bind(job_id)
        .bind(override_id)
        .bind(stage)
        .bind(adjuster)
        .bind(turns)
        .bind(at.ms)
        .execute(&mut **tx)
        .await
        .map_err(self.fail())?;
        Ok(id)
    }

    /// Takes back a turn that was noted by mistake; it stays on record and counts no more.
    ///
    /// # Errors
    /// [`StoreError::Missing`] for a turn that is not there or was taken back before.
    pub async fn withdraw_adjustment(&self, id: i64, at: Moment) -> Result<(), StoreError> {
        let statement = "UPDATE adjustments SET withdrawn_ms = $1 \
                         WHERE id = $2 AND withdrawn_ms IS NULL RETURNING job_id";
        self.withdraw(statement, "turn", id, at).await
    }

    /// Takes back what a statement marks as withdrawn; it is given time and number and returns the job.
    ///
    /// `what` names it where there is none of that number that counts.
    ///
    /// # Errors
    /// [`StoreError::Missing`].
    pub(crate) async fn withdraw(
        &self,
        statement: &'static str,
        what: &'static str,
        id: i64,
        at: Moment,
    ) -> Result<(), StoreError> {
        let mut tx = self.write(at).await?;
        let job_id: Option<i64> = sqlx::query_scalar(statement)
            .bind(at.ms)
            .bind(id)
            .fetch_optional(&mut *tx)
            .await
            .map_err(self.fail())?;
        let job_id = job_id.ok_or(StoreError::Missing { what, id })?;
        self.touch(&mut tx, job_id, at).await?;
        self.commit(tx).await
    }

    /// What was turned in a job, in order; what was taken back too.
    ///
    /// # Errors
    /// Problems of the database.
    pub async fn adjustments(&self, job_id: i64) -> Result<Vec<AdjustmentRecord>, StoreError> {
        let rows: Vec<Row> = sqlx::query_as(
            "SELECT id, reading_id, override_id, stage, adjuster, turns, made_ms, \
             withdrawn_ms FROM adjustments WHERE job_id = $1 ORDER BY id",
        )
        .bind(job_id)
        .fetch_all(self.reader())
        .await
        .map_err(self.fail())?;
        let record =
            |(id, reading_id, override_id, stage, adjuster, turns, made, withdrawn): Row| {
                AdjustmentRecord {
                    id,
                    reading_id,
                    override_id,
                    stage,
                    adjuster,
                    turns,
                    made: Moment::from_ms(made),
                    withdrawn: withdrawn.map(Moment::from_ms),
                }
            };
        Ok(rows.into_iter().map(record).collect())
    }

    /// The overrides of a job, in order.
    ///
    /// # Errors
    /// Problems of the database.
    pub async fn overrides(&self, job_id: i64) -> Result<Vec<OverrideRecord>, StoreError> {
        let rows: Vec<(i64, String, String, i64)> = sqlx::query_as(
            "SELECT id, adjuster, reason, given_ms FROM overrides WHERE job_id = $1 ORDER BY id",
        )
        .bind(job_id)
        .fetch_all(self.reader())
        .await
        .map_err(self.fail())?;
        let record = |(id, adjuster, reason, given)| OverrideRecord {
            id,
            adjuster,
            reason,
            given: Moment::from_ms(given),
        };
        Ok(rows.into_iter().map(record).collect())
    }
}

fn known_adjuster(
    profile: &evenpull_job::Profile,
    name: &str,
) -> Result<evenpull_job::Adjuster, StoreError> {
    let all = profile.adjusters();
    let names: Vec<String> = all.iter().map(|a| format!("`{}`", a.name)).collect();
    all.into_iter().find(|a| a.name == name).ok_or_else(|| {
        StoreError::invalid(
            format!("adjuster `{name}`"),
            "the profile has none of that name",
            format!("use one of {}", names.join(", ")),
        )
    })
}

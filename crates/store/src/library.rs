//! Which healthy jobs make the shop's library, and the switch that leaves one out.

use serde::Serialize;

use crate::error::StoreError;
use crate::moment::Moment;
use crate::store::Store;

/// A job whose latest findings call it sound.
#[derive(Debug, Clone, PartialEq)]
pub struct HealthyJob {
    /// Job.
    pub job_id: i64,
    /// Its machine.
    pub machine_id: i64,
    /// The machine's name.
    pub machine: String,
    /// Profile the job was done with, `evenpull.profile/1`.
    pub profile_toml: String,
    /// It was handed over or closed.
    pub handed_over: bool,
    /// The latest findings, as computed.
    pub answer_json: String,
}

/// The last word on a job's place in the library.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct LibrarySwitch {
    /// Job.
    pub job_id: i64,
    /// Taken in, else left out.
    pub taken_in: bool,
    /// Why.
    pub reason: String,
    /// When.
    pub set: Moment,
}

type HealthyRow = (i64, i64, String, String, String, Option<i64>, String);
type SwitchRow = (i64, i64, String, i64);

impl Store {
    /// Jobs whose latest findings are determined and name no cause, by number.
    ///
    /// # Errors
    /// Problems of the database.
    pub async fn healthy_jobs(&self) -> Result<Vec<HealthyJob>, StoreError> {
        let rows: Vec<HealthyRow> = sqlx::query_as(
            "SELECT j.id, j.machine_id, m.name, j.profile_toml, j.stage, j.closed_ms, f.answer_json \
             FROM findings f JOIN jobs j ON j.id = f.job_id JOIN machines m ON m.id = j.machine_id \
             WHERE f.id IN (SELECT MAX(id) FROM findings GROUP BY job_id) \
             AND f.leading_cause = 'none' AND f.undetermined = 0 ORDER BY j.id",
        )
        .fetch_all(self.reader())
        .await
        .map_err(self.fail())?;
        let job = |(job_id, machine_id, machine, profile_toml, stage, closed, answer_json): HealthyRow| {
            HealthyJob {
                job_id,
                machine_id,
                machine,
                profile_toml,
                handed_over: closed.is_some() || stage == "handover",
                answer_json,
            }
        };
        Ok(rows.into_iter().map(job).collect())
    }

    /// Leaves a job out of the library, or takes it in again; earlier words stay on record.
    ///
    /// # Errors
    /// [`StoreError::Missing`] for the job, [`StoreError::Invalid`] for leaving one out without a reason.
    pub async fn switch_library(
        &self,
        job_id: i64,
        taken_in: bool,
        reason: &str,
        at: Moment,
    ) -> Result<i64, StoreError> {
        let reason = reason.trim();
        if !taken_in && reason.is_empty() {
            return Err(StoreError::invalid(
                "library",
                "leaving a job out needs a reason",
                "say why its readings are no example of a healthy machine",
            ));
        }
        let mut tx = self.write(at).await?;
        self.must_have_job(&mut tx, job_id).await?;
        let id = self.next_id(&mut tx, "library_switches").await?;
        sqlx::query(
            "INSERT INTO library_switches (id, job_id, taken_in, reason, set_ms) \
             VALUES ($1, $2, $3, $4, $5)",
        )
        .bind(id)
        .bind(job_id)
        .bind(i64::from(taken_in))
        .bind(reason)
        .bind(at.ms)
        .execute(&mut *tx)
        .await
        .map_err(self.fail())?;
        self.commit(tx).await?;
        Ok(id)
    }

    /// The last word on every job that was switched, by job.
    ///
    /// # Errors
    /// Problems of the database.
    pub async fn library_switches(&self) -> Result<Vec<LibrarySwitch>, StoreError> {
        let rows: Vec<SwitchRow> = sqlx::query_as(
            "SELECT job_id, taken_in, reason, set_ms FROM library_switches \
             WHERE id IN (SELECT MAX(id) FROM library_switches GROUP BY job_id) ORDER BY job_id",
        )
        .fetch_all(self.reader())
        .await
        .map_err(self.fail())?;
        let switch = |(job_id, taken_in, reason, set): SwitchRow| LibrarySwitch {
            job_id,
            taken_in: taken_in != 0,
            reason,
            set: Moment::from_ms(set),
        };
        Ok(rows.into_iter().map(switch).collect())
    }
}

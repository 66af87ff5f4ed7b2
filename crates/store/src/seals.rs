//! Seals as found and as fitted, and checks made by hand.

use evenpull_job::{Profile, SealState};
use serde::{Deserialize, Serialize};
use sqlx::{Sqlite, Transaction};

use crate::error::StoreError;
use crate::job_text::JobParts;
use crate::jobs::check_texts;
use crate::moment::Moment;
use crate::stages::MovedBy;
use crate::store::Store;

/// When a seal was looked at.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum SealMoment {
    /// Before anything was touched; weighed with the findings.
    Found,
    /// As fitted by the shop, for handover.
    Fitted,
}

impl SealMoment {
    /// The word used in records.
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Found => "found",
            Self::Fitted => "fitted",
        }
    }
}

/// A seal on record.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct SealRecord {
    /// Number.
    pub id: i64,
    /// `found` or `fitted`.
    pub moment: String,
    /// Sealed part.
    pub part: String,
    /// State, in the words of the job file.
    pub state: String,
    /// When it was noted.
    pub noted: Moment,
}

/// A check on record.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct CheckRecord {
    /// Number.
    pub id: i64,
    /// Key of `[checks]`.
    pub name: String,
    /// Its value in TOML; empty where the check was taken back.
    pub value_toml: String,
    /// When it was noted.
    pub noted: Moment,
}

impl Store {
    /// Records the state of a seal; the last word on a part counts, earlier ones stay on record.
    ///
    /// # Errors
    /// [`StoreError::Missing`] for the job, [`StoreError::Text`] for a part the profile does not
    /// have.
    pub async fn record_seal(
        &self,
        job_id: i64,
        moment: SealMoment,
        part: &str,
        state: SealState,
        at: Moment,
    ) -> Result<i64, StoreError> {
        let mut tx = self.write(at).await?;
        let (mut parts, profile) = self.parts(&mut tx, job_id).await?;
        if moment == SealMoment::Fitted {
            sealed_part(&profile, part)?;
        }
        let id = self
            .insert_seal(&mut tx, job_id, moment, part, state.as_str(), at)
            .await?;
        if moment == SealMoment::Found {
            self.move_on(&mut tx, job_id, MovedBy::Seal, at).await?;
        }
        parts.seals = vec![(part.to_owned(), state.as_str().to_owned())];
        check_texts(&parts.text(), &profile)?;
        self.touch(&mut tx, job_id, at).await?;
        self.commit(tx).await?;
        Ok(id)
    }

    pub(crate) async fn insert_seal(
        &self,
        tx: &mut Transaction<'static, Sqlite>,
        job_id: i64,
        moment: SealMoment,
        part: &str,
        state: &str,
        at: Moment,
    ) -> Result<i64, StoreError> {
        let id = self.next_id(tx, "seals").await?;
        sqlx::query(
            "INSERT INTO seals (id, job_id, moment, part, state, noted_ms) \
             VALUES ($1, $2, $3, $4, $5, $6)",
        )
        .bind(id)
        .bind(job_id)
        .bind(moment.as_str())
        .bind(part)
        .bind(state)
        .bind(at.ms)
        .execute(&mut **tx)
        .await
        .map_err(self.fail())?;
        Ok(id)
    }

    /// Records a check made by hand, as a key of `[checks]` and its value in TOML.
    ///
    /// # Errors
    /// [`StoreError::Missing`] for the job, [`StoreError::Text`] for an unknown check or a value
    /// out of range.
    pub async fn record_check(
        &self,
        job_id: i64,
        name: &str,
        value_toml: &str,
        at: Moment,
    ) -> Result<i64, StoreError> {
        let (name, value_toml) = one_value(name, value_toml)?;
        let mut tx = self.write(at).await?;
        let id = self
            .insert_check(&mut tx, job_id, &name, &value_toml, at)
            .await?;
        if begins_the_checks(&name) {
            self.move_on(&mut tx, job_id, MovedBy::Check, at).await?;
        }
        self.touch(&mut tx, job_id, at).await?;
        let (parts, profile) = self.parts(&mut tx, job_id).await?;
        check_texts(&parts.text(), &profile)?;
        self.commit(tx).await?;
        Ok(id)
    }

    pub(crate) async fn insert_check(
        &self,
        tx: &mut Transaction<'static, Sqlite>,
        job_id: i64,
        name: &str,
        value_toml: &str,
        at: Moment,
    ) -> Result<i64, StoreError> {
        let id = self.next_id(tx, "checks").await?;
        sqlx::query(
            "INSERT INTO checks (id, job_id, name, value_toml, noted_ms) \
             VALUES ($1, $2, $3, $4, $5)",
        )
        .bind(id)
        .bind(job_id)
        .bind(name)
        .bind(value_toml)
        .bind(at.ms)
        .execute(&mut **tx)
        .await
        .map_err(self.fail())?;
        Ok(id)
    }

    /// Everything noted on the seals of a job, in order.
    ///
    /// # Errors
    /// Problems of the database.
    pub async fn seals(&self, job_id: i64) -> Result<Vec<SealRecord>, StoreError> {
        let rows: Vec<(i64, String, String, String, i64)> = sqlx::query_as(
            "SELECT id, moment, part, state, noted_ms FROM seals WHERE job_id = $1 ORDER BY id",
        )
        .bind(job_id)
        .fetch_all(self.reader())
        .await
        .map_err(self.fail())?;
        let record = |(id, moment, part, state, noted)| SealRecord {
            id,
            moment,
            part,
            state,
            noted: Moment::from_ms(noted),
        };
        Ok(rows.into_iter().map(record).collect())
    }

    /// Everything noted on the checks of a job, in order.
    ///
    /// # Errors
    /// Problems of the database.
    pub async fn checks(&self, job_id: i64) -> Result<Vec<CheckRecord>, StoreError> {
        let rows: Vec<(i64, String, String, i64)> = sqlx::query_as(
            "SELECT id, name, value_toml, noted_ms FROM checks WHERE job_id = $1 ORDER BY id",
        )
        .bind(job_id)
        .fetch_all(self.reader())
        .await
        .map_err(self.fail())?;
        let record = |(id, name, value_toml, noted)| CheckRecord {
            id,
            name,
            value_toml,
            noted: Moment::from_ms(noted),
        };
        Ok(rows.into_iter().map(record).collect())
    }
}

/// Whether a check on record shows that the checks have begun. Gauges are zeroed before any reading, and the bench
/// notes that by itself.
pub(crate) fn begins_the_checks(name: &str) -> bool {
    name != "gauges_zeroed"
}

/// The value of a check alone, so that no further key slips in with it.
pub(crate) fn one_value(name: &str, value_toml: &str) -> Result<(String, String), StoreError> {
    let line = format!("[checks]\n{} = {value_toml}\n", toml_edit::Key::new(name));
    let mut parts = JobParts::of(&line)?;
    match (parts.checks.pop(), parts.checks.is_empty()) {
        (Some(one), true) if parts.head_toml.is_empty() && parts.readings.is_empty() => Ok(one),
        _ => Err(StoreError::invalid(
            format!("check {name}"),
            "more than one value was given",
            "give one value",
        )),
    }
}

/// A sealed part, by the profile's names.
pub(crate) fn sealed_part(profile_toml: &str, part: &str) -> Result<(), StoreError> {
    let profile = Profile::from_toml("profile.toml", profile_toml)?;
    let sealed: Vec<String> = profile
        .adjusters()
        .into_iter()
        .filter(|a| a.kind.is_sealed())
        .map(|a| a.name)
        .collect();
    if sealed.iter().any(|name| name == part) {
        return Ok(());
    }
    Err(StoreError::invalid(
        format!("seal `{part}`"),
        "the profile has no such sealed part",
        format!("use one of {}", sealed.join(", ")),
    ))
}

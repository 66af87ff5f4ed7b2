//! Jobs: one visit of one machine.

use evenpull_job::{Job, Profile, Stage};
use serde::Serialize;
use sqlx::{Sqlite, SqliteConnection, Transaction};

use crate::error::StoreError;
use crate::fragment::Fragment;
use crate::job_text::{JobParts, head_with, head_with_entry};
use crate::moment::Moment;
use crate::searching::Sought;
use crate::store::Store;

/// File name of a stored job in messages and exports.
pub(crate) const JOB_FILE: &str = "job.toml";
/// File name of its profile.
pub(crate) const PROFILE_FILE: &str = "profile.toml";

/// A job to be booked in.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct NewJob {
    /// Machine.
    pub machine_id: i64,
    /// What the owner complains about.
    pub complaint: String,
    /// Odometer [km].
    pub odometer_km: Option<i64>,
    /// Keys of `evenpull.job/1` known so far: `[ambient]`, `[layout]`, `notes`, even readings'
    /// defaults are not needed. `format`, `profile` and `machine` are put in by the store.
    pub head_toml: String,
}

/// What a list of jobs shows.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct JobFilter {
    /// Found in machine or complaint, in capitals or not, with or without marks on the letters;
    /// empty for all.
    pub text: String,
    /// Of one machine.
    pub machine_id: Option<i64>,
    /// Only jobs that are not closed.
    pub open_only: bool,
    /// Only numbers below this; `i64::MAX` for the first page.
    pub before: i64,
    /// At most so many.
    pub limit: u32,
}

impl Default for JobFilter {
    fn default() -> Self {
        Self {
            text: String::new(),
            machine_id: None,
            open_only: false,
            before: i64::MAX,
            limit: 50,
        }
    }
}

/// A line of the list of jobs.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct JobLine {
    /// Number.
    pub id: i64,
    /// Machine's number.
    pub machine_id: i64,
    /// Machine's name.
    pub machine: String,
    /// Complaint.
    pub complaint: String,
    /// Odometer [km].
    pub odometer_km: Option<i64>,
    /// Stage it is in.
    pub stage: String,
    /// When it was closed.
    pub closed: Option<Moment>,
    /// When it was booked in.
    pub created: Moment,
    /// When it was last written to.
    pub changed: Moment,
    /// Counts up with every change.
    pub revision: i64,
    /// Readings that count.
    pub readings: i64,
    /// Leading cause of the latest findings; empty where there was none.
    pub leading_cause: Option<String>,
    /// Its probability.
    pub probability: Option<f64>,
    /// The latest findings were undetermined.
    pub undetermined: Option<bool>,
}

/// The texts of a stored job.
#[derive(Debug, Clone, PartialEq)]
pub struct JobTexts {
    /// `evenpull.job/1`.
    pub job_toml: String,
    /// `evenpull.profile/1`.
    pub profile_toml: String,
}

type LineRow = (
    i64,
    i64,
    String,
    String,
    Option<i64>,
    String,
    Option<i64>,
    i64,
    i64,
);
type LineMore = (i64, i64, Option<String>, Option<f64>, Option<i64>);

impl Store {
    /// Books a job in; returns its number.
    ///
    /// # Errors
    /// [`StoreError::Missing`] for the machine, [`StoreError::Text`] for keys with problems.
    pub async fn add_job(&self, new: &NewJob, at: Moment) -> Result<i64, StoreError> {
        let machine = self.machine(new.machine_id).await?;
        let mut tx = self.write(at).await?;
        let mut head = new.head_toml.clone();
        if JobParts::of(&head)?.machine.is_none() {
            let line = name_line(&machine.data.name);
            head = head_with(&head, "machine", Some(&line))?;
        }
        let id = self
            .insert_job(&mut tx, new, &head, &machine.data.profile_toml, at)
            .await?;
        self.commit(tx).await?;
        Ok(id)
    }

    pub(crate) async fn insert_job(
        &self,
        tx: &mut Transaction<'static, Sqlite>,
        new: &NewJob,
        head_toml: &str,
        profile_toml: &str,
        at: Moment,
    ) -> Result<i64, StoreError> {
        check_odometer(new.odometer_km)?;
        let parts = JobParts {
            profile: PROFILE_FILE.to_owned(),
            head_toml: head_toml.to_owned(),
            ..JobParts::default()
        };
        check_texts(&parts.text(), profile_toml)?;
        let id = self.next_id(tx, "jobs").await?;
        sqlx::query(
            "INSERT INTO jobs (id, machine_id, head_toml, profile_toml, complaint, odometer_km, \
             stage, closed_ms, created_ms, changed_ms, revision) \
             VALUES ($1, $2, $3, $4, $5, $6, $7, NULL, $8, $9, 1)",
        )
        .bind(id)
        .bind(new.machine_id)
        .bind(head_toml)
        .bind(profile_toml)
        .bind(new.complaint.trim())
        .bind(new.odometer_km)
        .bind(Stage::BookingIn.as_str())
        .bind(at.ms)
        .bind(at.ms)
        .execute(&mut **tx)
        .await
        .map_err(self.fail())?;
        Ok(id)
    }

    /// The jobs that a filter lets through, latest number first.
    ///
    /// # Errors
    /// Problems of the database.
    pub async fn jobs(&self, filter: &JobFilter) -> Result<Vec<JobLine>, StoreError> {
        let Some(sought) = Sought::new(&filter.text) else {
            return self.job_lines(filter, 0).await;
        };
        let mut lines = Vec::new();
        for id in self.jobs_that_hold(filter, &sought).await? {
            lines.push(self.job_line(id).await?);
        }
        Ok(lines)
    }

    /// Numbers of the jobs whose machine or complaint holds what is looked for, latest first.
    async fn jobs_that_hold(
        &self,
        filter: &JobFilter,
        sought: &Sought,
    ) -> Result<Vec<i64>, StoreError> {
        let rows: Vec<(i64, String, String)> = sqlx::query_as(
            "SELECT j.id, m.name, j.complaint FROM jobs j JOIN machines m ON m.id = j.machine_id \
             WHERE j.id < $1 AND ($2 = 0 OR j.machine_id = $2) \
             AND ($3 = 0 OR j.closed_ms IS NULL) ORDER BY j.id DESC",
        )
        .bind(filter.before)
        .bind(filter.machine_id.unwrap_or(0))
        .bind(i64::from(filter.open_only))
        .fetch_all(self.reader())
        .await
        .map_err(self.fail())?;
        let limit = usize::try_from(filter.limit).unwrap_or(usize::MAX);
        let found = rows
            .into_iter()
            .filter(|(_, machine, complaint)| sought.is_in(machine) || sought.is_in(complaint))
            .map(|(id, ..)| id);
        Ok(found.take(limit).collect())
    }

    /// One job as a line of the list.
    ///
    /// # Errors
    /// [`StoreError::Missing`].
    pub async fn job_line(&self, id: i64) -> Result<JobLine, StoreError> {
        let one = JobFilter {
            limit: 1,
            ..JobFilter::default()
        };
        let lines = self.job_lines(&one, id).await?;
        lines
            .into_iter()
            .next()
            .ok_or(StoreError::Missing { what: "job", id })
    }

    /// `id` 0 stands for every job; the text of the filter is left to [`Store::jobs`].
    async fn job_lines(&self, filter: &JobFilter, id: i64) -> Result<Vec<JobLine>, StoreError> {
        use sqlx::{FromRow, Row};
        // A condition that may hold for all keeps the database from its indexes: one job of 2,000
        // would be looked for among all of them.
        let one = if id == 0 { "$2 = 0" } else { "j.id = $2" };
        let machine = match filter.machine_id {
            None => "$3 = 0",
            Some(_) => "j.machine_id = $3",
        };
        let sql = format!(
            "SELECT j.id, j.machine_id, m.name, j.complaint, j.odometer_km, j.stage, j.closed_ms, \
             j.created_ms, j.changed_ms, j.revision, \
             (SELECT COUNT(*) FROM readings r WHERE r.job_id = j.id AND r.withdrawn_reason IS NULL), \
             f.leading_cause, f.probability, f.undetermined \
             FROM jobs j JOIN machines m ON m.id = j.machine_id \
             LEFT JOIN findings f ON f.id = (SELECT MAX(x.id) FROM findings x WHERE x.job_id = j.id) \
             WHERE j.id < $1 AND {one} AND {machine} \
             AND ($4 = 0 OR j.closed_ms IS NULL) ORDER BY j.id DESC LIMIT $5"
        );
        let rows = sqlx::query(sqlx::AssertSqlSafe(sql))
            .bind(filter.before)
            .bind(id)
            .bind(filter.machine_id.unwrap_or(0))
            .bind(i64::from(filter.open_only))
            .bind(i64::from(filter.limit))
            .fetch_all(self.reader())
            .await
            .map_err(self.fail())?;
        let mut lines = Vec::with_capacity(rows.len());
        for row in rows {
            // Longer rows than the driver's tuples take, so the end is read by place.
            let head = LineRow::from_row(&row).map_err(self.fail())?;
            let more: LineMore = (
                row.try_get(9).map_err(self.fail())?,
                row.try_get(10).map_err(self.fail())?,
                row.try_get(11).map_err(self.fail())?,
                row.try_get(12).map_err(self.fail())?,
                row.try_get(13).map_err(self.fail())?,
            );
            lines.push(line(head, more));
        }
        Ok(lines)
    }

    /// The texts of a job; a job without readings is not yet a valid `evenpull.job/1`.
    ///
    /// # Errors
    /// [`StoreError::Missing`].
    pub async fn job_texts(&self, id: i64) -> Result<JobTexts, StoreError> {
        let mut connection = self.reader().acquire().await.map_err(self.fail())?;
        let (parts, profile_toml) = self.parts(&mut connection, id).await?;
        Ok(JobTexts {
            job_toml: parts.text(),
            profile_toml,
        })
    }

    /// Sets one key or section of the job file's head, or takes it out.
    ///
    /// `section_toml` as in the file, `[ambient]` and its keys for the key `ambient`.
    ///
    /// # Errors
    /// [`StoreError::Missing`], or [`StoreError::Text`] for values with problems.
    pub async fn set_head(
        &self,
        id: i64,
        key: &str,
        section_toml: Option<&str>,
        at: Moment,
    ) -> Result<(), StoreError> {
        if ["format", "profile", "seals", "checks", "reading"].contains(&key) {
            return Err(StoreError::invalid(
                key,
                "has a place of its own in the records",
                "record it as what it is",
            ));
        }
        self.change_head(id, at, |head| head_with(head, key, section_toml))
            .await
    }

    /// Notes what each sensor read with the engine off; the rest of the air stays as it was booked.
    ///
    /// # Errors
    /// [`StoreError::Missing`], [`StoreError::Invalid`].
    pub async fn set_key_off(
        &self,
        id: i64,
        kpa: &[(String, f64)],
        at: Moment,
    ) -> Result<(), StoreError> {
        let mut entry = Fragment::new();
        entry.named("key_off_kpa", kpa);
        let change = |head: &str| head_with_entry(head, "ambient", entry.as_str());
        self.change_head(id, at, change).await
    }

    async fn change_head(
        &self,
        id: i64,
        at: Moment,
        change: impl FnOnce(&str) -> Result<String, StoreError>,
    ) -> Result<(), StoreError> {
        let mut tx = self.write(at).await?;
        let (mut parts, profile_toml) = self.parts(&mut tx, id).await?;
        parts.head_toml = change(&parts.head_toml)?;
        check_texts(&parts.text(), &profile_toml)?;
        sqlx::query("UPDATE jobs SET head_toml = $1 WHERE id = $2")
            .bind(&parts.head_toml)
            .bind(id)
            .execute(&mut *tx)
            .await
            .map_err(self.fail())?;
        self.touch(&mut tx, id, at).await?;
        self.commit(tx).await
    }

    /// Closes a job, or opens it again.
    ///
    /// # Errors
    /// [`StoreError::Missing`].
    pub async fn set_closed(&self, id: i64, closed: bool, at: Moment) -> Result<(), StoreError> {
        let mut tx = self.write(at).await?;
        sqlx::query("UPDATE jobs SET closed_ms = $1 WHERE id = $2")
            .bind(closed.then_some(at.ms))
            .bind(id)
            .execute(&mut *tx)
            .await
            .map_err(self.fail())?;
        self.touch(&mut tx, id, at).await?;
        self.commit(tx).await
    }

    /// Refuses a job that is not there, for what is kept beside a job and leaves it unchanged.
    pub(crate) async fn must_have_job(
        &self,
        tx: &mut Transaction<'static, Sqlite>,
        id: i64,
    ) -> Result<(), StoreError> {
        let known: Option<i64> = sqlx::query_scalar("SELECT id FROM jobs WHERE id = $1")
            .bind(id)
            .fetch_optional(&mut **tx)
            .await
            .map_err(self.fail())?;
        known
            .map(drop)
            .ok_or(StoreError::Missing { what: "job", id })
    }

    /// Notes that a job was written to.
    pub(crate) async fn touch(
        &self,
        tx: &mut Transaction<'static, Sqlite>,
        id: i64,
        at: Moment,
    ) -> Result<(), StoreError> {
        let done =
            sqlx::query("UPDATE jobs SET changed_ms = $1, revision = revision + 1 WHERE id = $2")
                .bind(at.ms)
                .bind(id)
                .execute(&mut **tx)
                .await
                .map_err(self.fail())?;
        if done.rows_affected() == 0 {
            return Err(StoreError::Missing { what: "job", id });
        }
        Ok(())
    }

    /// The stage of a job and its profile, read inside a transaction.
    pub(crate) async fn stage_and_profile(
        &self,
        tx: &mut Transaction<'static, Sqlite>,
        id: i64,
    ) -> Result<(String, Profile), StoreError> {
        let row: Option<(String, String)> =
            sqlx::query_as("SELECT stage, profile_toml FROM jobs WHERE id = $1")
                .bind(id)
                .fetch_optional(&mut **tx)
                .await
                .map_err(self.fail())?;
        let (stage, profile) = row.ok_or(StoreError::Missing { what: "job", id })?;
        Ok((stage, Profile::from_toml(PROFILE_FILE, &profile)?))
    }

    /// A job in pieces, with its profile's text.
    pub(crate) async fn parts(
        &self,
        connection: &mut SqliteConnection,
        id: i64,
    ) -> Result<(JobParts, String), StoreError> {
        let row: Option<(String, String)> =
            sqlx::query_as("SELECT head_toml, profile_toml FROM jobs WHERE id = $1")
                .bind(id)
                .fetch_optional(&mut *connection)
                .await
                .map_err(self.fail())?;
        let (head_toml, profile_toml) = row.ok_or(StoreError::Missing { what: "job", id })?;
        // The last word on a part or check counts, in the order of their first; an empty one takes a
        // check back.
        let seals: Vec<(String, String)> = sqlx::query_as(
            "SELECT s.part, s.state FROM seals s JOIN \
             (SELECT MIN(id) AS first_id, MAX(id) AS last_id FROM seals \
              WHERE job_id = $1 AND moment = 'found' GROUP BY part) p ON p.last_id = s.id \
             ORDER BY p.first_id",
        )
        .bind(id)
        .fetch_all(&mut *connection)
        .await
        .map_err(self.fail())?;
        let checks: Vec<(String, String)> = sqlx::query_as(
            "SELECT c.name, c.value_toml FROM checks c JOIN \
             (SELECT MIN(id) AS first_id, MAX(id) AS last_id FROM checks \
              WHERE job_id = $1 GROUP BY name) p ON p.last_id = c.id \
             WHERE c.value_toml <> '' ORDER BY p.first_id",
        )
        .bind(id)
        .fetch_all(&mut *connection)
        .await
        .map_err(self.fail())?;
        let readings = self.reading_parts(connection, id).await?;
        let parts = JobParts {
            profile: PROFILE_FILE.to_owned(),
            machine: None,
            head_toml,
            seals,
            checks,
            readings,
        };
        Ok((parts, profile_toml))
    }
}

/// Refuses what no odometer shows.
pub(crate) fn check_odometer(odometer_km: Option<i64>) -> Result<(), StoreError> {
    match odometer_km.filter(|km| !(0..10_000_000).contains(km)) {
        None => Ok(()),
        Some(km) => Err(StoreError::invalid(
            "odometer",
            format!("{km} km cannot be"),
            "write whole kilometres as shown",
        )),
    }
}

/// The line of a job file that names the machine.
pub(crate) fn name_line(machine: &str) -> String {
    let mut line = crate::fragment::Fragment::new();
    line.text("machine", machine);
    line.as_str().to_owned()
}

/// Refuses texts that could not be read again.
pub(crate) fn check_texts(job_toml: &str, profile_toml: &str) -> Result<Job, StoreError> {
    let profile = Profile::from_toml(PROFILE_FILE, profile_toml)?;
    Ok(Job::draft_from_toml(JOB_FILE, job_toml, &profile)?)
}

fn line(row: LineRow, more: LineMore) -> JobLine {
    let (id, machine_id, machine, complaint, odometer_km, stage, closed, created, changed) = row;
    let (revision, readings, leading_cause, probability, undetermined) = more;
    JobLine {
        id,
        machine_id,
        machine,
        complaint,
        odometer_km,
        stage,
        closed: closed.map(Moment::from_ms),
        created: Moment::from_ms(created),
        changed: Moment::from_ms(changed),
        revision,
        readings,
        leading_cause,
        probability,
        undetermined: undetermined.map(|n| n != 0),
    }
}

//! What a booking said wrongly, put right: what stood there before stays on record.

use evenpull_job::Job;
use serde::Serialize;
use sqlx::{Sqlite, Transaction};

use crate::error::StoreError;
use crate::fragment::Fragment;
use crate::job_text::{JobParts, head_with, head_with_entry, head_without_entry};
use crate::jobs::{check_odometer, check_texts, name_line};
use crate::machines::{Machine, checked_name};
use crate::moment::Moment;
use crate::owners::NewOwner;
use crate::record_file::CorrectionNote;
use crate::store::Store;

/// What the booking of a job says.
#[derive(Debug, Clone, PartialEq)]
pub struct Booking {
    /// What the owner complains about.
    pub complaint: String,
    /// Odometer [km].
    pub odometer_km: Option<i64>,
    /// Barometer at the bench [kPa].
    pub pressure_kpa: Option<f64>,
    /// Temperature at the bench [C].
    pub temperature_c: Option<f64>,
}

/// What the entry of a machine says, but its profile.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct MachineBooking {
    /// Name in the shop's words.
    pub name: String,
    /// Registration; it leads to the owner.
    pub registration: String,
    /// Its owner; `None` leaves the owner as it is.
    pub owner: Option<NewOwner>,
}

/// One value that was corrected.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct CorrectionRecord {
    /// Number.
    pub id: i64,
    /// Which value: a field of [`Booking`] or [`MachineBooking`], or of its owner.
    pub field: String,
    /// What stood there before; empty where nothing did.
    pub was: String,
    /// When it was corrected.
    pub corrected: Moment,
}

/// What a corrected value belongs to, by number.
#[derive(Debug, Clone, Copy)]
pub(crate) enum Corrected {
    Job(i64),
    Machine(i64),
    Owner(i64),
}

impl Store {
    /// What the booking of a job says by now.
    ///
    /// # Errors
    /// [`StoreError::Missing`].
    pub async fn booking(&self, job_id: i64) -> Result<Booking, StoreError> {
        let line = self.job_line(job_id).await?;
        let texts = self.job_texts(job_id).await?;
        let job = check_texts(&texts.job_toml, &texts.profile_toml)?;
        Ok(booking_of(line.complaint, line.odometer_km, &job))
    }

    /// Corrects the booking of a job; each value that changes is noted with what stood there.
    ///
    /// # Errors
    /// [`StoreError::Missing`], [`StoreError::Invalid`] and [`StoreError::Text`] for values that cannot be.
    pub async fn correct_booking(
        &self,
        job_id: i64,
        new: &Booking,
        at: Moment,
    ) -> Result<(), StoreError> {
        check_odometer(new.odometer_km)?;
        let mut tx = self.write(at).await?;
        let row: Option<(String, Option<i64>)> =
            sqlx::query_as("SELECT complaint, odometer_km FROM jobs WHERE id = $1")
                .bind(job_id)
                .fetch_optional(&mut *tx)
                .await
                .map_err(self.fail())?;
        let (complaint, odometer_km) = row.ok_or(StoreError::Missing {
            what: "job",
            id: job_id,
        })?;
        let (mut parts, profile) = self.parts(&mut tx, job_id).await?;
        let stood = check_texts(&parts.text(), &profile)?;
        let changed = changes(&booking_of(complaint, odometer_km, &stood), new);
        if changed.is_empty() {
            return Ok(());
        }
        for (key, value) in [
            ("pressure_kpa", new.pressure_kpa),
            ("temperature_c", new.temperature_c),
        ] {
            if changed.iter().any(|(field, _)| *field == key) {
                parts.head_toml = with_air(&parts.head_toml, key, value)?;
            }
        }
        check_texts(&parts.text(), &profile)?;
        sqlx::query(
            "UPDATE jobs SET complaint = $1, odometer_km = $2, head_toml = $3 WHERE id = $4",
        )
        .bind(new.complaint.trim())
        .bind(new.odometer_km)
        .bind(&parts.head_toml)
        .bind(job_id)
        .execute(&mut *tx)
        .await
        .map_err(self.fail())?;
        for (field, was) in changed {
            let of = Corrected::Job(job_id);
            self.note_correction(&mut tx, of, field, &was, at).await?;
        }
        self.touch(&mut tx, job_id, at).await?;
        self.commit(tx).await
    }

    /// Corrects name, registration and owner of a machine; each value that changes is noted with what
    /// stood there. A machine without an owner gets the one that is given. Jobs that are open take the
    /// name over; closed ones keep the name they were done under.
    ///
    /// # Errors
    /// [`StoreError::Missing`], or as [`Store::add_machine`] and [`Store::add_owner`].
    pub async fn correct_machine(
        &self,
        id: i64,
        new: &MachineBooking,
        at: Moment,
    ) -> Result<(), StoreError> {
        let stood = self.machine(id).await?.data;
        let name = checked_name(&new.name)?;
        let mut tx = self.write(at).await?;
        let mut owner_id = stood.owner_id;
        match (&new.owner, stood.owner_id) {
            (Some(owner), Some(known)) => self.update_owner(&mut tx, known, owner, at).await?,
            (Some(owner), None) => owner_id = Some(self.insert_owner(&mut tx, owner, at).await?),
            (None, _) => {}
        }
        sqlx::query(
            "UPDATE machines SET name = $1, registration = $2, owner_id = $3 WHERE id = $4",
        )
        .bind(name)
        .bind(new.registration.trim())
        .bind(owner_id)
        .bind(id)
        .execute(&mut *tx)
        .await
        .map_err(self.fail())?;
        let of = Corrected::Machine(id);
        if stood.name != name {
            self.note_correction(&mut tx, of, "name", &stood.name, at)
                .await?;
            self.rename_open_jobs(&mut tx, id, &stood.name, name, at)
                .await?;
        }
        if stood.registration != new.registration.trim() {
            let was = &stood.registration;
            self.note_correction(&mut tx, of, "registration", was, at)
                .await?;
        }
        self.commit(tx).await
    }

    async fn rename_open_jobs(
        &self,
        tx: &mut Transaction<'static, Sqlite>,
        machine_id: i64,
        was: &str,
        name: &str,
        at: Moment,
    ) -> Result<(), StoreError> {
        let open: Vec<(i64, String)> = sqlx::query_as(
            "SELECT id, head_toml FROM jobs WHERE machine_id = $1 AND closed_ms IS NULL \
             ORDER BY id",
        )
        .bind(machine_id)
        .fetch_all(&mut **tx)
        .await
        .map_err(self.fail())?;
        for (id, head) in open {
            // A job file may have brought a name of its own.
            if JobParts::of(&head)?.machine.as_deref() != Some(was) {
                continue;
            }
            let renamed = head_with(&head, "machine", Some(&name_line(name)))?;
            sqlx::query("UPDATE jobs SET head_toml = $1 WHERE id = $2")
                .bind(renamed)
                .bind(id)
                .execute(&mut **tx)
                .await
                .map_err(self.fail())?;
            self.touch(tx, id, at).await?;
        }
        Ok(())
    }

    pub(crate) async fn note_correction(
        &self,
        tx: &mut Transaction<'static, Sqlite>,
        of: Corrected,
        field: &str,
        was: &str,
        at: Moment,
    ) -> Result<(), StoreError> {
        let (job_id, machine_id, owner_id) = match of {
            Corrected::Job(id) => (Some(id), None, None),
            Corrected::Machine(id) => (None, Some(id), None),
            Corrected::Owner(id) => (None, None, Some(id)),
        };
        let id = self.next_id(tx, "corrections").await?;
        sqlx::query(
            "INSERT INTO corrections (id, job_id, machine_id, owner_id, field, was, corrected_ms) \
             VALUES ($1, $2, $3, $4, $5, $6, $7)",
        )
        .bind(id)
        .bind(job_id)
        .bind(machine_id)
        .bind(owner_id)
        .bind(field)
        .bind(was)
        .bind(at.ms)
        .execute(&mut **tx)
        .await
        .map_err(self.fail())?;
        Ok(())
    }

    /// What was corrected in the booking of a job, in order.
    ///
    /// # Errors
    /// Problems of the database.
    pub async fn corrections(&self, job_id: i64) -> Result<Vec<CorrectionRecord>, StoreError> {
        let rows: Vec<Row> = sqlx::query_as(
            "SELECT id, field, was, corrected_ms FROM corrections WHERE job_id = $1 ORDER BY id",
        )
        .bind(job_id)
        .fetch_all(self.reader())
        .await
        .map_err(self.fail())?;
        Ok(rows.into_iter().map(record).collect())
    }

    /// What was corrected in the booking of a job, its machine and its owner, for an export. What leads to
    /// an owner is left out with the owner, and where it leads to another than that of the job.
    pub(crate) async fn correction_notes(
        &self,
        (job_id, machine): (i64, &Machine),
        owner_id: Option<i64>,
        with_owner: bool,
    ) -> Result<Vec<CorrectionNote>, StoreError> {
        type Row = (Option<i64>, Option<i64>, Option<i64>, String, String, i64);
        let rows: Vec<Row> = sqlx::query_as(
            "SELECT job_id, machine_id, owner_id, field, was, corrected_ms FROM corrections \
             WHERE job_id = $1 OR machine_id = $2 OR (machine_id IS NULL AND owner_id = $3) ORDER BY id",
        )
        .bind(job_id)
        .bind(machine.id)
        .bind(owner_id)
        .fetch_all(self.reader())
        .await
        .map_err(self.fail())?;
        let note = |(job, on_machine, owner, field, was, at): Row| {
            let of = match (job, on_machine) {
                (Some(_), _) => "job",
                (None, Some(_)) => "machine",
                (None, None) => "owner",
            };
            let theirs = owner.or(machine.data.owner_id) == owner_id;
            let personal = of == "owner" || (of == "machine" && field == "registration");
            (!personal || (with_owner && theirs)).then(|| CorrectionNote {
                of: of.to_owned(),
                field,
                was,
                corrected: Moment::from_ms(at),
            })
        };
        Ok(rows.into_iter().filter_map(note).collect())
    }

    /// What was corrected in the entry of a machine and of its present owner, in order.
    ///
    /// # Errors
    /// Problems of the database.
    pub async fn machine_corrections(
        &self,
        machine_id: i64,
    ) -> Result<Vec<CorrectionRecord>, StoreError> {
        let rows: Vec<Row> = sqlx::query_as(
            "SELECT c.id, c.field, c.was, c.corrected_ms FROM corrections c \
             WHERE c.machine_id = $1 \
             OR c.owner_id = (SELECT m.owner_id FROM machines m WHERE m.id = $1) ORDER BY c.id",
        )
        .bind(machine_id)
        .fetch_all(self.reader())
        .await
        .map_err(self.fail())?;
        Ok(rows.into_iter().map(record).collect())
    }
}

type Row = (i64, String, String, i64);

fn record((id, field, was, corrected): Row) -> CorrectionRecord {
    CorrectionRecord {
        id,
        field,
        was,
        corrected: Moment::from_ms(corrected),
    }
}

fn booking_of(complaint: String, odometer_km: Option<i64>, job: &Job) -> Booking {
    let air = &job.ambient;
    let measured = |is: bool, value: f64| is.then_some(value);
    Booking {
        complaint,
        odometer_km,
        pressure_kpa: measured(air.pressure_measured, air.pressure_kpa),
        temperature_c: measured(air.temperature_measured, air.temperature_c),
    }
}

/// The values that differ, each with what stood there.
fn changes(stood: &Booking, new: &Booking) -> Vec<(&'static str, String)> {
    let number = |v: Option<f64>| v.map_or_else(String::new, |v| v.to_string());
    let whole = |v: Option<i64>| v.map_or_else(String::new, |v| v.to_string());
    let complaint = stood.complaint != new.complaint.trim();
    let all = [
        (complaint, "complaint", stood.complaint.clone()),
        (
            stood.odometer_km != new.odometer_km,
            "odometer_km",
            whole(stood.odometer_km),
        ),
        (
            stood.pressure_kpa != new.pressure_kpa,
            "pressure_kpa",
            number(stood.pressure_kpa),
        ),
        (
            stood.temperature_c != new.temperature_c,
            "temperature_c",
            number(stood.temperature_c),
        ),
    ];
    let changed = all.into_iter().filter(|(changed, ..)| *changed);
    changed.map(|(_, field, was)| (field, was)).collect()
}

/// The head of a job with one value of the air around set, or taken out.
fn with_air(head_toml: &str, key: &str, value: Option<f64>) -> Result<String, StoreError> {
    let Some(value) = value else {
        return head_without_entry(head_toml, "ambient", key);
    };
    let mut entry = Fragment::new();
    entry.number(key, value);
    head_with_entry(head_toml, "ambient", entry.as_str())
}

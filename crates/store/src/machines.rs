//! Machines.

use serde::{Deserialize, Serialize};
use sqlx::{Sqlite, Transaction};

use evenpull_job::Profile;

use crate::error::StoreError;
use crate::moment::Moment;
use crate::searching::Sought;
use crate::store::Store;

/// A machine to be kept.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct NewMachine {
    /// Name in the shop's words.
    pub name: String,
    /// Registration; it leads to the owner and is deleted with them.
    pub registration: String,
    /// Text of its engine profile, `evenpull.profile/1`.
    pub profile_toml: String,
    /// Owner, if one is kept.
    pub owner_id: Option<i64>,
}

/// A machine on record.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Machine {
    /// Number.
    pub id: i64,
    /// Data.
    #[serde(flatten)]
    pub data: NewMachine,
    /// When the entry was made.
    pub created: Moment,
}

/// A line of the list of machines.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct MachineLine {
    /// Number.
    pub id: i64,
    /// Name.
    pub name: String,
    /// Registration.
    pub registration: String,
    /// Owner's number.
    pub owner_id: Option<i64>,
    /// Jobs on record.
    pub jobs: i64,
    /// Latest job.
    pub latest_job: Option<i64>,
}

type Row = (i64, String, String, String, Option<i64>, i64);
type LineRow = (i64, String, String, Option<i64>, i64, Option<i64>);

impl Store {
    /// Keeps a machine; returns its number.
    ///
    /// # Errors
    /// [`StoreError::Invalid`] without a name, [`StoreError::Text`] for a profile with problems.
    pub async fn add_machine(&self, new: &NewMachine, at: Moment) -> Result<i64, StoreError> {
        let mut tx = self.write(at).await?;
        let id = self.insert_machine(&mut tx, new, at).await?;
        self.commit(tx).await?;
        Ok(id)
    }

    pub(crate) async fn insert_machine(
        &self,
        tx: &mut Transaction<'static, Sqlite>,
        new: &NewMachine,
        at: Moment,
    ) -> Result<i64, StoreError> {
        let name = checked_name(&new.name)?;
        Profile::from_toml("profile.toml", &new.profile_toml)?;
        let id = self.next_id(tx, "machines").await?;
        sqlx::query(
            "INSERT INTO machines (id, name, registration, profile_toml, owner_id, created_ms) \
             VALUES ($1, $2, $3, $4, $5, $6)",
        )
        .bind(id)
        .bind(name)
        .bind(new.registration.trim())
        .bind(&new.profile_toml)
        .bind(new.owner_id)
        .bind(at.ms)
        .execute(&mut **tx)
        .await
        .map_err(|e| match (&e, new.owner_id) {
            (sqlx::Error::Database(d), Some(id)) if d.is_foreign_key_violation() => {
                StoreError::Missing { what: "owner", id }
            }
            _ => self.fail()(e),
        })?;
        Ok(id)
    }

    /// Changes name, registration, profile and owner; jobs keep the profile they were done with.
    ///
    /// # Errors
    /// [`StoreError::Missing`], or as [`Store::add_machine`].
    pub async fn change_machine(
        &self,
        id: i64,
        new: &NewMachine,
        at: Moment,
    ) -> Result<(), StoreError> {
        let name = checked_name(&new.name)?;
        Profile::from_toml("profile.toml", &new.profile_toml)?;
        let mut tx = self.write(at).await?;
        let done = sqlx::query(
            "UPDATE machines SET name = $1, registration = $2, profile_toml = $3, owner_id = $4 \
             WHERE id = $5",
        )
        .bind(name)
        .bind(new.registration.trim())
        .bind(&new.profile_toml)
        .bind(new.owner_id)
        .bind(id)
        .execute(&mut *tx)
        .await
        .map_err(self.fail())?;
        if done.rows_affected() == 0 {
            return Err(StoreError::Missing {
                what: "machine",
                id,
            });
        }
        self.commit(tx).await
    }

    /// One machine.
    ///
    /// # Errors
    /// [`StoreError::Missing`].
    pub async fn machine(&self, id: i64) -> Result<Machine, StoreError> {
        let row: Option<Row> = sqlx::query_as(
            "SELECT id, name, registration, profile_toml, owner_id, created_ms FROM machines \
             WHERE id = $1",
        )
        .bind(id)
        .fetch_optional(self.reader())
        .await
        .map_err(self.fail())?;
        let (id, name, registration, profile_toml, owner_id, created_ms) =
            row.ok_or(StoreError::Missing {
                what: "machine",
                id,
            })?;
        Ok(Machine {
            id,
            data: NewMachine {
                name,
                registration,
                profile_toml,
                owner_id,
            },
            created: Moment::from_ms(created_ms),
        })
    }

    /// Machines whose name or registration holds `text`, in capitals or not and with or without marks
    /// on the letters, newest first, at most `limit` with a number below `before` (`i64::MAX` for the
    /// first page).
    ///
    /// # Errors
    /// Problems of the database.
    pub async fn machines(
        &self,
        text: &str,
        before: i64,
        limit: u32,
    ) -> Result<Vec<MachineLine>, StoreError> {
        let sought = Sought::new(text);
        let rows: Vec<LineRow> = sqlx::query_as(
            "SELECT m.id, m.name, m.registration, m.owner_id, \
             (SELECT COUNT(*) FROM jobs j WHERE j.machine_id = m.id), \
             (SELECT MAX(j.id) FROM jobs j WHERE j.machine_id = m.id) \
             FROM machines m \
             WHERE m.id < $1 ORDER BY m.id DESC LIMIT $2",
        )
        .bind(before)
        .bind(sought.as_ref().map_or(i64::from(limit), |_| i64::MAX))
        .fetch_all(self.reader())
        .await
        .map_err(self.fail())?;
        let line = |(id, name, registration, owner_id, jobs, latest_job)| MachineLine {
            id,
            name,
            registration,
            owner_id,
            jobs,
            latest_job,
        };
        let held = |row: &LineRow| {
            let texts = [&row.1, &row.2];
            let mut texts = texts.into_iter();
            sought
                .as_ref()
                .is_none_or(|s| texts.any(|text| s.is_in(text)))
        };
        let limit = usize::try_from(limit).unwrap_or(usize::MAX);
        let found = rows.into_iter().filter(held).take(limit);
        Ok(found.map(line).collect())
    }
}

pub(crate) fn checked_name(name: &str) -> Result<&str, StoreError> {
    let name = name.trim();
    if name.is_empty() {
        return Err(StoreError::invalid(
            "machine",
            "the name is empty",
            "name it as the shop does",
        ));
    }
    Ok(name)
}

//! Owners: personal data, apart from everything technical.

use serde::{Deserialize, Serialize};
use sqlx::{Sqlite, Transaction};

use crate::corrections::Corrected;
use crate::day::day;
use crate::error::StoreError;
use crate::moment::Moment;
use crate::store::Store;

/// An owner to be kept.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct NewOwner {
    /// Name.
    pub name: String,
    /// Telephone, post or mail, in one text.
    pub contact: String,
    /// Consent to photos and road test, and the like.
    pub note: String,
    /// Last day the data may be kept, `YYYY-MM-DD`.
    pub retain_until: String,
}

/// An owner on record.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Owner {
    /// Number.
    pub id: i64,
    /// Data.
    #[serde(flatten)]
    pub data: NewOwner,
    /// When the entry was made.
    pub created: Moment,
}

type Row = (i64, String, String, String, String, i64);

fn owner(row: Row) -> Owner {
    let (id, name, contact, note, retain_until, created_ms) = row;
    Owner {
        id,
        data: NewOwner {
            name,
            contact,
            note,
            retain_until,
        },
        created: Moment::from_ms(created_ms),
    }
}

impl Store {
    /// Keeps an owner; returns the number.
    ///
    /// # Errors
    /// [`StoreError::Invalid`] without a name or with a date that is none.
    pub async fn add_owner(&self, new: &NewOwner, at: Moment) -> Result<i64, StoreError> {
        let mut tx = self.write(at).await?;
        let id = self.insert_owner(&mut tx, new, at).await?;
        self.commit(tx).await?;
        Ok(id)
    }

    pub(crate) async fn insert_owner(
        &self,
        tx: &mut Transaction<'static, Sqlite>,
        new: &NewOwner,
        at: Moment,
    ) -> Result<i64, StoreError> {
        checked(new)?;
        let id = self.next_id(tx, "owners").await?;
        sqlx::query(
            "INSERT INTO owners (id, name, contact, note, retain_until, created_ms) \
             VALUES ($1, $2, $3, $4, $5, $6)",
        )
        .bind(id)
        .bind(new.name.trim())
        .bind(new.contact.trim())
        .bind(new.note.trim())
        .bind(&new.retain_until)
        .bind(at.ms)
        .execute(&mut **tx)
        .await
        .map_err(self.fail())?;
        Ok(id)
    }

    /// Corrects an owner; what stood there before stays on record as long as the owner does.
    ///
    /// # Errors
    /// [`StoreError::Missing`], or as [`Store::add_owner`].
    pub async fn correct_owner(
        &self,
        id: i64,
        new: &NewOwner,
        at: Moment,
    ) -> Result<(), StoreError> {
        let mut tx = self.write(at).await?;
        self.update_owner(&mut tx, id, new, at).await?;
        self.commit(tx).await
    }

    pub(crate) async fn update_owner(
        &self,
        tx: &mut Transaction<'static, Sqlite>,
        id: i64,
        new: &NewOwner,
        at: Moment,
    ) -> Result<(), StoreError> {
        checked(new)?;
        let stood: Option<(String, String, String, String)> =
            sqlx::query_as("SELECT name, contact, note, retain_until FROM owners WHERE id = $1")
                .bind(id)
                .fetch_optional(&mut **tx)
                .await
                .map_err(self.fail())?;
        let stood = stood.ok_or(StoreError::Missing { what: "owner", id })?;
        sqlx::query(
            "UPDATE owners SET name = $1, contact = $2, note = $3, retain_until = $4 WHERE id = $5",
        )
        .bind(new.name.trim())
        .bind(new.contact.trim())
        .bind(new.note.trim())
        .bind(&new.retain_until)
        .bind(id)
        .execute(&mut **tx)
        .await
        .map_err(self.fail())?;
        let fields = [
            ("owner", &stood.0, new.name.trim()),
            ("contact", &stood.1, new.contact.trim()),
            ("note", &stood.2, new.note.trim()),
            ("retain_until", &stood.3, &new.retain_until),
        ];
        for (field, was, now) in fields {
            if was != now {
                let of = Corrected::Owner(id);
                self.note_correction(tx, of, field, was, at).await?;
            }
        }
        Ok(())
    }

    /// Every owner, the one whose date comes first at the head.
    ///
    /// # Errors
    /// Problems of the database.
    pub async fn owners(&self) -> Result<Vec<Owner>, StoreError> {
        let rows: Vec<Row> = sqlx::query_as(
            "SELECT id, name, contact, note, retain_until, created_ms FROM owners \
             ORDER BY retain_until, id",
        )
        .fetch_all(self.reader())
        .await
        .map_err(self.fail())?;
        Ok(rows.into_iter().map(owner).collect())
    }

    /// One owner.
    ///
    /// # Errors
    /// [`StoreError::Missing`].
    pub async fn owner(&self, id: i64) -> Result<Owner, StoreError> {
        let row: Option<Row> = sqlx::query_as(
            "SELECT id, name, contact, note, retain_until, created_ms FROM owners WHERE id = $1",
        )
        .bind(id)
        .fetch_optional(self.reader())
        .await
        .map_err(self.fail())?;
        row.map(owner)
            .ok_or(StoreError::Missing { what: "owner", id })
    }

    /// Deletes an owner with the registrations that lead to them, those of machines sold since too;
    /// technical records stay.
    ///
    /// The place in the file is overwritten. Backups made before still hold the owner.
    ///
    /// # Errors
    /// [`StoreError::Missing`].
    pub async fn delete_owner(&self, id: i64, at: Moment) -> Result<(), StoreError> {
        let mut tx = self.write(at).await?;
        // What is noted of the owner's own data goes with the row of the owner.
        sqlx::query(
            "DELETE FROM corrections WHERE field = 'registration' \
             AND machine_id IN (SELECT id FROM machines WHERE owner_id = $1)",
        )
        .bind(id)
        .execute(&mut *tx)
        .await
        .map_err(self.fail())?;
        sqlx::query("UPDATE machines SET registration = '', owner_id = NULL WHERE owner_id = $1")
            .bind(id)
            .execute(&mut *tx)
            .await
            .map_err(self.fail())?;
        sqlx::query("UPDATE sales SET registration = '' WHERE owner_id = $1")
            .bind(id)
            .execute(&mut *tx)
            .await
            .map_err(self.fail())?;
        let gone = sqlx::query("DELETE FROM owners WHERE id = $1")
            .bind(id)
            .execute(&mut *tx)
            .await
            .map_err(self.fail())?;
        if gone.rows_affected() == 0 {
            return Err(StoreError::Missing { what: "owner", id });
        }
        self.commit(tx).await?;
        self.empty_log().await
    }

    /// Moves the database's log into the file, so that no older state of a page is left beside it.
    async fn empty_log(&self) -> Result<(), StoreError> {
        sqlx::query("PRAGMA wal_checkpoint(TRUNCATE)")
            .execute(self.writer()?)
            .await
            .map_err(self.fail())?;
        Ok(())
    }
}

/// Refuses what is no owner.
fn checked(new: &NewOwner) -> Result<(), StoreError> {
    if new.name.trim().is_empty() {
        return Err(StoreError::invalid(
            "owner",
            "the name is empty",
            "write a name",
        ));
    }
    if day(&new.retain_until).is_none() {
        return Err(StoreError::invalid(
            "retention date",
            format!("`{}` is no day", new.retain_until),
            "write a day of the calendar as YYYY-MM-DD",
        ));
    }
    Ok(())
}

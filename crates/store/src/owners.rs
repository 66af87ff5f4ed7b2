//! Owners: personal data, apart from everything technical.

use serde::{Deserialize, Serialize};
use sqlx::{Sqlite, Transaction};

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
        let name = new.name.trim();
        if name.is_empty() {
            return Err(StoreError::invalid(
                "owner",
                "the name is empty",
                "write a name",
            ));
        }
        check_date(&new.retain_until)?;
        let id = self.next_id(tx, "owners").await?;
        sqlx::query(
            "INSERT INTO owners (id, name, contact, note, retain_until, created_ms) \
             VALUES ($1, $2, $3, $4, $5, $6)",
        )
        .bind(id)
        .bind(name)
        .bind(new.contact.trim())
        .bind(new.note.trim())
        .bind(&new.retain_until)
        .bind(at.ms)
        .execute(&mut **tx)
        .await
        .map_err(self.fail())?;
        Ok(id)
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

    /// Deletes an owner with the registrations that lead to them; technical records stay.
    ///
    /// The place in the file is overwritten. Backups made before still hold the owner.
    ///
    /// # Errors
    /// [`StoreError::Missing`].
    pub async fn delete_owner(&self, id: i64, at: Moment) -> Result<(), StoreError> {
        let mut tx = self.write(at).await?;
        sqlx::query("UPDATE machines SET registration = '', owner_id = NULL WHERE owner_id = $1")
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

/// A day as `YYYY-MM-DD`, so that texts compare as days do.
fn check_date(text: &str) -> Result<(), StoreError> {
    let b = text.as_bytes();
    let digits = |range: std::ops::Range<usize>| b[range].iter().all(u8::is_ascii_digit);
    let shaped = b.len() == 10 && b[4] == b'-' && b[7] == b'-';
    let number = |range: std::ops::Range<usize>| text[range].parse::<u32>().unwrap_or(0);
    if shaped
        && digits(0..4)
        && digits(5..7)
        && digits(8..10)
        && (1..=12).contains(&number(5..7))
        && (1..=31).contains(&number(8..10))
    {
        return Ok(());
    }
    Err(StoreError::invalid(
        "retention date",
        format!("`{text}` is no day"),
        "write it as YYYY-MM-DD",
    ))
}

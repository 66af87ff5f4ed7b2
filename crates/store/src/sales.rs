//! Machines that are sold: the next owner from a day on, and who had them before.

use serde::Serialize;
use sqlx::{Sqlite, Transaction};

use crate::day::day;
use crate::error::StoreError;
use crate::moment::Moment;
use crate::owners::NewOwner;
use crate::store::Store;

/// Who has a machine after a sale.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Buyer {
    /// Nobody who is known here.
    Unknown,
    /// An owner on record, by number.
    OnRecord(i64),
    /// An owner to be kept.
    New(NewOwner),
}

/// A sale to be noted.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct NewSale {
    /// First day of the next owner, `YYYY-MM-DD`.
    pub sold_on: String,
    /// Latest job of the machine that was booked in before that day; 0 for none.
    pub until_job: i64,
    /// Registration from then on; empty where it is not known.
    pub registration: String,
    /// The next owner.
    pub buyer: Buyer,
}

/// A sale on record, with the owner before it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct SaleRecord {
    /// Number.
    pub id: i64,
    /// The owner before; `None` where none was known or the owner was deleted since.
    pub owner_id: Option<i64>,
    /// Registration before; goes with the owner.
    pub registration: String,
    /// First day of the next owner, `YYYY-MM-DD`.
    pub sold_on: String,
    /// Latest job of the owner before; 0 for none.
    pub until_job: i64,
    /// When it was noted.
    pub noted: Moment,
}

type Row = (i64, Option<i64>, String, String, i64, i64);

impl Store {
    /// Notes that a machine was sold: from a day on it has another owner and registration. The owner
    /// before stays on record with the jobs done for them, until they are deleted.
    ///
    /// # Errors
    /// [`StoreError::Missing`] for the machine or an owner by number, [`StoreError::Invalid`] for a day
    /// that is none or before the last sale, and for a buyer who has the machine already.
    pub async fn record_sale(
        &self,
        machine_id: i64,
        new: &NewSale,
        at: Moment,
    ) -> Result<i64, StoreError> {
        let mut tx = self.write(at).await?;
        let stood: Option<(Option<i64>, String)> =
            sqlx::query_as("SELECT owner_id, registration FROM machines WHERE id = $1")
                .bind(machine_id)
                .fetch_optional(&mut *tx)
                .await
                .map_err(self.fail())?;
        let (seller, registration) = stood.ok_or(StoreError::Missing {
            what: "machine",
            id: machine_id,
        })?;
        self.check_day(&mut tx, machine_id, &new.sold_on).await?;
        let buyer = self.buyer(&mut tx, &new.buyer, seller, at).await?;
        let id = self.next_id(&mut tx, "sales").await?;
        sqlx::query(
            "INSERT INTO sales (id, machine_id, owner_id, registration, sold_on, until_job, noted_ms) \
             VALUES ($1, $2, $3, $4, $5, $6, $7)",
        )
        .bind(id)
        .bind(machine_id)
        .bind(seller)
        // Without an owner to go with, nobody could ever delete it.
        .bind(seller.map_or("", |_| registration.as_str()))
        .bind(&new.sold_on)
        .bind(new.until_job)
        .bind(at.ms)
        .execute(&mut *tx)
        .await
        .map_err(self.fail())?;
        // Registrations from before lead to the owner before, and are deleted with that one.
        sqlx::query(
            "UPDATE corrections SET owner_id = $1 \
             WHERE machine_id = $2 AND field = 'registration' AND owner_id IS NULL",
        )
        .bind(seller)
        .bind(machine_id)
        .execute(&mut *tx)
        .await
        .map_err(self.fail())?;
        sqlx::query("UPDATE machines SET owner_id = $1, registration = $2 WHERE id = $3")
            .bind(buyer)
            .bind(new.registration.trim())
            .bind(machine_id)
            .execute(&mut *tx)
            .await
            .map_err(self.fail())?;
        self.commit(tx).await?;
        Ok(id)
    }

    /// Refuses a day that is none, and one before the last sale.
    async fn check_day(
        &self,
        tx: &mut Transaction<'static, Sqlite>,
        machine_id: i64,
        sold_on: &str,
    ) -> Result<(), StoreError> {
        if day(sold_on).is_none() {
            return Err(StoreError::invalid(
                "day of the sale",
                format!("`{sold_on}` is no day"),
                "write a day of the calendar as YYYY-MM-DD",
            ));
        }
        let last: Option<String> = sqlx::query_scalar(
            "SELECT sold_on FROM sales WHERE machine_id = $1 ORDER BY id DESC LIMIT 1",
        )
        .bind(machine_id)
        .fetch_optional(&mut **tx)
        .await
        .map_err(self.fail())?;
        match last.filter(|last| sold_on < last.as_str()) {
            None => Ok(()),
            Some(last) => Err(StoreError::invalid(
                "day of the sale",
                format!("`{sold_on}` is before the last sale"),
                format!("write {last} or a later day"),
            )),
        }
    }

    async fn buyer(
        &self,
        tx: &mut Transaction<'static, Sqlite>,
        buyer: &Buyer,
        seller: Option<i64>,
        at: Moment,
    ) -> Result<Option<i64>, StoreError> {
        match buyer {
            Buyer::Unknown => Ok(None),
            Buyer::New(owner) => self.insert_owner(tx, owner, at).await.map(Some),
            Buyer::OnRecord(id) if Some(*id) == seller => Err(StoreError::invalid(
                format!("owner {id}"),
                "has the machine already",
                "name the next owner",
            )),
            Buyer::OnRecord(id) => {
                let known: Option<i64> = sqlx::query_scalar("SELECT id FROM owners WHERE id = $1")
                    .bind(id)
                    .fetch_optional(&mut **tx)
                    .await
                    .map_err(self.fail())?;
                let what = "owner";
                known.map(Some).ok_or(StoreError::Missing { what, id: *id })
            }
        }
    }

    /// The sales of a machine, in order.
    ///
    /// # Errors
    /// Problems of the database.
    pub async fn sales(&self, machine_id: i64) -> Result<Vec<SaleRecord>, StoreError> {
        let rows: Vec<Row> = sqlx::query_as(
            "SELECT id, owner_id, registration, sold_on, until_job, noted_ms FROM sales \
             WHERE machine_id = $1 ORDER BY id",
        )
        .bind(machine_id)
        .fetch_all(self.reader())
        .await
        .map_err(self.fail())?;
        let record = |(id, owner_id, registration, sold_on, until_job, noted): Row| SaleRecord {
            id,
            owner_id,
            registration,
            sold_on,
            until_job,
            noted: Moment::from_ms(noted),
        };
        Ok(rows.into_iter().map(record).collect())
    }

    /// For whom a job was done, and the registration of the machine then: those before the first sale
    /// that came after the job, else the present ones.
    ///
    /// # Errors
    /// [`StoreError::Missing`] for the machine.
    pub(crate) async fn owner_of_job(
        &self,
        machine_id: i64,
        job_id: i64,
    ) -> Result<(Option<i64>, String), StoreError> {
        let sold: Option<(Option<i64>, String)> = sqlx::query_as(
            "SELECT owner_id, registration FROM sales WHERE machine_id = $1 AND until_job >= $2 \
             ORDER BY id LIMIT 1",
        )
        .bind(machine_id)
        .bind(job_id)
        .fetch_optional(self.reader())
        .await
        .map_err(self.fail())?;
        match sold {
            Some(before) => Ok(before),
            None => {
                let now = self.machine(machine_id).await?.data;
                Ok((now.owner_id, now.registration))
            }
        }
    }
}

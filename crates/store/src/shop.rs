//! Settings of the shop, and the devices paired with its pages.

use std::collections::BTreeMap;

use sqlx::{Sqlite, SqlitePool, Transaction};

use crate::error::StoreError;
use crate::moment::Moment;
use crate::store::Store;

/// Longest value of one setting [bytes].
const LONGEST_VALUE: usize = 64 * 1024;

/// A device that may see the pages.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PairedDevice {
    /// SHA-256 of its token, 64 hexadecimal digits; the token is on the device alone.
    pub token_sha256: String,
    /// When it was paired.
    pub paired: Moment,
}

impl Store {
    /// Every setting by its name.
    ///
    /// # Errors
    /// Problems of the database.
    pub async fn settings(&self) -> Result<BTreeMap<String, String>, StoreError> {
        let rows: Vec<(String, String)> =
            sqlx::query_as("SELECT name, value FROM settings ORDER BY name")
                .fetch_all(self.reader())
                .await
                .map_err(self.fail())?;
        Ok(rows.into_iter().collect())
    }

    /// Keeps settings, all of them or none; what is not named stays as it is.
    ///
    /// # Errors
    /// [`StoreError::Invalid`] for a value without end, or problems of the database.
    pub async fn set_settings(
        &self,
        values: &[(&str, String)],
        at: Moment,
    ) -> Result<(), StoreError> {
        let mut tx = self.write(at).await?;
        for (name, value) in values {
            if value.len() > LONGEST_VALUE {
                return Err(StoreError::invalid(
                    *name,
                    format!("is {} bytes long", value.len()),
                    format!("write at most {LONGEST_VALUE} bytes"),
                ));
            }
            self.put_setting(&mut tx, name, value, at).await?;
        }
        self.commit(tx).await
    }

    async fn put_setting(
        &self,
        tx: &mut Transaction<'static, Sqlite>,
        name: &str,
        value: &str,
        at: Moment,
    ) -> Result<(), StoreError> {
        sqlx::query(
            "INSERT INTO settings (name, value, changed_ms) VALUES ($1, $2, $3) \
             ON CONFLICT (name) DO UPDATE SET value = excluded.value, \
             changed_ms = excluded.changed_ms",
        )
        .bind(name)
        .bind(value)
        .bind(at.ms)
        .execute(&mut **tx)
        .await
        .map_err(self.fail())?;
        Ok(())
    }

    /// Paired devices, the one paired first at the head.
    ///
    /// # Errors
    /// Problems of the database.
    pub async fn devices(&self) -> Result<Vec<PairedDevice>, StoreError> {
        let rows: Vec<(String, i64)> = sqlx::query_as(
            "SELECT token_sha256, paired_ms FROM devices ORDER BY paired_ms, token_sha256",
        )
        .fetch_all(self.reader())
        .await
        .map_err(self.fail())?;
        let device = |(token_sha256, paired)| PairedDevice {
            token_sha256,
            paired: Moment::from_ms(paired),
        };
        Ok(rows.into_iter().map(device).collect())
    }

    /// Keeps exactly these devices: what is not among them is forgotten.
    ///
    /// # Errors
    /// [`StoreError::Invalid`] for something that is no hash, or problems of the database.
    pub async fn set_devices(
        &self,
        devices: &[PairedDevice],
        at: Moment,
    ) -> Result<(), StoreError> {
        let mut tx = self.write(at).await?;
        sqlx::query("DELETE FROM devices")
            .execute(&mut *tx)
            .await
            .map_err(self.fail())?;
        for device in devices {
            let hash = &device.token_sha256;
            if hash.len() != 64 || !hash.bytes().all(|b| b.is_ascii_hexdigit()) {
                return Err(StoreError::invalid(
                    "device",
                    "its token is not hashed",
                    "hand in the SHA-256 of the token, never the token",
                ));
            }
            sqlx::query("INSERT INTO devices (token_sha256, paired_ms) VALUES ($1, $2)")
                .bind(hash)
                .bind(device.paired.ms)
                .execute(&mut *tx)
                .await
                .map_err(self.fail())?;
        }
        self.commit(tx).await
    }
}

/// Forgets every device in a copy that leaves the shop's computer.
pub(crate) async fn forget_devices(copy: &SqlitePool) -> Result<(), sqlx::Error> {
    sqlx::query("DELETE FROM devices")
        .execute(copy)
        .await
        .map(drop)
}

//! Whether the database is sound.

use std::path::Path;

use sqlx::SqlitePool;

use crate::error::StoreError;

/// The database's own quick check.
pub(crate) async fn quick(pool: &SqlitePool, file: &Path) -> Result<(), StoreError> {
    let said: Vec<String> = sqlx::query_scalar("PRAGMA quick_check")
        .fetch_all(pool)
        .await
        .map_err(|e| StoreError::of_database(file, &e))?;
    if said == ["ok"] {
        return Ok(());
    }
    Err(StoreError::Damaged {
        file: file.to_owned(),
        problem: said.first().cloned().unwrap_or_default(),
    })
}

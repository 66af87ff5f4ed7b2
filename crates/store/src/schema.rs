//! The schema and its versions.

use std::path::Path;

use sqlx::migrate::{MigrateError, Migration, MigrationType, Migrator};
use sqlx::{SqlSafeStr, SqlitePool};

use crate::error::StoreError;

/// Every migration, oldest first; released ones are never edited.
const MIGRATIONS: [(i64, &str, &str); 7] = [
    (1, "records", include_str!("../migrations/0001_records.sql")),
    (2, "shop", include_str!("../migrations/0002_shop.sql")),
    (3, "library", include_str!("../migrations/0003_library.sql")),
    (
        4,
        "documents",
        include_str!("../migrations/0004_documents.sql"),
    ),
    (
        5,
        "corrections",
        include_str!("../migrations/0005_corrections.sql"),
    ),
    (6, "stages", include_str!("../migrations/0006_stages.sql")),
    (7, "sales", include_str!("../migrations/0007_sales.sql")),
];

/// Newest schema this program knows.
pub(crate) const CURRENT: i64 = MIGRATIONS[MIGRATIONS.len() - 1].0;

/// Version of the schema in the file; 0 when there is none yet.
pub(crate) async fn version(pool: &SqlitePool) -> Result<i64, sqlx::Error> {
    let found: Option<i64> = sqlx::query_scalar(
        "SELECT COUNT(*) FROM sqlite_master WHERE type = 'table' AND name = '_sqlx_migrations'",
    )
    .fetch_optional(pool)
    .await?;
    if found == Some(0) {
        return Ok(0);
    }
    let version: Option<i64> = sqlx::query_scalar("SELECT MAX(version) FROM _sqlx_migrations")
        .fetch_one(pool)
        .await?;
    Ok(version.unwrap_or(0))
}

/// Refuses a file that describes its tables in bytes that are no text.
///
/// The driver takes names and types of columns for text and panics where they are not, so this is asked before
/// anything is read of a table: what is computed has no type of its own.
pub(crate) async fn described(pool: &SqlitePool, file: &Path) -> Result<(), StoreError> {
    let all: Vec<Option<Vec<u8>>> =
        sqlx::query_scalar("SELECT CAST(sql AS BLOB) FROM sqlite_master")
            .fetch_all(pool)
            .await
            .map_err(|e| StoreError::of_database(file, &e))?;
    if all.iter().flatten().all(|sql| str::from_utf8(sql).is_ok()) {
        return Ok(());
    }
    Err(StoreError::Damaged {
        file: file.to_owned(),
        problem: "the description of its tables is no text".to_owned(),
    })
}

/// Brings the file to [`CURRENT`]; each migration is one transaction.
pub(crate) async fn migrate(pool: &SqlitePool, file: &Path) -> Result<(), StoreError> {
    let list = MIGRATIONS
        .iter()
        .map(|(version, name, sql)| {
            Migration::new(
                *version,
                (*name).into(),
                MigrationType::Simple,
                (*sql).into_sql_str(),
                false,
            )
        })
        .collect();
    Migrator::with_migrations(list)
        .run(pool)
        .await
        .map_err(|e| match e {
            MigrateError::Execute(e) | MigrateError::ExecuteMigration(e, _) => {
                StoreError::of_database(file, &e)
            }
            MigrateError::VersionMissing(found) => StoreError::NewerSchema {
                file: file.to_owned(),
                found,
                known: CURRENT,
            },
            other => StoreError::Damaged {
                file: file.to_owned(),
                problem: format!("the schema is not the released one: {other}"),
            },
        })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// What PostgreSQL does not take; the SQL is meant to be taken there one day.
    const SQLITE_ONLY: [&str; 7] = [
        "AUTOINCREMENT",
        "WITHOUT ROWID",
        " BLOB",
        "STRICT",
        "datetime(",
        "INSERT OR ",
        "rowid",
    ];

    #[test]
    fn migrations_keep_to_portable_sql_and_rising_numbers() {
        for (i, (version, _, sql)) in MIGRATIONS.iter().enumerate() {
            assert_eq!(*version, i as i64 + 1);
            for word in SQLITE_ONLY {
                assert!(!sql.contains(word), "migration {version} uses `{word}`");
            }
        }
    }
}

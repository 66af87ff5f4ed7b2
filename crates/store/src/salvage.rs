//! Taking over what a damaged file still holds into a new folder.
//!
//! The damaged file is copied first and never written to. Every table is read in stretches; a
//! stretch that fails is halved until the broken entry stands alone and is left out.

use std::path::Path;

use serde::Serialize;
use sqlx::{AssertSqlSafe, SqliteConnection};

use crate::error::StoreError;
use crate::moment::Moment;
use crate::recording_pack::{hash, unpack};
use crate::store::{Access, DATABASE, PHOTOS, Store};

/// Tables in the order in which they point to each other, with their number column.
const TABLES: [(&str, &str); 18] = [
    ("owners", "id"),
    ("machines", "id"),
    ("jobs", "id"),
    ("readings", "id"),
    ("recordings", "reading_id"),
    ("seals", "id"),
    ("checks", "id"),
    ("overrides", "id"),
    ("adjustments", "id"),
    ("progress", "id"),
    ("photos", "id"),
    ("findings", "id"),
    ("library_switches", "id"),
    ("remarks", "id"),
    ("documents", "id"),
    ("corrections", "id"),
    ("stage_moves", "id"),
    ("sales", "id"),
];

/// Entries that point to something else, and to what.
const POINTERS: [(&str, &str, &str); 19] = [
    ("jobs", "machine_id", "machines"),
    ("readings", "job_id", "jobs"),
    ("recordings", "reading_id", "readings"),
    ("seals", "job_id", "jobs"),
    ("checks", "job_id", "jobs"),
    ("overrides", "job_id", "jobs"),
    ("adjustments", "job_id", "jobs"),
    ("adjustments", "reading_id", "readings"),
    ("progress", "job_id", "jobs"),
    ("photos", "job_id", "jobs"),
    ("findings", "job_id", "jobs"),
    ("library_switches", "job_id", "jobs"),
    ("remarks", "job_id", "jobs"),
    ("documents", "job_id", "jobs"),
    ("corrections", "job_id", "jobs"),
    ("corrections", "machine_id", "machines"),
    ("corrections", "owner_id", "owners"),
    ("stage_moves", "job_id", "jobs"),
    ("sales", "machine_id", "machines"),
];

/// Highest number looked for where the file does not say how many there are.
const FAR: i64 = 1 << 24;

/// What became of one table.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct SalvagedTable {
    /// Table.
    pub table: String,
    /// Entries taken over.
    pub kept: i64,
    /// Stretches of numbers that could not be read, first and last.
    pub lost: Vec<(i64, i64)>,
    /// Entries left out since what they belong to is lost or their content is broken.
    pub left_out: i64,
}

/// What a salvage brought.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct SalvageReport {
    /// Each table.
    pub tables: Vec<SalvagedTable>,
    /// Photos taken over.
    pub photos: usize,
    /// Photos that are missing or changed.
    pub photos_lost: usize,
}

impl SalvageReport {
    /// Nothing was lost.
    pub fn complete(&self) -> bool {
        self.photos_lost == 0
            && self
                .tables
                .iter()
                .all(|t| t.lost.is_empty() && t.left_out == 0)
    }
}

/// Takes over into `to`, which must hold no records, what can be read of the records in `from`.
///
/// # Errors
/// [`StoreError::Invalid`] when `to` holds records, [`StoreError::Damaged`] when the file cannot
/// be opened as a database at all.
pub async fn salvage(
    from: &Path,
    to: &Path,
    holder: &str,
    at: Moment,
) -> Result<SalvageReport, StoreError> {
    if to.join(DATABASE).exists() {
        return Err(StoreError::invalid(
            to.display().to_string(),
            "there are records in this folder already",
            "name a folder that does not exist yet",
        ));
    }
    let (store, _) = Store::open(to, Access::Write, holder, at).await?;
    let work = tempfile::tempdir_in(to).map_err(|e| StoreError::of_writing(to, &e))?;
    let copy = copied(from, work.path())?;
    let mut connection = store
        .writer()?
        .acquire()
        .await
        .map_err(store.fail())?
        .detach();
    let tables = take_over(&mut connection, &copy, from).await;
    drop(connection);
    let mut tables = tables?;
    drop_broken_recordings(&store, &mut tables, at).await?;
    let (photos, photos_lost) = take_photos(&store, from).await?;
    store.close().await;
    Ok(SalvageReport {
        tables,
        photos,
        photos_lost,
    })
}

/// A copy of the damaged file with its log.
fn copied(from: &Path, work: &Path) -> Result<std::path::PathBuf, StoreError> {
    let file = from.join(DATABASE);
    let copy = work.join(DATABASE);
    std::fs::copy(&file, &copy).map_err(|e| StoreError::of_reading(&file, &e))?;
    let log = from.join(format!("{DATABASE}-wal"));
    if log.exists() {
        std::fs::copy(&log, work.join(format!("{DATABASE}-wal")))
            .map_err(|e| StoreError::of_reading(&log, &e))?;
    }
    Ok(copy)
}

async fn take_over(
    connection: &mut SqliteConnection,
    copy: &Path,
    from: &Path,
) -> Result<Vec<SalvagedTable>, StoreError> {
    let file = from.join(DATABASE);
    let damaged = |e: sqlx::Error| StoreError::Damaged {
        file: file.clone(),
        problem: format!("nothing of it can be read: {e}; restore a backup"),
    };
    run(connection, "PRAGMA foreign_keys = OFF")
        .await
        .map_err(damaged)?;
    sqlx::query("ATTACH DATABASE $1 AS damaged")
        .bind(copy.to_string_lossy().into_owned())
        .execute(&mut *connection)
        .await
        .map_err(damaged)?;
    let schema = "SELECT COUNT(*) FROM damaged.sqlite_master";
    let found = number(connection, schema).await.map_err(damaged)?;
    if found == 0 {
        return Err(StoreError::Damaged {
            file: file.clone(),
            problem: "it holds no tables; restore a backup".to_owned(),
        });
    }
    let mut tables = Vec::new();
    for (table, id) in TABLES {
        tables.push(take_table(connection, table, id).await);
    }
    tables.push(take_settings(connection).await);
    for (table, column, target) in POINTERS {
        let sql = format!(
            "DELETE FROM main.{table} WHERE {column} IS NOT NULL \
             AND {column} NOT IN (SELECT id FROM main.{target})"
        );
        let gone = run(connection, &sql).await.map_err(damaged)?;
        note(&mut tables, table, gone);
    }
    let owners = "UPDATE main.machines SET owner_id = NULL \
                  WHERE owner_id NOT IN (SELECT id FROM main.owners)";
    run(connection, owners).await.map_err(damaged)?;
    // A registration goes with its owner.
    let sold = "UPDATE main.sales SET owner_id = NULL, registration = '' \
                WHERE owner_id NOT IN (SELECT id FROM main.owners)";
    run(connection, sold).await.map_err(damaged)?;
    let overrides = "UPDATE main.adjustments SET override_id = NULL \
                     WHERE override_id NOT IN (SELECT id FROM main.overrides)";
    run(connection, overrides).await.map_err(damaged)?;
    for (table, id) in TABLES
        .into_iter()
        .filter(|(table, _)| *table != "recordings")
    {
        let sql = format!(
            "UPDATE main.counters SET value = (SELECT COALESCE(MAX({id}), 0) FROM main.{table}) \
             WHERE name = '{table}'"
        );
        run(connection, &sql).await.map_err(damaged)?;
    }
    Ok(tables)
}

/// Takes the settings of the shop over, all or none: they are soon written again, and records from
/// before there were any have none. Devices are not taken over, they are paired again.
async fn take_settings(connection: &mut SqliteConnection) -> SalvagedTable {
    let sql = "INSERT INTO main.settings (name, value, changed_ms) \
               SELECT name, value, changed_ms FROM damaged.settings NOT INDEXED";
    SalvagedTable {
        table: "settings".to_owned(),
        kept: run(connection, sql).await.unwrap_or(0),
        lost: Vec::new(),
        left_out: 0,
    }
}

/// Takes one table over in stretches that are halved where they fail.
async fn take_table(connection: &mut SqliteConnection, table: &str, id: &str) -> SalvagedTable {
    let mut done = SalvagedTable {
        table: table.to_owned(),
        kept: 0,
        lost: Vec::new(),
        left_out: 0,
    };
    let Some(columns) = columns(connection, table).await else {
        done.lost.push((1, FAR));
        return done;
    };
    let last = last_number(connection, table, id).await;
    let mut stretches = vec![(1, last)];
    while let Some((first, last)) = stretches.pop() {
        if last < first {
            continue;
        }
        // Without its indexes: one of them may be the broken part.
        let sql = format!(
            "INSERT INTO main.{table} ({columns}) SELECT {columns} FROM damaged.{table} \
             NOT INDEXED WHERE {id} BETWEEN {first} AND {last}"
        );
        match run(connection, &sql).await {
            Ok(kept) => done.kept += kept,
            Err(_) if first == last => push(&mut done.lost, first),
            Err(_) => {
                let middle = first + (last - first) / 2;
                stretches.push((middle + 1, last));
                stretches.push((first, middle));
            }
        }
    }
    done
}

/// Adds a lost number to the stretch it continues.
fn push(lost: &mut Vec<(i64, i64)>, number: i64) {
    match lost.last_mut() {
        Some((_, end)) if *end + 1 == number => *end = number,
        _ => lost.push((number, number)),
    }
}

/// The highest number to look for: by the table, by the counters, or far enough.
async fn last_number(connection: &mut SqliteConnection, table: &str, id: &str) -> i64 {
    let counter = if table == "recordings" {
        "readings"
    } else {
        table
    };
    // Computed, so that the driver asks for no type: that may be damaged as well.
    let by_counter = format!("SELECT MAX(value) FROM damaged.counters WHERE name = '{counter}'");
    if let Ok(n) = number(connection, &by_counter).await {
        return n;
    }
    let by_table = format!("SELECT COALESCE(MAX({id}), 0) FROM damaged.{table}");
    number(connection, &by_table).await.unwrap_or(FAR)
}

/// The columns that both the damaged and the present table have.
async fn columns(connection: &mut SqliteConnection, table: &str) -> Option<String> {
    let sql = format!(
        "SELECT p.name FROM pragma_table_info('{table}', 'main') p \
         JOIN pragma_table_info('{table}', 'damaged') d ON d.name = p.name ORDER BY p.cid"
    );
    let names: Vec<String> = sqlx::query_scalar(AssertSqlSafe(sql))
        .fetch_all(&mut *connection)
        .await
        .ok()?;
    (!names.is_empty()).then(|| names.join(", "))
}

/// Leaves out recordings whose content is not what was stored.
async fn drop_broken_recordings(
    store: &Store,
    tables: &mut [SalvagedTable],
    at: Moment,
) -> Result<(), StoreError> {
    let ids: Vec<i64> = sqlx::query_scalar("SELECT reading_id FROM recordings ORDER BY reading_id")
        .fetch_all(store.reader())
        .await
        .map_err(store.fail())?;
    for id in ids {
        let row: (String, Vec<u8>, i64, String) = sqlx::query_as(
            "SELECT coding, packed, length_bytes, sha256 FROM recordings WHERE reading_id = $1",
        )
        .bind(id)
        .fetch_one(store.reader())
        .await
        .map_err(store.fail())?;
        let length = usize::try_from(row.2).unwrap_or(usize::MAX);
        if unpack(&row.0, &row.1, length, &row.3).is_err() {
            let mut tx = store.write(at).await?;
            sqlx::query("DELETE FROM recordings WHERE reading_id = $1")
                .bind(id)
                .execute(&mut *tx)
                .await
                .map_err(store.fail())?;
            // Without its recording a reading may hold nothing that can be read.
            sqlx::query(
                "UPDATE readings SET withdrawn_reason = 'its recording was lost in a damaged file' \
                 WHERE id = $1",
            )
            .bind(id)
            .execute(&mut *tx)
            .await
            .map_err(store.fail())?;
            store.commit(tx).await?;
            note(tables, "recordings", 1);
        }
    }
    Ok(())
}

/// Copies the photos that are still what they were.
async fn take_photos(store: &Store, from: &Path) -> Result<(usize, usize), StoreError> {
    let names = crate::integrity::photo_names(store.reader(), store.file()).await?;
    let (mut kept, mut lost) = (0, 0);
    for name in names {
        let stem = name.split('.').next().unwrap_or_default();
        match std::fs::read(from.join(PHOTOS).join(&name)) {
            Ok(bytes) if hash(&bytes) == stem => {
                crate::photos::keep_file(&store.photos_folder(), &name, &bytes)?;
                kept += 1;
            }
            _ => lost += 1,
        }
    }
    Ok((kept, lost))
}

fn note(tables: &mut [SalvagedTable], table: &str, left_out: i64) {
    if let Some(t) = tables.iter_mut().find(|t| t.table == table) {
        t.left_out += left_out;
        t.kept -= left_out;
    }
}

/// Runs a statement made of the names above; returns the rows it touched.
async fn run(connection: &mut SqliteConnection, sql: &str) -> Result<i64, sqlx::Error> {
    let done = sqlx::query(AssertSqlSafe(sql.to_owned()))
        .execute(&mut *connection)
        .await?;
    Ok(i64::try_from(done.rows_affected()).unwrap_or(i64::MAX))
}

async fn number(connection: &mut SqliteConnection, sql: &str) -> Result<i64, sqlx::Error> {
    sqlx::query_scalar(AssertSqlSafe(sql.to_owned()))
        .fetch_one(&mut *connection)
        .await
}

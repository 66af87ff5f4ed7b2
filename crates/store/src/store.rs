//! Opening the data folder: one writer, several readers, one lock.

use std::path::{Path, PathBuf};
use std::time::Duration;

use evenpull_job::Notice;
use sqlx::sqlite::{SqliteConnectOptions, SqliteJournalMode, SqlitePoolOptions, SqliteSynchronous};
use sqlx::{ConnectOptions, Sqlite, SqlitePool, Transaction};

use crate::error::StoreError;
use crate::lock::FolderLock;
use crate::moment::Moment;
use crate::{integrity, schema, snapshot};

/// Name of the database in the data folder.
pub(crate) const DATABASE: &str = "evenpull.db";
/// Folder of the photos in the data folder.
pub(crate) const PHOTOS: &str = "photos";

/// How long to wait for another program that reads or writes the same file [s]; assumed.
const BUSY_S: u64 = 10;
/// Readers beside the one writer; a small shop has a bench screen, a phone and a desk.
const READERS: u32 = 4;
/// A clock further back than this was set back and did not merely drift [ms].
const CLOCK_DRIFT_MS: i64 = 120_000;

/// What the records are opened for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Access {
    /// Looking only; allowed while another program writes.
    Read,
    /// Writing; one program at a time. Makes the folder where it is missing.
    Write,
}

/// The records of a workshop, open.
#[derive(Debug)]
pub struct Store {
    folder: PathBuf,
    file: PathBuf,
    /// One connection, so writers queue here and not at the file.
    writer: Option<SqlitePool>,
    reader: SqlitePool,
    lock: Option<FolderLock>,
}

impl Store {
    /// Opens the records in `folder`; `holder` names the program to others, `at` is now.
    ///
    /// The notices tell of a crash before, a clock set back, and a schema brought up to date.
    ///
    /// # Errors
    /// [`StoreError::InUse`], [`StoreError::NoRecords`] for reading, [`StoreError::NewerSchema`],
    /// [`StoreError::OlderSchema`] for reading, [`StoreError::Damaged`], or a folder that cannot be
    /// read or written.
    pub async fn open(
        folder: &Path,
        access: Access,
        holder: &str,
        at: Moment,
    ) -> Result<(Self, Vec<Notice>), StoreError> {
        match access {
            Access::Read => Self::open_reading(folder).await.map(|s| (s, Vec::new())),
            Access::Write => Self::open_writing(folder, holder, at).await,
        }
    }

    async fn open_reading(folder: &Path) -> Result<Self, StoreError> {
        let file = folder.join(DATABASE);
        if !file.is_file() {
            return Err(StoreError::NoRecords {
                folder: folder.to_owned(),
            });
        }
        let reader = connect_reading(&file).await?;
        let fail = |e: sqlx::Error| StoreError::of_database(&file, &e);
        let found = schema::version(&reader).await.map_err(fail)?;
        let known = schema::CURRENT;
        if found != known {
            let file = file.clone();
            return Err(match found {
                0 => StoreError::NoRecords {
                    folder: folder.to_owned(),
                },
                n if n > known => StoreError::NewerSchema { file, found, known },
                _ => StoreError::OlderSchema { file, found, known },
            });
        }
        Ok(Self {
            folder: folder.to_owned(),
            file,
            writer: None,
            reader,
            lock: None,
        })
    }

    async fn open_writing(
        folder: &Path,
        holder: &str,
        at: Moment,
    ) -> Result<(Self, Vec<Notice>), StoreError> {
        std::fs::create_dir_all(folder).map_err(|e| StoreError::of_writing(folder, &e))?;
        let lock = FolderLock::take(folder, holder)?;
        let file = folder.join(DATABASE);
        let after_crash = lock.after_crash && file.exists();
        if file.exists() {
            check_header(&file)?;
            writable(&file)?;
        }
        let options = base(&file)
            .create_if_missing(true)
            .journal_mode(SqliteJournalMode::Wal)
            // An entry is acknowledged only when it is on the disk.
            .synchronous(SqliteSynchronous::Full)
            // What is deleted is overwritten: owners must not survive in unused pages.
            .pragma("secure_delete", "ON");
        let writer = connect(options, 1, &file).await?;
        let mut notices = Vec::new();
        if after_crash {
            integrity::quick(&writer, &file).await?;
            notices.push(Notice::new(
                "not-closed",
                "the records were not closed in good order the last time; they were checked and \
                 are sound",
            ));
        }
        notices.extend(up_to_date(&writer, &file).await?);
        let reader = connect(base(&file).pragma("query_only", "ON"), READERS, &file).await?;
        let store = Self {
            folder: folder.to_owned(),
            file,
            writer: Some(writer),
            reader,
            lock: Some(lock),
        };
        notices.extend(store.clock_notice(at).await?);
        Ok((store, notices))
    }

    /// Closes the records in good order.
    pub async fn close(self) {
        self.end().await;
    }

    /// As [`Store::close`] where others still hold it: their calls fail from here on.
    pub async fn end(&self) {
        self.reader.close().await;
        if let Some(writer) = &self.writer {
            writer.close().await;
        }
        if let Some(lock) = &self.lock {
            lock.release();
        }
    }

    /// The data folder.
    pub fn folder(&self) -> &Path {
        &self.folder
    }

    /// The database file.
    pub(crate) fn file(&self) -> &Path {
        &self.file
    }

    pub(crate) fn photos_folder(&self) -> PathBuf {
        self.folder.join(PHOTOS)
    }

    pub(crate) fn reader(&self) -> &SqlitePool {
        &self.reader
    }

    pub(crate) fn writer(&self) -> Result<&SqlitePool, StoreError> {
        self.writer.as_ref().ok_or_else(|| StoreError::NotWritable {
            path: self.file.clone(),
            problem: "the records are open for reading only".to_owned(),
        })
    }

    /// Lets the file grow to so many pages of 4096 bytes and no further, until it is closed.
    ///
    /// The database then answers as on a full disk.
    ///
    /// # Errors
    /// Problems of the database.
    pub async fn limit_growth(&self, pages: u32) -> Result<(), StoreError> {
        let sql = format!("PRAGMA max_page_count = {pages}");
        sqlx::query(sqlx::AssertSqlSafe(sql))
            .execute(self.writer()?)
            .await
            .map_err(self.fail())?;
        Ok(())
    }

    /// What a driver's error means here.
    pub(crate) fn fail(&self) -> impl Fn(sqlx::Error) -> StoreError + '_ {
        |e| StoreError::of_database(&self.file, &e)
    }

    /// A transaction that writes; nothing of it is kept unless it is committed.
    pub(crate) async fn write(
        &self,
        at: Moment,
    ) -> Result<Transaction<'static, Sqlite>, StoreError> {
        let mut tx = self
            .writer()?
            .begin_with("BEGIN IMMEDIATE")
            .await
            .map_err(self.fail())?;
        sqlx::query("UPDATE counters SET value = $1 WHERE name = 'clock_ms' AND value < $2")
            .bind(at.ms)
            .bind(at.ms)
            .execute(&mut *tx)
            .await
            .map_err(self.fail())?;
        Ok(tx)
    }

    /// Makes a transaction permanent: when this returns, it is on the disk.
    pub(crate) async fn commit(&self, tx: Transaction<'static, Sqlite>) -> Result<(), StoreError> {
        tx.commit().await.map_err(self.fail())
    }

    /// The next number of a table; numbers are never given twice.
    pub(crate) async fn next_id(
        &self,
        tx: &mut Transaction<'static, Sqlite>,
        table: &'static str,
    ) -> Result<i64, StoreError> {
        sqlx::query_scalar("UPDATE counters SET value = value + 1 WHERE name = $1 RETURNING value")
            .bind(table)
            .fetch_one(&mut **tx)
            .await
            .map_err(self.fail())
    }

    /// A remark when `at` lies before the latest time on record.
    async fn clock_notice(&self, at: Moment) -> Result<Option<Notice>, StoreError> {
        let latest: i64 = sqlx::query_scalar("SELECT value FROM counters WHERE name = 'clock_ms'")
            .fetch_one(&self.reader)
            .await
            .map_err(self.fail())?;
        let behind_ms = latest - at.ms;
        Ok((behind_ms > CLOCK_DRIFT_MS).then(|| {
            Notice::new(
                "clock-set-back",
                format!(
                    "the clock of this computer stands {} before the last entry; set it right, or \
                     new entries carry wrong times. Their order is kept by their numbers",
                    span(behind_ms)
                ),
            )
        }))
    }
}

/// A span of time in words.
fn span(ms: i64) -> String {
    let minutes = ms / 60_000;
    match minutes {
        0..120 => format!("{minutes} minutes"),
        120..2880 => format!("{} hours", minutes / 60),
        _ => format!("{} days", minutes / 1440),
    }
}

/// Options of every connection.
fn base(file: &Path) -> SqliteConnectOptions {
    SqliteConnectOptions::new()
        .filename(file)
        .foreign_keys(true)
        .busy_timeout(Duration::from_secs(BUSY_S))
        .disable_statement_logging()
}

pub(crate) async fn connect(
    options: SqliteConnectOptions,
    connections: u32,
    file: &Path,
) -> Result<SqlitePool, StoreError> {
    let pool = SqlitePoolOptions::new()
        .max_connections(connections)
        .idle_timeout(None)
        .max_lifetime(None)
        .connect_with(options)
        .await
        .map_err(|e| StoreError::of_database(file, &e))?;
    schema::described(&pool, file).await?;
    Ok(pool)
}

/// Connections that only read.
pub(crate) async fn connect_reading(file: &Path) -> Result<SqlitePool, StoreError> {
    check_header(file)?;
    let options = base(file).read_only(true);
    match connect(options.clone(), READERS, file).await {
        // In a folder that cannot be written the log of the database cannot be opened either;
        // with no log beside it the file alone is complete.
        Err(_) if !has_log(file) => connect(options.immutable(true), READERS, file).await,
        other => other,
    }
}

/// A single connection to a database that no one else has open, such as a copy.
pub(crate) async fn connect_alone(file: &Path) -> Result<SqlitePool, StoreError> {
    check_header(file)?;
    connect(base(file), 1, file).await
}

/// Migrates where needed; a file with records is copied aside before it is changed.
async fn up_to_date(writer: &SqlitePool, file: &Path) -> Result<Option<Notice>, StoreError> {
    let fail = |e: sqlx::Error| StoreError::of_database(file, &e);
    let found = schema::version(writer).await.map_err(fail)?;
    let known = schema::CURRENT;
    if found > known {
        let file = file.to_owned();
        return Err(StoreError::NewerSchema { file, found, known });
    }
    if found == known {
        return Ok(None);
    }
    if found == 0 {
        schema::migrate(writer, file).await?;
        return Ok(None);
    }
    let copy = file.with_file_name(format!("before-schema-{known}.db"));
    snapshot::copy_aside(writer, file, &copy).await?;
    schema::migrate(writer, file).await?;
    Ok(Some(Notice::new(
        "schema-migrated",
        format!(
            "the records were brought from schema {found} to {known}; the file as it was is kept \
             as {}",
            copy.display()
        ),
    )))
}

/// Refuses what is no database before the driver sees it.
fn check_header(file: &Path) -> Result<(), StoreError> {
    use std::io::Read;
    let mut head = Vec::new();
    std::fs::File::open(file)
        .and_then(|f| f.take(16).read_to_end(&mut head))
        .map_err(|e| StoreError::of_reading(file, &e))?;
    // An empty file is a database that was never written to.
    if head.is_empty() || head == b"SQLite format 3\0" {
        return Ok(());
    }
    Err(StoreError::Damaged {
        file: file.to_owned(),
        problem: "the file does not begin as a database does".to_owned(),
    })
}

/// Refuses a file that is write-protected before anything is tried.
fn writable(file: &Path) -> Result<(), StoreError> {
    std::fs::OpenOptions::new()
        .append(true)
        .open(file)
        .map(drop)
        .map_err(|e| StoreError::of_writing(file, &e))
}

fn has_log(file: &Path) -> bool {
    let mut log = file.as_os_str().to_owned();
    log.push("-wal");
    std::fs::metadata(log).is_ok_and(|m| m.len() > 0)
}

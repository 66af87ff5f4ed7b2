//! Whether the records are sound: the database, every recording, every photo, every job.

use std::collections::BTreeSet;
use std::path::Path;

use serde::Serialize;
use sqlx::SqlitePool;

use crate::error::StoreError;
use crate::jobs::check_texts;
use crate::photos::file_name;
use crate::recording_pack::hash;
use crate::store::Store;

/// What a check of the records found.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize)]
pub struct CheckReport {
    /// Machines.
    pub machines: i64,
    /// Jobs, every one put together and read.
    pub jobs: i64,
    /// Readings.
    pub readings: i64,
    /// Recordings, every one unpacked and compared.
    pub recordings: i64,
    /// Photos, every one compared.
    pub photos: i64,
    /// What is wrong, one line each; empty when all is sound.
    pub problems: Vec<String>,
    /// Files that nothing names, left by a crash; harmless.
    pub unnamed_photos: Vec<String>,
}

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

/// Names of the files of every photo, each once.
pub(crate) async fn photo_names(
    pool: &SqlitePool,
    file: &Path,
) -> Result<BTreeSet<String>, StoreError> {
    let rows: Vec<(String, String)> =
        sqlx::query_as("SELECT sha256, media_type FROM photos ORDER BY id")
            .fetch_all(pool)
            .await
            .map_err(|e| StoreError::of_database(file, &e))?;
    Ok(rows
        .iter()
        .map(|(sha, kind)| file_name(sha, kind))
        .collect())
}

impl Store {
    /// Reads everything and compares it with what was stored.
    ///
    /// # Errors
    /// [`StoreError::Damaged`] when the database cannot even be walked; lesser damage is reported.
    pub async fn check(&self) -> Result<CheckReport, StoreError> {
        let mut report = CheckReport::default();
        self.check_database(&mut report).await?;
        self.check_jobs(&mut report).await?;
        self.check_recordings(&mut report).await?;
        self.check_photos(&mut report).await?;
        Ok(report)
    }

    async fn check_database(&self, report: &mut CheckReport) -> Result<(), StoreError> {
        let said: Vec<String> = sqlx::query_scalar("PRAGMA integrity_check")
            .fetch_all(self.reader())
            .await
            .map_err(self.fail())?;
        let problems = said.into_iter().filter(|line| line != "ok");
        report
            .problems
            .extend(problems.map(|p| format!("database: {p}")));
        let torn = sqlx::query("PRAGMA foreign_key_check")
            .fetch_all(self.reader())
            .await
            .map_err(self.fail())?;
        if !torn.is_empty() {
            let line = format!("database: {} entries point to nothing", torn.len());
            report.problems.push(line);
        }
        let counts: (i64, i64) = sqlx::query_as(
            "SELECT (SELECT COUNT(*) FROM machines), (SELECT COUNT(*) FROM readings)",
        )
        .fetch_one(self.reader())
        .await
        .map_err(self.fail())?;
        (report.machines, report.readings) = counts;
        Ok(())
    }

    async fn check_jobs(&self, report: &mut CheckReport) -> Result<(), StoreError> {
        let ids: Vec<i64> = sqlx::query_scalar("SELECT id FROM jobs ORDER BY id")
            .fetch_all(self.reader())
            .await
            .map_err(self.fail())?;
        for id in ids {
            report.jobs += 1;
            let texts = self.job_texts(id).await?;
            if let Err(e) = check_texts(&texts.job_toml, &texts.profile_toml) {
                report.problems.push(format!("job {id}: {e}"));
            }
        }
        Ok(())
    }

    async fn check_recordings(&self, report: &mut CheckReport) -> Result<(), StoreError> {
        let ids: Vec<i64> =
            sqlx::query_scalar("SELECT reading_id FROM recordings ORDER BY reading_id")
                .fetch_all(self.reader())
                .await
                .map_err(self.fail())?;
        for id in ids {
            report.recordings += 1;
            if let Err(StoreError::Damaged { problem, .. }) = self.recording(id).await {
                report.problems.push(problem);
            }
        }
        Ok(())
    }

    async fn check_photos(&self, report: &mut CheckReport) -> Result<(), StoreError> {
        let names = photo_names(self.reader(), self.file()).await?;
        let folder = self.photos_folder();
        for name in &names {
            report.photos += 1;
            let stem = name.split('.').next().unwrap_or_default();
            match std::fs::read(folder.join(name)) {
                Ok(bytes) if hash(&bytes) == stem => {}
                Ok(_) => report
                    .problems
                    .push(format!("photo {name}: changed since it was kept")),
                Err(e) => report.problems.push(format!("photo {name}: {e}")),
            }
        }
        let there = std::fs::read_dir(&folder).into_iter().flatten().flatten();
        let mut unnamed: Vec<String> = there
            .filter_map(|entry| entry.file_name().into_string().ok())
            .filter(|name| !names.contains(name))
            .collect();
        unnamed.sort();
        report.unnamed_photos = unnamed;
        Ok(())
    }
}

//! Readings and their raw recordings.

use std::collections::BTreeMap;

use serde::Serialize;
use sqlx::{Sqlite, SqliteConnection, Transaction};

use crate::error::StoreError;
use crate::job_text::ReadingPart;
use crate::jobs::check_texts;
use crate::moment::Moment;
use crate::recording_pack::{CODING, hash, pack, unpack};
use crate::stages::MovedBy;
use crate::store::Store;

/// A recording to be kept.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct NewRecording {
    /// File name, inside the job's folder.
    pub file_name: String,
    /// The file as it was.
    pub bytes: Vec<u8>,
}

/// A reading to be kept.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct NewReading {
    /// Keys of one `[[reading]]` without `recording`.
    pub values_toml: String,
    /// Its recording.
    pub recording: Option<NewRecording>,
}

/// A reading on record.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct ReadingRecord {
    /// Number.
    pub id: i64,
    /// Stage of the job when it was taken.
    pub stage: String,
    /// Condition.
    pub condition: String,
    /// Keys of its `[[reading]]`.
    pub values_toml: String,
    /// When it was taken.
    pub taken: Moment,
    /// Why it does not count, where it was withdrawn.
    pub withdrawn_reason: Option<String>,
    /// Its recording.
    pub recording: Option<RecordingLine>,
}

/// What is known of a recording without unpacking it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct RecordingLine {
    /// File name.
    pub file_name: String,
    /// SHA-256 of the file as it was.
    pub sha256: String,
    /// Its length [bytes].
    pub length_bytes: i64,
}

/// A recording, unpacked and checked.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct StoredRecording {
    /// Reading it belongs to.
    pub reading_id: i64,
    /// File name.
    pub file_name: String,
    /// SHA-256.
    pub sha256: String,
    /// The file as it was.
    pub bytes: Vec<u8>,
}

type Row = (
    i64,
    String,
    String,
    String,
    i64,
    Option<String>,
    Option<String>,
    Option<String>,
    Option<i64>,
);
type PackedRow = (i64, String, String, i64, String, Vec<u8>);

impl Store {
    /// Keeps a reading with its recording; when this returns, both are on the disk.
    ///
    /// Turns recorded since the last reading are put before this one.
    ///
    /// # Errors
    /// [`StoreError::Missing`] for the job, [`StoreError::Text`] for values with problems.
    pub async fn add_reading(
        &self,
        job_id: i64,
        new: &NewReading,
        at: Moment,
    ) -> Result<i64, StoreError> {
        let packed = match &new.recording {
            Some(r) => Some(packed(r)?),
            None => None,
        };
        let part = ReadingPart::of(&new.values_toml)?;
        let mut tx = self.write(at).await?;
        self.move_on(&mut tx, job_id, MovedBy::Reading, at).await?;
        let id = self
            .insert_reading(&mut tx, job_id, part, packed, at)
            .await?;
        self.touch(&mut tx, job_id, at).await?;
        let (parts, profile) = self.parts(&mut tx, job_id).await?;
        check_texts(&parts.text(), &profile)?;
        self.commit(tx).await?;
        Ok(id)
    }

    pub(crate) async fn insert_reading(
        &self,
        tx: &mut Transaction<'static, Sqlite>,
        job_id: i64,
        part: ReadingPart,
        packed: Option<Packed>,
        at: Moment,
    ) -> Result<i64, StoreError> {
        let stage = self.stage_word(tx, job_id).await?;
        let id = self.next_id(tx, "readings").await?;
        sqlx::query(
            "INSERT INTO readings (id, job_id, stage, condition, values_toml, taken_ms, \
             withdrawn_reason) VALUES ($1, $2, $3, $4, $5, $6, NULL)",
        )
        .bind(id)
        .bind(job_id)
        .bind(&stage)
        .bind(&part.condition)
        .bind(&part.values_toml)
        .bind(at.ms)
        .execute(&mut **tx)
        .await
        .map_err(self.fail())?;
        for (adjuster, turns) in &part.adjusted {
            self.insert_adjustment(tx, job_id, &stage, adjuster, *turns, None, at)
                .await?;
        }
        sqlx::query(
            "UPDATE adjustments SET reading_id = $1 WHERE job_id = $2 AND reading_id IS NULL",
        )
        .bind(id)
        .bind(job_id)
        .execute(&mut **tx)
        .await
        .map_err(self.fail())?;
        if let Some(packed) = packed {
            self.insert_recording(tx, job_id, id, packed).await?;
        }
        Ok(id)
    }

    async fn insert_recording(
        &self,
        tx: &mut Transaction<'static, Sqlite>,
        job_id: i64,
        reading_id: i64,
        packed: Packed,
    ) -> Result<(), StoreError> {
        let taken: Vec<(String, String)> = sqlx::query_as(
            "SELECT c.file_name, c.sha256 FROM recordings c JOIN readings r ON r.id = c.reading_id \
             WHERE r.job_id = $1 ORDER BY c.reading_id",
        )
        .bind(job_id)
        .fetch_all(&mut **tx)
        .await
        .map_err(self.fail())?;
        let name = free_name(&packed.file_name, &packed.sha256, &taken);
        sqlx::query(
            "INSERT INTO recordings (reading_id, file_name, sha256, length_bytes, coding, packed) \
             VALUES ($1, $2, $3, $4, $5, $6)",
        )
        .bind(reading_id)
        .bind(name)
        .bind(packed.sha256)
        .bind(packed.length_bytes)
        .bind(CODING)
        .bind(packed.packed)
        .execute(&mut **tx)
        .await
        .map_err(self.fail())?;
        Ok(())
    }

    /// Takes a reading out of account; it stays on record with the reason.
    ///
    /// # Errors
    /// [`StoreError::Invalid`] without a reason, [`StoreError::Missing`].
    pub async fn withdraw_reading(
        &self,
        id: i64,
        reason: &str,
        at: Moment,
    ) -> Result<(), StoreError> {
        let reason = reason.trim();
        if reason.is_empty() {
            return Err(StoreError::invalid(
                "withdrawn reading",
                "the reason is empty",
                "write why it does not count",
            ));
        }
        let mut tx = self.write(at).await?;
        let job: Option<i64> = sqlx::query_scalar(
            "UPDATE readings SET withdrawn_reason = $1 WHERE id = $2 RETURNING job_id",
        )
        .bind(reason)
        .bind(id)
        .fetch_optional(&mut *tx)
        .await
        .map_err(self.fail())?;
        let job = job.ok_or(StoreError::Missing {
            what: "reading",
            id,
        })?;
        self.touch(&mut tx, job, at).await?;
        self.commit(tx).await
    }

    /// The readings of a job in order, withdrawn ones too.
    ///
    /// # Errors
    /// Problems of the database.
    pub async fn readings(&self, job_id: i64) -> Result<Vec<ReadingRecord>, StoreError> {
        let rows: Vec<Row> = sqlx::query_as(
            "SELECT r.id, r.stage, r.condition, r.values_toml, r.taken_ms, r.withdrawn_reason, \
             c.file_name, c.sha256, c.length_bytes \
             FROM readings r LEFT JOIN recordings c ON c.reading_id = r.id \
             WHERE r.job_id = $1 ORDER BY r.id",
        )
        .bind(job_id)
        .fetch_all(self.reader())
        .await
        .map_err(self.fail())?;
        Ok(rows.into_iter().map(record).collect())
    }

    /// The recording of a reading.
    ///
    /// # Errors
    /// [`StoreError::Missing`], or [`StoreError::Damaged`] when it is not what was stored.
    pub async fn recording(&self, reading_id: i64) -> Result<StoredRecording, StoreError> {
        let row: Option<PackedRow> = sqlx::query_as(
            "SELECT reading_id, file_name, sha256, length_bytes, coding, packed FROM recordings \
             WHERE reading_id = $1",
        )
        .bind(reading_id)
        .fetch_optional(self.reader())
        .await
        .map_err(self.fail())?;
        let row = row.ok_or(StoreError::Missing {
            what: "recording of reading",
            id: reading_id,
        })?;
        self.unpacked(row)
    }

    pub(crate) fn unpacked(&self, row: PackedRow) -> Result<StoredRecording, StoreError> {
        let (reading_id, file_name, sha256, length, coding, packed) = row;
        let length = usize::try_from(length).unwrap_or(usize::MAX);
        let bytes =
            unpack(&coding, &packed, length, &sha256).map_err(|problem| StoreError::Damaged {
                file: self.file().to_owned(),
                problem: format!("recording `{file_name}` of reading {reading_id}: {problem}"),
            })?;
        Ok(StoredRecording {
            reading_id,
            file_name,
            sha256,
            bytes,
        })
    }

    /// Name and hash of the recordings that count, in the order of their readings.
    pub(crate) async fn recording_hashes(
        &self,
        job_id: i64,
    ) -> Result<Vec<(i64, String, String)>, StoreError> {
        sqlx::query_as(
            "SELECT c.reading_id, c.file_name, c.sha256 FROM recordings c \
             JOIN readings r ON r.id = c.reading_id \
             WHERE r.job_id = $1 AND r.withdrawn_reason IS NULL ORDER BY c.reading_id",
        )
        .bind(job_id)
        .fetch_all(self.reader())
        .await
        .map_err(self.fail())
    }

    /// The readings that count, as pieces of the job file.
    pub(crate) async fn reading_parts(
        &self,
        connection: &mut SqliteConnection,
        job_id: i64,
    ) -> Result<Vec<ReadingPart>, StoreError> {
        let rows: Vec<(i64, String, String, Option<String>)> = sqlx::query_as(
            "SELECT r.id, r.condition, r.values_toml, c.file_name FROM readings r \
             LEFT JOIN recordings c ON c.reading_id = r.id \
             WHERE r.job_id = $1 AND r.withdrawn_reason IS NULL ORDER BY r.id",
        )
        .bind(job_id)
        .fetch_all(&mut *connection)
        .await
        .map_err(self.fail())?;
        let mut adjusted = self.turns_by_reading(connection, job_id).await?;
        let part = |(id, condition, values_toml, recording)| ReadingPart {
            condition,
            values_toml,
            recording,
            adjusted: adjusted.remove(&id).unwrap_or_default(),
        };
        Ok(rows.into_iter().map(part).collect())
    }

    /// Turns by the reading that counts and follows them: those before a withdrawn reading were
    /// made all the same, so they count before the next one.
    async fn turns_by_reading(
        &self,
        connection: &mut SqliteConnection,
        job_id: i64,
    ) -> Result<BTreeMap<i64, Vec<(String, f64)>>, StoreError> {
        let rows: Vec<(i64, String, f64)> = sqlx::query_as(
            "SELECT (SELECT MIN(r.id) FROM readings r WHERE r.job_id = a.job_id \
             AND r.id >= a.reading_id AND r.withdrawn_reason IS NULL) AS before_id, \
             a.adjuster, a.turns FROM adjustments a \
             WHERE a.job_id = $1 AND a.reading_id IS NOT NULL AND a.withdrawn_ms IS NULL \
             AND EXISTS (SELECT 1 FROM readings r WHERE r.job_id = a.job_id \
             AND r.id >= a.reading_id AND r.withdrawn_reason IS NULL) \
             ORDER BY a.id",
        )
        .bind(job_id)
        .fetch_all(&mut *connection)
        .await
        .map_err(self.fail())?;
        let mut turns: BTreeMap<i64, Vec<(String, f64)>> = BTreeMap::new();
        for (reading, adjuster, turned) in rows {
            turns.entry(reading).or_default().push((adjuster, turned));
        }
        Ok(turns)
    }
}

/// A recording packed and named, ready to be kept.
#[derive(Debug)]
pub(crate) struct Packed {
    file_name: String,
    sha256: String,
    length_bytes: i64,
    packed: Vec<u8>,
}

/// Packs a recording; its name must lie inside the job's folder.
pub(crate) fn packed(new: &NewRecording) -> Result<Packed, StoreError> {
    let file_name = inside_name(&new.file_name)?;
    Ok(Packed {
        sha256: hash(&new.bytes),
        length_bytes: i64::try_from(new.bytes.len()).unwrap_or(i64::MAX),
        packed: pack(&file_name, &new.bytes)?,
        file_name,
    })
}

/// A relative path of plain names with `/` between them.
pub(crate) fn inside_name(name: &str) -> Result<String, StoreError> {
    let refused = |why: &str| {
        StoreError::invalid(
            format!("file name `{name}`"),
            why,
            "name a file inside the job's folder",
        )
    };
    let plain = name.replace('\\', "/");
    let parts: Vec<&str> = plain
        .split('/')
        .filter(|p| !p.is_empty() && *p != ".")
        .collect();
    if plain.starts_with('/') || plain.contains(':') || parts.contains(&"..") {
        return Err(refused("leads out of the folder"));
    }
    if plain.chars().any(char::is_control) {
        return Err(refused("holds characters that no name should hold"));
    }
    if parts.is_empty() || plain.len() > 255 {
        return Err(refused("is empty or longer than 255 bytes"));
    }
    let reserved = ["job.toml", "profile.toml", "record.json"];
    if parts.len() == 1 && reserved.contains(&parts[0].to_lowercase().as_str()) {
        return Err(refused("is kept for the job itself"));
    }
    Ok(parts.join("/"))
}

/// `name`, or with a number behind its stem where another file of the job has it already.
fn free_name(name: &str, sha256: &str, taken: &[(String, String)]) -> String {
    // Compared without case: some file systems do not tell `A.csv` from `a.csv`.
    let clash = |candidate: &str| {
        taken
            .iter()
            .any(|(n, h)| n.eq_ignore_ascii_case(candidate) && (h != sha256 || n != candidate))
    };
    let (stem, end) = match name.rfind('.') {
        Some(dot) if dot > name.rfind('/').map_or(0, |s| s + 1) => name.split_at(dot),
        _ => (name, ""),
    };
    let mut candidate = name.to_owned();
    let mut n = 2;
    while clash(&candidate) {
        candidate = format!("{stem}-{n}{end}");
        n += 1;
    }
    candidate
}

fn record(row: Row) -> ReadingRecord {
    let (id, stage, condition, values_toml, taken, withdrawn_reason, name, sha256, length) = row;
    let recording = match (name, sha256, length) {
        (Some(file_name), Some(sha256), Some(length_bytes)) => Some(RecordingLine {
            file_name,
            sha256,
            length_bytes,
        }),
        _ => None,
    };
    ReadingRecord {
        id,
        stage,
        condition,
        values_toml,
        taken: Moment::from_ms(taken),
        withdrawn_reason,
        recording,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_stay_inside_the_folder() {
        assert_eq!(inside_name("a.csv").unwrap(), "a.csv");
        assert_eq!(inside_name("./raw//a.csv").unwrap(), "raw/a.csv");
        assert_eq!(inside_name("raw\\a.csv").unwrap(), "raw/a.csv");
        for bad in [
            "../a.csv",
            "/etc/x",
            "c:\\x",
            "a/../../b",
            "",
            "job.toml",
            "a\nb",
        ] {
            assert!(inside_name(bad).is_err(), "{bad}");
        }
    }

    #[test]
    fn a_name_taken_by_another_file_gets_a_number() {
        let taken = [("idle.csv".to_owned(), "1".to_owned())];
        assert_eq!(free_name("idle.csv", "1", &taken), "idle.csv");
        assert_eq!(free_name("idle.csv", "2", &taken), "idle-2.csv");
        assert_eq!(free_name("Idle.csv", "2", &taken), "Idle-2.csv");
        assert_eq!(free_name("raw/idle", "2", &taken), "raw/idle");
    }
}

//! A job from a folder taken into the records, whole or not at all.

use std::collections::BTreeMap;
use std::path::Path;

use evenpull_job::{SealState, Stage, Step};
use sqlx::{Sqlite, Transaction};

use crate::corrections::Corrected;
use crate::documents::NewDocument;
use crate::error::StoreError;
use crate::job_text::JobParts;
use crate::jobs::{NewJob, check_texts, name_line};
use crate::machines::NewMachine;
use crate::moment::Moment;
use crate::photo_cleaning::clean;
use crate::photos::keep_file;
use crate::readings::{NewRecording, inside_name, packed};
use crate::record_file::{DocumentNote, FORMAT, RECORD_FILE, RecordFile};
use crate::recording_pack::{LIMIT_BYTES, hash};
use crate::seals::SealMoment;
use crate::stages::MovedBy;
use crate::store::Store;

/// A job to be taken in.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ImportJob {
    /// Text of `job.toml`, valid under the profile.
    pub job_toml: String,
    /// Text of the profile it names.
    pub profile_toml: String,
    /// Machine on record it belongs to; `None` makes a new one.
    pub machine_id: Option<i64>,
}

/// What was taken in.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Imported {
    /// Number of the job.
    pub job_id: i64,
    /// Its machine.
    pub machine_id: i64,
    /// Readings.
    pub readings: usize,
    /// Documents, in all their versions and forms.
    pub documents: usize,
}

impl Store {
    /// Takes in the job in `folder`: texts as given, recordings, `record.json`, photos and documents from
    /// the folder. Documents keep their versions.
    ///
    /// Nothing outside the folder is read, whatever the job names; recordings must be named by
    /// paths inside it.
    ///
    /// # Errors
    /// [`StoreError::Text`] for texts with problems, [`StoreError::Invalid`] for names that lead out,
    /// a record that cannot be read or a document that is not what was exported, [`StoreError::Unreadable`] for a recording that is missing.
    pub async fn import_job(
        &self,
        folder: &Path,
        new: &ImportJob,
        at: Moment,
    ) -> Result<Imported, StoreError> {
        let job = check_texts(&new.job_toml, &new.profile_toml)?;
        let parts = JobParts::of(&new.job_toml)?;
        let record = read_record(folder)?;
        let machine = match new.machine_id {
            Some(id) => Some(self.machine(id).await?.id),
            None => None,
        };
        let mut tx = self.write(at).await?;
        let mut made = Made::default();
        let machine_id = match machine {
            Some(id) => id,
            None => {
                let owner_id = match record.as_ref().and_then(|r| r.owner.as_ref()) {
                    Some(owner) => Some(self.insert_owner(&mut tx, owner, at).await?),
                    None => None,
                };
                let registration = record.as_ref().and_then(|r| r.registration.clone());
                let new = NewMachine {
                    name: job.machine.clone(),
                    registration: registration.unwrap_or_default(),
                    profile_toml: new.profile_toml.clone(),
                    owner_id,
                };
                let id = self.insert_machine(&mut tx, &new, at).await?;
                made = Made {
                    machine_id: Some(id),
                    owner_id,
                };
                id
            }
        };
        let booked = NewJob {
            machine_id,
            complaint: record
                .as_ref()
                .map(|r| r.complaint.clone())
                .unwrap_or_default(),
            odometer_km: record.as_ref().and_then(|r| r.odometer_km),
            head_toml: String::new(),
        };
        let mut head = parts.head_toml.clone();
        if parts.machine.is_none() {
            head = format!("{}{head}", name_line(&job.machine));
        }
        let job_id = self
            .insert_job(&mut tx, &booked, &head, &new.profile_toml, at)
            .await?;
        let readings = parts.readings.len();
        let documents = record.as_ref().map_or(0, |r| r.documents.len());
        self.import_parts(&mut tx, job_id, folder, parts, at)
            .await?;
        if let Some(record) = record {
            self.import_record(&mut tx, job_id, folder, &record).await?;
            self.import_history(&mut tx, job_id, made, &record).await?;
        }
        let (parts, profile) = self.parts(&mut tx, job_id).await?;
        check_texts(&parts.text(), &profile)?;
        self.commit(tx).await?;
        Ok(Imported {
            job_id,
            machine_id,
            readings,
            documents,
        })
    }

    async fn import_parts(
        &self,
        tx: &mut Transaction<'static, Sqlite>,
        job_id: i64,
        folder: &Path,
        parts: JobParts,
        at: Moment,
    ) -> Result<(), StoreError> {
        for (part, state) in &parts.seals {
            self.insert_seal(tx, job_id, SealMoment::Found, part, state, at)
                .await?;
        }
        for (name, value) in &parts.checks {
            self.insert_check(tx, job_id, name, value, at).await?;
        }
        let mut read: BTreeMap<String, Vec<u8>> = BTreeMap::new();
        for part in parts.readings {
            let recording = match &part.recording {
                None => None,
                Some(name) => {
                    let name = inside_name(name)?;
                    if !read.contains_key(&name) {
                        // One at a time: an hour of recordings need not fit into memory at once.
                        read.clear();
                        read.insert(name.clone(), read_inside(folder, &name)?);
                    }
                    Some(packed(&NewRecording {
                        bytes: read[&name].clone(),
                        file_name: name,
                    })?)
                }
            };
            self.insert_reading(tx, job_id, part, recording, at).await?;
        }
        Ok(())
    }

    /// What was corrected, and the stages. A machine that was on record before keeps its own history.
    async fn import_history(
        &self,
        tx: &mut Transaction<'static, Sqlite>,
        job_id: i64,
        made: Made,
        record: &RecordFile,
    ) -> Result<(), StoreError> {
        for c in &record.corrections {
            let of = match c.of.as_str() {
                "job" => Some(Corrected::Job(job_id)),
                "machine" => made.machine_id.map(Corrected::Machine),
                _ => made.owner_id.map(Corrected::Owner),
            };
            if let Some(of) = of {
                self.note_correction(tx, of, &c.field, &c.was, c.corrected)
                    .await?;
            }
        }
        for m in &record.stage_moves {
            let stages = (m.was.as_str(), m.stage.as_str());
            self.insert_stage_move(tx, job_id, stages, &m.why, m.moved)
                .await?;
        }
        Ok(())
    }

    async fn import_record(
        &self,
        tx: &mut Transaction<'static, Sqlite>,
        job_id: i64,
        folder: &Path,
        record: &RecordFile,
    ) -> Result<(), StoreError> {
        known_words(record)?;
        sqlx::query("UPDATE jobs SET stage = $1, created_ms = $2, closed_ms = $3 WHERE id = $4")
            .bind(&record.stage)
            .bind(record.created.ms)
            .bind(record.closed.map(|m| m.ms))
            .bind(job_id)
            .execute(&mut **tx)
            .await
            .map_err(self.fail())?;
        let ids: Vec<i64> =
            sqlx::query_scalar("SELECT id FROM readings WHERE job_id = $1 ORDER BY id")
                .bind(job_id)
                .fetch_all(&mut **tx)
                .await
                .map_err(self.fail())?;
        for (id, note) in ids.iter().zip(&record.readings) {
            sqlx::query("UPDATE readings SET stage = $1, taken_ms = $2 WHERE id = $3")
                .bind(&note.stage)
                .bind(note.taken.ms)
                .bind(id)
                .execute(&mut **tx)
                .await
                .map_err(self.fail())?;
        }
        for seal in &record.seals_fitted {
            let moment = SealMoment::Fitted;
            self.insert_seal(tx, job_id, moment, &seal.part, &seal.state, seal.noted)
                .await?;
        }
        for o in &record.overrides {
            self.insert_override(tx, job_id, &o.adjuster, &o.reason, o.given)
                .await?;
        }
        for t in &record.turned_since {
            self.insert_adjustment(tx, job_id, &t.stage, &t.adjuster, t.turns, None, t.made)
                .await?;
        }
        for t in &record.taken_back {
            let id = self
                .insert_adjustment(tx, job_id, &t.stage, &t.adjuster, t.turns, None, t.made)
                .await?;
            sqlx::query("UPDATE adjustments SET withdrawn_ms = $1 WHERE id = $2")
                .bind(t.withdrawn.unwrap_or(t.made).ms)
                .bind(id)
                .execute(&mut **tx)
                .await
                .map_err(self.fail())?;
        }
        for p in &record.progress {
            self.insert_step(tx, job_id, &p.step, p.done, &p.note, p.noted)
                .await?;
        }
        for r in &record.remarks {
            self.insert_remark(tx, job_id, &r.topic, &r.text, r.noted)
                .await?;
        }
        for f in &record.findings {
            self.insert_findings(tx, job_id, &f.into(), f.computed)
                .await?;
        }
        for photo in &record.photos {
            let name = inside_name(&photo.file)?;
            // Cleaned again: nobody knows who made the folder.
            let kept = clean(&name, read_inside(folder, &name)?)?;
            let sha256 = hash(&kept.bytes);
            let file = format!("{sha256}.{}", kept.kind.extension());
            keep_file(&self.photos_folder(), &file, &kept.bytes)?;
            self.insert_photo(
                tx,
                job_id,
                &photo.stage,
                &photo.caption,
                &sha256,
                &kept,
                photo.added,
            )
            .await?;
        }
        for note in &record.documents {
            let document = read_document(folder, note)?;
            self.insert_document(tx, job_id, &document).await?;
        }
        Ok(())
    }
}

/// What an import entered anew beside the job.
#[derive(Debug, Clone, Copy, Default)]
struct Made {
    machine_id: Option<i64>,
    owner_id: Option<i64>,
}

/// A document with its file, which must be the very one that was exported.
fn read_document(folder: &Path, note: &DocumentNote) -> Result<NewDocument, StoreError> {
    let name = inside_name(&note.file)?;
    let bytes = read_inside(folder, &name)?;
    if hash(&bytes) != note.content_sha256 {
        return Err(StoreError::invalid(
            format!("document `{name}`"),
            "is not the file that was exported: its digest is another",
            "export the job again, or take the document out of `documents` in record.json",
        ));
    }
    let plain = |word: &str| {
        let letters = |b: u8| b.is_ascii_lowercase() || b.is_ascii_digit() || b == b'-';
        !word.is_empty() && word.bytes().all(letters)
    };
    if !(plain(&note.kind) && plain(&note.form) && note.version > 0) {
        return Err(StoreError::invalid(
            format!("document `{name}`"),
            format!(
                "kind `{}`, version {}, form `{}`",
                note.kind, note.version, note.form
            ),
            "kinds and forms are words such as `handover` and `pdf-a4`, versions count from 1",
        ));
    }
    Ok(NewDocument {
        kind: note.kind.clone(),
        version: note.version,
        form: note.form.clone(),
        program_version: note.program_version.clone(),
        data_sha256: note.data_sha256.clone(),
        bytes,
        written: note.written,
    })
}

/// `record.json`, where the folder has one.
fn read_record(folder: &Path) -> Result<Option<RecordFile>, StoreError> {
    let path = folder.join(RECORD_FILE);
    if !path.exists() {
        return Ok(None);
    }
    let refused = |problem: String| {
        StoreError::invalid(
            path.display().to_string(),
            problem,
            "take the file out to import the job without it",
        )
    };
    let bytes = read_inside(folder, RECORD_FILE)?;
    let record: RecordFile =
        serde_json::from_slice(&bytes).map_err(|e| refused(format!("cannot be read: {e}")))?;
    if record.format != FORMAT {
        return Err(refused(format!(
            "is of the format `{}`, not `{FORMAT}`",
            record.format
        )));
    }
    Ok(Some(record))
}

/// A file whose real place is inside the folder, links followed.
fn read_inside(folder: &Path, name: &str) -> Result<Vec<u8>, StoreError> {
    let path = folder.join(name);
    let failed = |e: std::io::Error| StoreError::of_reading(&path, &e);
    let base = folder.canonicalize().map_err(failed)?;
    let real = path.canonicalize().map_err(failed)?;
    if !real.starts_with(&base) {
        return Err(StoreError::invalid(
            format!("file name `{name}`"),
            "is a link that leads out of the folder",
            "put the file itself into the job's folder",
        ));
    }
    let length = std::fs::metadata(&real).map_err(failed)?.len();
    if length > LIMIT_BYTES as u64 {
        return Err(StoreError::invalid(
            format!("file `{name}`"),
            format!("{length} bytes, at most {LIMIT_BYTES} are taken"),
            "record a shorter stretch; a minute is plenty",
        ));
    }
    std::fs::read(&real).map_err(failed)
}

/// Refuses words that no program of this version would have written.
fn known_words(record: &RecordFile) -> Result<(), StoreError> {
    let refused = |word: &str| {
        StoreError::invalid(
            RECORD_FILE,
            format!("`{word}` is not known here"),
            "take the file out to import the job without it",
        )
    };
    let stages = std::iter::once(&record.stage)
        .chain(record.readings.iter().map(|r| &r.stage))
        .chain(record.turned_since.iter().map(|t| &t.stage))
        .chain(record.taken_back.iter().map(|t| &t.stage))
        .chain(record.stage_moves.iter().flat_map(|m| [&m.was, &m.stage]))
        .chain(record.photos.iter().map(|p| &p.stage));
    for word in stages {
        Stage::from_word(word).ok_or_else(|| refused(word))?;
    }
    for m in &record.stage_moves {
        if !MovedBy::ALL.iter().any(|why| why.as_str() == m.why) {
            return Err(refused(&m.why));
        }
    }
    for c in &record.corrections {
        if !["job", "machine", "owner"].contains(&c.of.as_str()) {
            return Err(refused(&c.of));
        }
    }
    for step in &record.progress {
        Step::from_word(&step.step).ok_or_else(|| refused(&step.step))?;
    }
    for remark in &record.remarks {
        crate::remarks::check(&remark.topic, &remark.text)?;
    }
    let states = [
        SealState::Intact,
        SealState::Disturbed,
        SealState::CannotSee,
    ];
    for seal in &record.seals_fitted {
        if !states.iter().any(|s| s.as_str() == seal.state) {
            return Err(refused(&seal.state));
        }
    }
    Ok(())
}

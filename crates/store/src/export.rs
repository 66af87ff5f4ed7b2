//! A stored job as a folder or archive that stands by itself.

use std::collections::BTreeSet;
use std::path::Path;

use crate::archive::ZipSink;
use crate::error::StoreError;
use crate::findings::{FindingsRecord, NewFindings};
use crate::job_files::{FileSink, FolderSink};
use crate::moment::Moment;
use crate::record_file::{
    DocumentNote, FORMAT, FindingsNote, OverrideNote, PhotoNote, RECORD_FILE, ReadingNote,
    RecordFile, RemarkNote, SealNote, StageNote, StepNote, TurnNote,
};
use crate::store::Store;

impl Store {
    /// Writes a job with everything on record about it; `to` ending in `.zip` makes an archive.
    ///
    /// Without the owner, name, contact and registration stay out. Complaint, notes and pictures
    /// are written as they are.
    ///
    /// # Errors
    /// [`StoreError::Missing`], [`StoreError::Invalid`] for a job without readings or a target that
    /// is there already.
    pub async fn export_job(
        &self,
        job_id: i64,
        to: &Path,
        with_owner: bool,
    ) -> Result<(), StoreError> {
        // Asked before anything is made.
        self.job_line(job_id).await?;
        let archive = to
            .extension()
            .is_some_and(|end| end.eq_ignore_ascii_case("zip"));
        if archive {
            let mut sink = ZipSink::new(to)?;
            self.put_all(job_id, with_owner, &mut sink).await?;
            sink.finish()
        } else {
            let mut sink = FolderSink::new(to)?;
            self.put_all(job_id, with_owner, &mut sink).await
        }
    }

    async fn put_all(
        &self,
        job_id: i64,
        with_owner: bool,
        sink: &mut impl FileSink,
    ) -> Result<(), StoreError> {
        self.put_job(job_id, sink).await?;
        let record = self.record_file(job_id, with_owner).await?;
        let text = serde_json::to_vec_pretty(&record).map_err(|e| StoreError::Database {
            file: self.file().to_owned(),
            problem: e.to_string(),
        })?;
        sink.put(RECORD_FILE, &text)?;
        // The same picture may be noted twice; its file is there once, as in the folder of photos.
        let mut written = BTreeSet::new();
        for photo in self.photos(job_id).await? {
            let name = format!("photos/{}", photo.file_name());
            if !written.insert(name.clone()) {
                continue;
            }
            sink.put(&name, &self.photo_bytes(&photo)?)?;
        }
        for document in self.documents(job_id).await? {
            let (document, bytes) = self.document(document.id).await?;
            sink.put(&document.file_name(), &bytes)?;
        }
        Ok(())
    }

    async fn record_file(&self, job_id: i64, with_owner: bool) -> Result<RecordFile, StoreError> {
        let line = self.job_line(job_id).await?;
        let machine = self.machine(line.machine_id).await?;
        let (owner_id, registration) = self.owner_of_job(machine.id, job_id).await?;
        let owner = match owner_id {
            Some(id) if with_owner => Some(self.owner(id).await?.data),
            _ => None,
        };
        let readings = self.readings(job_id).await?;
        let counting = readings
            .into_iter()
            .filter(|r| r.withdrawn_reason.is_none());
        let last_counting = counting.clone().map(|r| r.id).max().unwrap_or(0);
        let turns = self.adjustments(job_id).await?;
        let back = turns.clone().into_iter().filter(|t| !t.counts());
        let since = turns
            .into_iter()
            .filter(|t| t.counts() && t.reading_id.is_none_or(|id| id > last_counting));
        let seals = self.seals(job_id).await?;
        let fitted = seals.into_iter().filter(|s| s.moment == "fitted");
        let overrides = self.overrides(job_id).await?;
        let progress = self.progress(job_id).await?;
        let remarks = self.remarks(job_id).await?;
        let photos = self.photos(job_id).await?;
        let findings = self.all_findings(job_id).await?;
        // Latest first on record, oldest first in the file.
        let documents = self.documents(job_id).await?.into_iter().rev();
        let corrections = self
            .correction_notes((job_id, &machine), owner_id, with_owner)
            .await?;
        let moves = self.stage_moves(job_id).await?;
        Ok(RecordFile {
            format: FORMAT.to_owned(),
            complaint: line.complaint,
            odometer_km: line.odometer_km,
            stage: line.stage,
            created: line.created,
            closed: line.closed,
            registration: with_owner.then_some(registration),
            owner,
            readings: counting.map(ReadingNote::from).collect(),
            seals_fitted: fitted.map(SealNote::from).collect(),
            overrides: overrides.into_iter().map(OverrideNote::from).collect(),
            turned_since: since.map(TurnNote::from).collect(),
            taken_back: back.map(TurnNote::from).collect(),
            corrections,
            stage_moves: moves.into_iter().map(StageNote::from).collect(),
            progress: progress.into_iter().map(StepNote::from).collect(),
            remarks: remarks.into_iter().map(RemarkNote::from).collect(),
            photos: photos.into_iter().map(PhotoNote::from).collect(),
            findings: findings.into_iter().map(FindingsNote::from).collect(),
            documents: documents.map(DocumentNote::from).collect(),
        })
    }

    async fn all_findings(&self, job_id: i64) -> Result<Vec<FindingsRecord>, StoreError> {
        type Row = (String, String, i64, String, Option<f64>, String, i64);
        let rows: Vec<Row> = sqlx::query_as(
            "SELECT program_version, inputs_sha256, undetermined, leading_cause, probability, \
             answer_json, computed_ms FROM findings WHERE job_id = $1 ORDER BY id",
        )
        .bind(job_id)
        .fetch_all(self.reader())
        .await
        .map_err(self.fail())?;
        let record = |(version, inputs, undetermined, cause, p, json, ms): Row| FindingsRecord {
            id: 0,
            findings: NewFindings {
                program_version: version,
                inputs_sha256: inputs,
                undetermined: undetermined != 0,
                leading_cause: cause,
                probability: p,
                answer_json: json,
            },
            computed: Moment::from_ms(ms),
        };
        Ok(rows.into_iter().map(record).collect())
    }
}

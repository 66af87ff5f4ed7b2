//! The records of the workshop: each use case once, with the clock put in.
//!
//! Asynchronous, since the served pages are; [`block_on`] is the bridge for a command line.

use std::path::Path;
use std::sync::Arc;

use evenpull_job::{Override, SealState, Stage, Step};
use evenpull_report::RemarkTopic;
use evenpull_store::{
    Access, AdjustmentRecord, CheckRecord, CorrectionRecord, DocumentRecord, FindingsLine,
    FindingsRecord, JobFilter, JobLine, JobTexts, Machine, MachineLine, Moment, NewJob, NewMachine,
    NewOwner, NewPhoto, OverrideRecord, Owner, PhotoRecord, ProgressRecord, ReadingRecord,
    RemarkRecord, SealMoment, SealRecord, StageMove, Store, StoreError, StoredRecording,
};
use serde::Serialize;

use crate::error::AppError;

mod archives;
mod assess_stored;
mod clock;
mod corrections;
mod data_folder;
mod entry;
mod library;
mod odometer_doubt;
mod offered;
mod sales;
mod shop;
mod shown_findings;
mod stage_offered;
mod together;
mod translations;
mod turn_doubt;
mod years;

pub use archives::{restore_records, salvage_records};
pub use assess_stored::{JobSource, StoredAssessment, assess_source};
pub use clock::{Clock, system_clock};
pub use data_folder::default_data_folder;
pub use entry::{GaugeEntry, ReadingEntry, RecordingEntry};
pub(crate) use library::Known;
pub use library::{LibraryJob, LibrarySweep, LibraryValue, LibraryView};
pub use odometer_doubt::OdometerDoubt;
pub use sales::Sale;
pub use shop::{EstimateLine, ShopSettings};
pub use shown_findings::{BeforeAfter, ShownFindings};
pub use stage_offered::{OfferReason, StageOffer};
pub use together::Together;
pub use turn_doubt::TurnDoubt;
pub use years::{
    ChangeAnswer, DotAnswer, HistoryAnswer, MachineHistory, MovedAnswer, RangeAnswer, SeriesAnswer,
};

/// The records of a data folder, open; cheap to clone.
#[derive(Clone)]
pub struct Records {
    store: Arc<Store>,
    clock: Clock,
    writes: bool,
    notices: Arc<Vec<evenpull_job::Notice>>,
}

/// Everything on record about a job but recordings and pictures themselves.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct JobRecord {
    /// As the list shows it.
    pub line: JobLine,
    /// Readings in order, withdrawn ones too.
    pub readings: Vec<ReadingRecord>,
    /// Seals as found and fitted; the last word on a part counts.
    pub seals: Vec<SealRecord>,
    /// Checks; the last word on a name counts.
    pub checks: Vec<CheckRecord>,
    /// What was turned, and what of it was taken back.
    pub adjustments: Vec<AdjustmentRecord>,
    /// Written reasons for touching sealed parts.
    pub overrides: Vec<OverrideRecord>,
    /// Steps of the order of work; the last word on a step counts.
    pub progress: Vec<ProgressRecord>,
    /// Photos.
    pub photos: Vec<PhotoRecord>,
    /// Remarks for the owner.
    pub remarks: Vec<RemarkRecord>,
    /// What stood in the booking before it was corrected.
    pub corrections: Vec<CorrectionRecord>,
    /// The stages it went through.
    pub stage_moves: Vec<StageMove>,
    /// Findings without their answers, latest first.
    pub findings: Vec<FindingsLine>,
    /// Documents without their files, latest first.
    pub documents: Vec<DocumentRecord>,
}

/// Runs a future to its end on a small runtime of its own: the bridge for a command line.
///
/// # Errors
/// What the future returns, or [`AppError::Runtime`] when the system gives no runtime.
pub fn block_on<T>(future: impl Future<Output = Result<T, AppError>>) -> Result<T, AppError> {
    tokio::runtime::Builder::new_current_thread()
        .enable_time()
        .build()
        .map_err(|e| AppError::Runtime(e.to_string()))?
        .block_on(future)
}

impl JobRecord {
    /// The turns that count: those that were not taken back.
    pub fn turns_made(&self) -> impl Iterator<Item = &AdjustmentRecord> {
        self.adjustments.iter().filter(|a| a.counts())
    }
}

impl Records {
    /// Opens the records in `folder`; `holder` names this program to others that ask for them.
    ///
    /// Looking at records of an older schema brings them up to date first, where that is allowed.
    ///
    /// # Errors
    /// As [`Store::open`].
    pub async fn open(
        folder: &Path,
        access: Access,
        holder: &str,
        clock: Clock,
    ) -> Result<Self, AppError> {
        let at = clock();
        let (opened, access) = match Store::open(folder, access, holder, at).await {
            Err(StoreError::OlderSchema { .. }) => {
                let newer = Store::open(folder, Access::Write, holder, at).await;
                (newer, Access::Write)
            }
            other => (other, access),
        };
        let (store, notices) = opened?;
        Ok(Self {
            store: Arc::new(store),
            clock,
            writes: access == Access::Write,
            notices: Arc::new(notices),
        })
    }

    /// Closes the records; later calls on any clone fail.
    pub async fn close(self) {
        match Arc::try_unwrap(self.store) {
            Ok(store) => store.close().await,
            Err(shared) => shared.end().await,
        }
    }

    /// What was found while opening: a crash before, a clock set back, a schema brought up to date.
    pub fn notices(&self) -> &[evenpull_job::Notice] {
        &self.notices
    }

    /// The data folder.
    pub fn folder(&self) -> &Path {
        self.store.folder()
    }

    pub(crate) fn store(&self) -> &Store {
        &self.store
    }

    /// Whether the records are open for writing.
    pub fn writes(&self) -> bool {
        self.writes
    }

    /// The time as the records stamp it.
    pub fn now(&self) -> Moment {
        (self.clock)()
    }

    /// Lets the records grow to so many pages of 4096 bytes: they then answer as on a full disk. To see
    /// what comes of that.
    ///
    /// # Errors
    /// Problems of the records.
    pub async fn limit_growth(&self, pages: u32) -> Result<(), AppError> {
        Ok(self.store.limit_growth(pages).await?)
    }

    /// Machines by a word in their name, newest first; see [`Store::machines`].
    ///
    /// # Errors
    /// Problems of the records.
    pub async fn machines(
        &self,
        text: &str,
        before: i64,
        limit: u32,
    ) -> Result<Vec<MachineLine>, AppError> {
        Ok(self.store.machines(text, before, limit).await?)
    }

    /// One machine.
    ///
    /// # Errors
    /// [`StoreError::Missing`].
    pub async fn machine(&self, id: i64) -> Result<Machine, AppError> {
        Ok(self.store.machine(id).await?)
    }

    /// Keeps a machine; returns its number.
    ///
    /// # Errors
    /// As [`Store::add_machine`].
    pub async fn add_machine(&self, new: &NewMachine) -> Result<i64, AppError> {
        Ok(self.store.add_machine(new, self.now()).await?)
    }

    /// Changes a machine.
    ///
    /// # Errors
    /// As [`Store::change_machine`].
    pub async fn change_machine(&self, id: i64, new: &NewMachine) -> Result<(), AppError> {
        Ok(self.store.change_machine(id, new, self.now()).await?)
    }

    /// Owners, the one whose date comes first at the head.
    ///
    /// # Errors
    /// Problems of the records.
    pub async fn owners(&self) -> Result<Vec<Owner>, AppError> {
        Ok(self.store.owners().await?)
    }

    /// One owner.
    ///
    /// # Errors
    /// [`StoreError::Missing`].
    pub async fn owner(&self, id: i64) -> Result<Owner, AppError> {
        Ok(self.store.owner(id).await?)
    }

    /// Keeps an owner; returns the number.
    ///
    /// # Errors
    /// As [`Store::add_owner`].
    pub async fn add_owner(&self, new: &NewOwner) -> Result<i64, AppError> {
        Ok(self.store.add_owner(new, self.now()).await?)
    }

    /// Deletes an owner; technical records stay. Backups made before still hold the owner.
    ///
    /// # Errors
    /// [`StoreError::Missing`].
    pub async fn delete_owner(&self, id: i64) -> Result<(), AppError> {
        Ok(self.store.delete_owner(id, self.now()).await?)
    }

    /// Jobs, latest number first.
    ///
    /// # Errors
    /// Problems of the records.
    pub async fn jobs(&self, filter: &JobFilter) -> Result<Vec<JobLine>, AppError> {
        Ok(self.store.jobs(filter).await?)
    }

    /// Books a job in; returns its number.
    ///
    /// # Errors
    /// As [`Store::add_job`].
    pub async fn add_job(&self, new: &NewJob) -> Result<i64, AppError> {
        Ok(self.store.add_job(new, self.now()).await?)
    }

    /// Everything on record about a job.
    ///
    /// # Errors
    /// [`StoreError::Missing`].
    pub async fn job(&self, id: i64) -> Result<JobRecord, AppError> {
        let s = &self.store;
        Ok(JobRecord {
            line: s.job_line(id).await?,
            readings: s.readings(id).await?,
            seals: s.seals(id).await?,
            checks: s.checks(id).await?,
            adjustments: s.adjustments(id).await?,
            overrides: s.overrides(id).await?,
            progress: s.progress(id).await?,
            photos: s.photos(id).await?,
            remarks: s.remarks(id).await?,
            corrections: s.corrections(id).await?,
            stage_moves: s.stage_moves(id).await?,
            findings: s.findings(id).await?,
            documents: s.documents(id).await?,
        })
    }

    /// The texts of a job, `evenpull.job/1` and its profile.
    ///
    /// # Errors
    /// [`StoreError::Missing`].
    pub async fn job_texts(&self, id: i64) -> Result<JobTexts, AppError> {
        Ok(self.store.job_texts(id).await?)
    }

    /// Sets a key or section of the job file's head, such as `ambient`; see [`Store::set_head`].
    ///
    /// # Errors
    /// As [`Store::set_head`].
    pub async fn set_head(
        &self,
        id: i64,
        key: &str,
        section_toml: Option<&str>,
    ) -> Result<(), AppError> {
        Ok(self
            .store
            .set_head(id, key, section_toml, self.now())
            .await?)
    }

    /// Notes what each sensor read with the engine off [kPa], by body.
    ///
    /// # Errors
    /// As [`Store::set_key_off`].
    pub async fn set_key_off(&self, id: i64, kpa: &[(String, f64)]) -> Result<(), AppError> {
        Ok(self.store.set_key_off(id, kpa, self.now()).await?)
    }

    /// Puts a job into a stage.
    ///
    /// # Errors
    /// [`StoreError::Missing`].
    pub async fn set_stage(&self, id: i64, stage: Stage) -> Result<(), AppError> {
        Ok(self.store.set_stage(id, stage, self.now()).await?)
    }

    /// Closes a job, or opens it again.
    ///
    /// # Errors
    /// [`StoreError::Missing`].
    pub async fn set_closed(&self, id: i64, closed: bool) -> Result<(), AppError> {
        Ok(self.store.set_closed(id, closed, self.now()).await?)
    }

    /// Keeps a reading; when this returns it is on the disk.
    ///
    /// # Errors
    /// As [`Store::add_reading`].
    pub async fn add_reading(&self, job_id: i64, entry: &ReadingEntry) -> Result<i64, AppError> {
        let new = entry.to_stored();
        Ok(self.store.add_reading(job_id, &new, self.now()).await?)
    }

    /// Takes a reading out of account, with the reason; it stays on record.
    ///
    /// # Errors
    /// As [`Store::withdraw_reading`].
    pub async fn withdraw_reading(&self, id: i64, reason: &str) -> Result<(), AppError> {
        Ok(self.store.withdraw_reading(id, reason, self.now()).await?)
    }

    /// The recording of a reading, checked.
    ///
    /// # Errors
    /// As [`Store::recording`].
    pub async fn recording(&self, reading_id: i64) -> Result<StoredRecording, AppError> {
        Ok(self.store.recording(reading_id).await?)
    }

    /// Records the state of a seal.
    ///
    /// # Errors
    /// As [`Store::record_seal`].
    pub async fn record_seal(
        &self,
        job_id: i64,
        moment: SealMoment,
        part: &str,
        state: SealState,
    ) -> Result<i64, AppError> {
        let at = self.now();
        Ok(self
            .store
            .record_seal(job_id, moment, part, state, at)
            .await?)
    }

    /// Records a check: a key of `[checks]` and its value in TOML.
    ///
    /// # Errors
    /// As [`Store::record_check`].
    pub async fn record_check(
        &self,
        job_id: i64,
        name: &str,
        value_toml: &str,
    ) -> Result<i64, AppError> {
        let at = self.now();
        Ok(self
            .store
            .record_check(job_id, name, value_toml, at)
            .await?)
    }

    /// Records the written reason for turning a sealed part.
    ///
    /// # Errors
    /// As [`Store::record_override`].
    pub async fn record_override(
        &self,
        job_id: i64,
        adjuster: &str,
        reason: &str,
    ) -> Result<i64, AppError> {
        let reason = Override::new(reason).map_err(StoreError::from)?;
        let at = self.now();
        Ok(self
            .store
            .record_override(job_id, adjuster, &reason, at)
            .await?)
    }

    /// Records what was turned; a sealed part needs the baseline stage and an override.
    ///
    /// # Errors
    /// As [`Store::record_adjustment`].
    pub async fn record_adjustment(
        &self,
        job_id: i64,
        adjuster: &str,
        turns: f64,
    ) -> Result<i64, AppError> {
        let at = self.now();
        Ok(self
            .store
            .record_adjustment(job_id, adjuster, turns, at)
            .await?)
    }

    /// Notes a step of the order of work as done, or as open again.
    ///
    /// # Errors
    /// [`StoreError::Missing`].
    pub async fn record_step(
        &self,
        job_id: i64,
        step: Step,
        done: bool,
        note: &str,
    ) -> Result<i64, AppError> {
        let at = self.now();
        Ok(self.store.record_step(job_id, step, done, note, at).await?)
    }

    /// Writes down what was asked, found, done, declined or left out, for the documents.
    ///
    /// # Errors
    /// As [`Store::record_remark`].
    pub async fn record_remark(
        &self,
        job_id: i64,
        topic: RemarkTopic,
        text: &str,
    ) -> Result<i64, AppError> {
        let at = self.now();
        let topic = topic.as_str();
        Ok(self.store.record_remark(job_id, topic, text, at).await?)
    }

    /// Takes a remark out of the documents to come; it stays on record.
    ///
    /// # Errors
    /// As [`Store::withdraw_remark`].
    pub async fn withdraw_remark(&self, id: i64) -> Result<(), AppError> {
        Ok(self.store.withdraw_remark(id, self.now()).await?)
    }

    /// Keeps a photo, cleaned of place, time and device.
    ///
    /// # Errors
    /// As [`Store::add_photo`].
    pub async fn add_photo(&self, job_id: i64, new: NewPhoto) -> Result<i64, AppError> {
        Ok(self.store.add_photo(job_id, new, self.now()).await?)
    }

    /// One photo with its file.
    ///
    /// # Errors
    /// As [`Store::photo`].
    pub async fn photo(&self, id: i64) -> Result<(PhotoRecord, Vec<u8>), AppError> {
        Ok(self.store.photo(id).await?)
    }

    /// The latest findings of a job with their answer, as computed.
    ///
    /// # Errors
    /// Problems of the records.
    pub async fn latest_findings(&self, job_id: i64) -> Result<Option<FindingsRecord>, AppError> {
        Ok(self.store.latest_findings(job_id).await?)
    }
}

#[cfg(test)]
mod tests;

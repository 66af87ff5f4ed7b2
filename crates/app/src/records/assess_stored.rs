//! Findings of a stored job.

use std::path::{Path, PathBuf};

use evenpull_store::{Access, NewFindings, StoreError};
use evenpull_trace::Notice;

use super::shown_findings::{ShownFindings, ShownText};
use super::years::Until;
use super::{Clock, Records};
use crate::assess::{AssessOutcome, JobProgress, assess, assess_on_record, assess_with_references};
use crate::error::AppError;
use crate::standing::StandingText;
use crate::written::unwritable;

/// A job as it is named on a command line: a folder or file, or the number of a stored job.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum JobSource {
    /// A folder with `job.toml`, or that file.
    Path(PathBuf),
    /// A stored job.
    Stored(i64),
}

impl JobSource {
    /// What exists as a path is one; otherwise a whole number is a stored job.
    pub fn of(text: &Path) -> Self {
        let number = text.to_str().and_then(|t| t.parse::<i64>().ok());
        match number {
            Some(id) if id > 0 && !text.exists() => Self::Stored(id),
            _ => Self::Path(text.to_owned()),
        }
    }
}

/// Findings of a stored job.
#[derive(Debug)]
pub struct StoredAssessment {
    /// The outcome, as for a job in a folder.
    pub outcome: AssessOutcome,
    /// Number of the findings on record; `None` when the records were open for reading only.
    pub findings_id: Option<i64>,
    /// The same in short, as the pages of the job show it.
    pub shown: ShownFindings,
}

/// Assesses a job in a folder, or a stored one in the records of `data_folder`, beside `references`:
/// healthy machines of the same kind, in folders or stored.
///
/// The findings of a stored job are kept, unless another program has the records open; they are
/// then computed all the same. With references they rest on more than the job, and are not kept.
///
/// # Errors
/// As [`assess`], [`assess_with_references`] and [`Records::open`].
pub fn assess_source(
    source: &JobSource,
    references: &[JobSource],
    data_folder: &Path,
    clock: &Clock,
    progress: &mut JobProgress<'_>,
) -> Result<AssessOutcome, AppError> {
    if !references.is_empty() {
        return beside(source, references, data_folder, clock, progress);
    }
    let id = match source {
        JobSource::Path(path) => return assess(path, progress),
        JobSource::Stored(id) => *id,
    };
    super::block_on(async {
        // Looked at first: asking for a job must not start new records.
        let looking = open(data_folder, Access::Read, clock).await?;
        looking.job_texts(id).await?;
        looking.close().await;
        let records = match open(data_folder, Access::Write, clock).await {
            Err(AppError::Store(StoreError::InUse { .. } | StoreError::NotWritable { .. })) => {
                open(data_folder, Access::Read, clock).await?
            }
            other => other?,
        };
        let done = records.assess(id).await;
        records.close().await;
        Ok(done?.outcome)
    })
}

/// Lays out what is stored as folders for as long as the assessment takes.
fn beside(
    source: &JobSource,
    references: &[JobSource],
    data_folder: &Path,
    clock: &Clock,
    progress: &mut JobProgress<'_>,
) -> Result<AssessOutcome, AppError> {
    let mut kept = Vec::new();
    let mut paths = Vec::new();
    for one in std::iter::once(source).chain(references) {
        paths.push(match one {
            JobSource::Path(path) => path.clone(),
            JobSource::Stored(id) => {
                let folder = super::block_on(async {
                    let records = open(data_folder, Access::Read, clock).await?;
                    let folder = records.in_folder(*id).await;
                    records.close().await;
                    folder
                })?;
                let path = folder.path.clone();
                kept.push((*id, folder));
                path
            }
        });
    }
    assess_with_references(&paths[0], &paths[1..], progress).map_err(|e| {
        let all = kept.iter();
        all.fold(e, |e, (id, f)| e.naming(&f.path, &format!("job {id}")))
    })
}

async fn open(folder: &Path, access: Access, clock: &Clock) -> Result<Records, AppError> {
    Records::open(folder, access, "`evenpull assess`", clock.clone()).await
}

/// A job laid out as a folder for as long as this lives.
#[derive(Debug)]
pub(crate) struct JobFolder {
    _kept: tempfile::TempDir,
    pub(crate) path: PathBuf,
}

impl Records {
    /// Computes the findings of a job anew and keeps them with the hash of what they rest on.
    ///
    /// The same inputs and program give the same findings; they are then kept once.
    ///
    /// # Errors
    /// As [`assess`]; a job without readings is bad input.
    pub async fn assess(&self, job_id: i64) -> Result<StoredAssessment, AppError> {
        let turns_on_record = self.turn_notes(job_id).await?;
        let numbers = self.counting(job_id).await?;
        let (inputs_sha256, folder) = self.inputs(job_id).await?;
        let known = self.known_beside(job_id).await?;
        let work = move || {
            let done = assess_on_record(&folder.path, &known);
            done.map_err(|e| e.naming(&folder.path, &format!("job {job_id}")))
        };
        let (mut outcome, left) = tokio::task::spawn_blocking(work)
            .await
            .map_err(|e| AppError::Runtime(e.to_string()))??;
        let changed = self.changed_since(job_id, &outcome, &left).await?;
        outcome.assessment.notices.extend(changed);
        let answer = outcome.answer();
        let json = |e: serde_json::Error| AppError::Json(e.to_string());
        let mut kept = serde_json::to_value(&answer).map_err(json)?;
        kept["standing"] = serde_json::to_value(&left).map_err(json)?;
        let mut shown = ShownFindings::of(&outcome);
        // Others may have written meanwhile; a number must not name another reading.
        let unchanged = self.counting(job_id).await? == numbers
            && numbers.len() == outcome.loaded.job.readings.len();
        let numbers = if unchanged { numbers } else { Vec::new() };
        let text = ShownText::of(&shown, turns_on_record, numbers);
        kept["shown"] = serde_json::to_value(text).map_err(json)?;
        let answer_json = kept.to_string();
        let leading = answer.causes.first();
        let new = NewFindings {
            program_version: env!("CARGO_PKG_VERSION").to_owned(),
            inputs_sha256,
            undetermined: answer.undetermined,
            leading_cause: leading.map(|c| c.code.to_owned()).unwrap_or_default(),
            probability: leading.and_then(|c| c.probability),
            answer_json,
        };
        let findings_id = if self.writes() {
            Some(self.keep_findings(job_id, &new).await?)
        } else {
            None
        };
        shown.id = findings_id;
        Ok(StoredAssessment {
            outcome,
            findings_id,
            shown,
        })
    }

    /// Numbers of the readings that count, in order.
    async fn counting(&self, job_id: i64) -> Result<Vec<i64>, AppError> {
        let all = self.store().readings(job_id).await?;
        let counting = all.iter().filter(|r| r.withdrawn_reason.is_none());
        Ok(counting.map(|r| r.id).collect())
    }

    /// What was touched since the visit before, behind the shop's back.
    async fn changed_since(
        &self,
        job_id: i64,
        outcome: &AssessOutcome,
        left: &StandingText,
    ) -> Result<Vec<Notice>, AppError> {
        let line = self.store().job_line(job_id).await?;
        let profile = &outcome.loaded.profile;
        let until = Until {
            job: Some(job_id),
            left: Some(left),
        };
        let years = self
            .history_with(line.machine_id, &line.machine, profile, until)
            .await?;
        let here = years.jobs.iter().position(|job| *job == job_id);
        let changes = years.history.changes.into_iter();
        let own = changes.filter(|c| Some(c.visit) == here);
        Ok(own.map(|c| Notice::new("changed-since", c.text)).collect())
    }

    /// A job's folder and the hash of just what lies in it: others may write meanwhile.
    async fn inputs(&self, job_id: i64) -> Result<(String, JobFolder), AppError> {
        loop {
            let before = self.store().inputs_sha256(job_id).await?;
            let folder = self.in_folder(job_id).await?;
            if self.store().inputs_sha256(job_id).await? == before {
                return Ok((before, folder));
            }
        }
    }

    async fn keep_findings(&self, job_id: i64, new: &NewFindings) -> Result<i64, AppError> {
        if let Some(latest) = self.store().latest_findings(job_id).await?
            && latest.findings == *new
        {
            return Ok(latest.id);
        }
        Ok(self.store().add_findings(job_id, new, self.now()).await?)
    }

    /// Lays a job out as a folder that `evenpull assess` reads.
    pub(crate) async fn in_folder(&self, job_id: i64) -> Result<JobFolder, AppError> {
        let made = tempfile::tempdir().map_err(|e| unwritable(&std::env::temp_dir(), &e))?;
        let path = made.path().join(format!("job-{job_id}"));
        self.store().write_job_folder(job_id, &path).await?;
        Ok(JobFolder { _kept: made, path })
    }
}

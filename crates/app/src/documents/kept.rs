//! Documents of stored jobs: a version is written once and given out ever after.

use std::path::PathBuf;

use evenpull_job::{Job, PressureUnit, Profile};
use evenpull_report::{
    DocumentKind, GAUGE_UNITS, LineChoice, PaperPhoto, PaperRecord, PaperRemark, PaperYears,
    PricedLine, Rates, ReadingSource, RemarkTopic, Stamp, Writing, small_photo,
};
use evenpull_store::{DocumentRecord, JobTexts, Moment, NewDocument, sha256_hex};
use serde::Serialize;

use super::{
    Calendar, Chosen, DocumentFile, DocumentForm, Findings, VERSION, needs_readings, rendered,
};
use crate::error::AppError;
use crate::job_folder::LoadedJob;
use crate::records::{JobRecord, Records, ShopSettings};
/// A document on record and whether the job still is as it says.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct KeptDocument {
    /// As kept.
    #[serde(flatten)]
    pub record: DocumentRecord,
    /// True while nothing it rests on was changed since.
    pub current: bool,
}

/// What a version of a document is told apart by.
struct Version {
    number: Option<i64>,
    written: Moment,
    data_sha256: String,
}

impl Records {
    /// A document of a stored job.
    ///
    /// What is not chosen is as the shop has set it. As long as neither the job nor the program nor the
    /// way of writing changed, the version on record is given out; after that a new version is made,
    /// and the older ones stay. Records that are open for looking only keep nothing, and the document
    /// then carries no version.
    ///
    /// # Errors
    /// As [`Records::assess`], or [`AppError::Document`].
    pub async fn document(
        &self,
        job_id: i64,
        kind: DocumentKind,
        form: DocumentForm,
        chosen: &Chosen<'_>,
        calendar: &Calendar,
    ) -> Result<DocumentFile, AppError> {
        let record = self.job(job_id).await?;
        let shop = self.shop_settings().await?;
        let rates = &chosen.rates.cloned().unwrap_or_else(|| rates_of(&shop));
        let writing = chosen.writing(shop.writing);
        let data_sha256 = written_so(&self.paper_digest(&record, &shop).await?, writing);
        // An estimate rests on the rates as well; what it says of the job stays comparable without.
        let data_sha256 = match kind {
            DocumentKind::Estimate => with_rates(&data_sha256, rates),
            _ => data_sha256,
        };
        let same = |d: &&DocumentRecord| {
            d.kind == kind.as_str() && d.data_sha256 == data_sha256 && d.program_version == VERSION
        };
        let there: Vec<&DocumentRecord> = record.documents.iter().filter(same).collect();
        if let Some(kept) = there.iter().find(|d| d.form == form.as_str()) {
            let (kept, bytes) = self.store().document(kept.id).await?;
            let version = Some(kept.version);
            return Ok(DocumentFile { bytes, version });
        }
        let version = match there.first() {
            Some(sister) => Version {
                number: Some(sister.version),
                written: sister.written,
                data_sha256,
            },
            None => Version {
                number: self.writes().then(|| next_version(&record, kind)),
                written: self.now(),
                data_sha256,
            },
        };
        let bytes = self
            .write(
                &record,
                (kind, form),
                &version,
                (rates, &shop, writing),
                calendar,
            )
            .await?;
        if self.writes()
            && let Some(number) = version.number
        {
            let new = NewDocument {
                kind: kind.as_str().to_owned(),
                version: number,
                form: form.as_str().to_owned(),
                program_version: VERSION.to_owned(),
                data_sha256: version.data_sha256,
                bytes: bytes.clone(),
                written: version.written,
            };
            self.store().add_document(job_id, &new, self.now()).await?;
        }
        Ok(DocumentFile {
            bytes,
            version: version.number,
        })
    }

    /// The documents of a job on record, latest first.
    ///
    /// # Errors
    /// Problems of the records.
    pub async fn documents(&self, job_id: i64) -> Result<Vec<KeptDocument>, AppError> {
        let record = self.job(job_id).await?;
        let shop = self.shop_settings().await?;
        let digest = self.paper_digest(&record, &shop).await?;
        let rates = &rates_of(&shop);
        // How it was written does not change what it says of the job.
        let units = [PressureUnit::Pa, PressureUnit::Bar].into_iter();
        let writings = units
            .chain(GAUGE_UNITS)
            .flat_map(|pressure| [false, true].map(|comma| Writing { comma, pressure }));
        let digests: Vec<String> = writings.map(|w| written_so(&digest, w)).collect();
        let kept = record.documents.into_iter().map(|record| KeptDocument {
            current: record.program_version == VERSION
                && digests.iter().any(|digest| {
                    record.data_sha256 == *digest
                        || record.kind == DocumentKind::Estimate.as_str()
                            && record.data_sha256 == with_rates(digest, rates)
                }),
            record,
        });
        Ok(kept.collect())
    }

    async fn write(
        &self,
        record: &JobRecord,
        (kind, form): (DocumentKind, DocumentForm),
        version: &Version,
        (rates, shop, writing): (&Rates, &ShopSettings, Writing),
        calendar: &Calendar,
    ) -> Result<Vec<u8>, AppError> {
        let job_id = record.line.id;
        let mut paper = paper_record(record, calendar);
        let mut files = Vec::new();
        for photo in &record.photos {
            files.push(self.store().photo(photo.id).await?);
        }
        let stamp = Stamp {
            program_version: VERSION.to_owned(),
            written: calendar(version.written),
            data_sha256: version.data_sha256.clone(),
            job_name: job_id.to_string(),
            version: version.number,
            shop: shop_line(shop),
        };
        // A card is wanted before anything is read, and findings need readings.
        let found = if needs_readings(kind) {
            let mut outcome = self.assess(job_id).await?.outcome;
            // What was read before the first turn is assessed as well, from the recordings again.
            let folder = self.in_folder(job_id).await?;
            outcome.loaded.folder.clone_from(&folder.path);
            Some((outcome, folder))
        } else {
            None
        };
        let years = self.history_until(record.line.machine_id, job_id).await?;
        paper.years = Some(PaperYears {
            labels: years.labels(),
            moved: years.moved().into_iter().map(|m| m.text).collect(),
            history: years.history,
        });
        let texts = self.job_texts(job_id).await?;
        let rates = rates.clone();
        let making = move || {
            for (photo, bytes) in files {
                match small_photo(&bytes) {
                    Some(jpeg) => paper.photos.push(PaperPhoto {
                        jpeg,
                        after: matches!(photo.stage.as_str(), "verify" | "handover"),
                        caption: photo.caption,
                    }),
                    None => paper.photos_unread += 1,
                }
            }
            let findings = match found {
                Some((found, _folder)) => Findings::beside(found)?,
                None => Findings::of(without_readings(&texts)?, kind, &mut |_, _| {})?,
            };
            let document = findings.document(kind, &paper, &stamp, (&rates, writing));
            rendered(&document, form)
        };
        tokio::task::spawn_blocking(making)
            .await
            .map_err(|e| AppError::Runtime(e.to_string()))?
    }

    /// SHA-256 over everything the documents of a job rest on.
    async fn paper_digest(
        &self,
        record: &JobRecord,
        shop: &ShopSettings,
    ) -> Result<String, AppError> {
        let inputs = self.store().inputs_sha256(record.line.id).await?;
        let line = &record.line;
        let rest = (
            (
                &line.machine,
                &line.complaint,
                line.odometer_km,
                line.created,
            ),
            (
                &record.readings,
                &record.seals,
                &record.checks,
                &record.adjustments,
            ),
            (
                &record.overrides,
                &record.progress,
                &record.photos,
                &record.remarks,
            ),
        );
        let text = serde_json::to_string(&rest).map_err(|e| AppError::Json(e.to_string()))?;
        let whole = format!("{inputs}{text}{}", shop_line(shop));
        Ok(sha256_hex(whole.as_bytes()))
    }
}

/// A job as booked in, for documents that say nothing of its readings.
fn without_readings(texts: &JobTexts) -> Result<LoadedJob, AppError> {
    let profile = Profile::from_toml("profile.toml", &texts.profile_toml)?;
    Ok(LoadedJob {
        job: Job::draft_from_toml("job.toml", &texts.job_toml, &profile)?,
        profile,
        file: PathBuf::from("job.toml"),
        folder: PathBuf::new(),
        text: texts.job_toml.clone(),
    })
}

/// The shop as its documents name it: one line.
fn shop_line(shop: &ShopSettings) -> String {
    let parts = std::iter::once(shop.name.as_str()).chain(shop.address.lines());
    let given: Vec<&str> = parts.map(str::trim).filter(|p| !p.is_empty()).collect();
    given.join(", ")
}

/// The shop's own rate and the lines it keeps ready.
fn rates_of(shop: &ShopSettings) -> Rates {
    Rates {
        currency: shop.currency.clone(),
        rate_hundredths: shop.rate_hundredths,
        lines: shop
            .lines
            .iter()
            .map(|l| PricedLine {
                choice: LineChoice::Both,
                words: l.words.clone(),
                minutes: l.minutes,
                price_hundredths: l.price_hundredths,
            })
            .collect(),
    }
}

/// The digest of a document written so.
fn written_so(digest: &str, writing: Writing) -> String {
    // What was written before there was a choice stays comparable.
    if writing == Writing::default() {
        return digest.to_owned();
    }
    sha256_hex(format!("{digest}{} {}", writing.unit(), writing.comma).as_bytes())
}

fn with_rates(data_sha256: &str, rates: &Rates) -> String {
    sha256_hex(format!("{data_sha256}{rates:?}").as_bytes())
}

fn next_version(record: &JobRecord, kind: DocumentKind) -> i64 {
    let of_kind = record.documents.iter().filter(|d| d.kind == kind.as_str());
    of_kind.map(|d| d.version).max().unwrap_or(0) + 1
}

/// What the records say beyond the job file.
fn paper_record(record: &JobRecord, calendar: &Calendar) -> PaperRecord {
    let when = |at: Moment| calendar(at).text();
    let counting = record
        .readings
        .iter()
        .filter(|r| r.withdrawn_reason.is_none());
    let fitted = record.seals.iter().filter(|s| s.moment == "fitted");
    let notes = record.progress.iter().rev().map(|p| p.note.clone());
    PaperRecord {
        complaint: record.line.complaint.clone(),
        odometer_km: record.line.odometer_km,
        booked: Some(when(record.line.created)),
        readings: counting
            .map(|r| ReadingSource {
                number: Some(r.id),
                taken: Some(when(r.taken)),
                recording_sha256: r.recording.as_ref().map(|f| f.sha256.clone()),
            })
            .collect(),
        seals_fitted: fitted.map(|s| (s.part.clone(), s.state.clone())).collect(),
        turned: record
            .turns_made()
            .map(|a| (a.adjuster.clone(), a.turns))
            .collect(),
        turned_since: record.turned_since_last_reading(),
        overrides: record
            .overrides
            .iter()
            .map(|o| (o.adjuster.clone(), o.reason.clone()))
            .collect(),
        remarks: record
            .remarks
            .iter()
            .filter_map(|r| {
                Some(PaperRemark {
                    topic: RemarkTopic::from_word(&r.topic)?,
                    text: r.text.clone(),
                })
            })
            .collect(),
        note: notes
            .into_iter()
            .find(|n| !n.is_empty())
            .unwrap_or_default(),
        years: None,
        photos: Vec::new(),
        photos_unread: 0,
    }
}

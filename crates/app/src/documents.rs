//! The documents of a job: from a folder, or from the records, where every version is kept.

use std::path::Path;
use std::sync::Arc;

use evenpull_diagnose::Assessment;
use evenpull_job::{Job, PressureUnit, Reading};
use evenpull_report::{
    CivilTime, Document, DocumentKind, DocumentTexts, JobPaper, Paper, PaperRecord, Rates, Stamp,
    Writing, estimate, handover, html, inspection, job_card, printed, why_sealed,
};
use evenpull_store::{Moment, sha256_hex};

use crate::assess::{AssessOutcome, JobProgress, assess_loaded};
use crate::error::AppError;
use crate::job_folder::{LoadedJob, load_job};
use crate::profiles::load_profile_from;
use crate::text_file::read_bytes;
use crate::written::unwritable;

pub use kept::KeptDocument;
pub use rates::load_rates;
use turned_stop::turned_stop;

mod kept;
mod rates;
mod turned_stop;

/// Version of the program that documents name.
pub(crate) const VERSION: &str = env!("CARGO_PKG_VERSION");

/// A moment as the clocks of the shop show it.
pub type Calendar = Arc<dyn Fn(Moment) -> CivilTime + Send + Sync>;

/// What is chosen for one document beside what the shop has set.
#[derive(Debug, Clone, Copy, Default)]
pub struct Chosen<'a> {
    /// Rates of an estimate; of no use to the others.
    pub rates: Option<&'a Rates>,
    /// Unit of pressure.
    pub pressure: Option<PressureUnit>,
    /// Decimal comma, or the point.
    pub comma: Option<bool>,
}

impl Chosen<'_> {
    /// How this document is written in a shop that writes so.
    fn writing(&self, shop: Writing) -> Writing {
        shop.with(self.pressure, self.comma)
    }
}

/// A document as it shall be handed out.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct DocumentForm {
    /// True for a PDF file, false for a web page.
    pub pdf: bool,
    /// Sheet it is set or printed on.
    pub paper: Paper,
}

/// A document, ready to be written or sent.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct DocumentFile {
    /// The file.
    pub bytes: Vec<u8>,
    /// Version, where versions are kept.
    pub version: Option<i64>,
}

impl DocumentForm {
    /// The form a file name asks for; `None` for an ending that is neither `.pdf` nor `.html`.
    pub fn of_file(path: &Path, paper: Paper) -> Option<Self> {
        let end = path.extension()?.to_str()?.to_ascii_lowercase();
        match end.as_str() {
            "pdf" => Some(Self { pdf: true, paper }),
            "html" | "htm" => Some(Self { pdf: false, paper }),
            _ => None,
        }
    }

    /// The word used in the records.
    pub fn as_str(self) -> &'static str {
        match (self.pdf, self.paper) {
            (true, Paper::A4) => "pdf-a4",
            (true, Paper::Letter) => "pdf-letter",
            (false, Paper::A4) => "html",
            (false, Paper::Letter) => "html-letter",
        }
    }
}

/// A document of a job in a folder; nothing is kept. What is not chosen is kilopascals, a decimal
/// point and no rates.
///
/// # Errors
/// As [`assess`](crate::assess), or [`AppError::Document`].
pub fn folder_document(
    path: &Path,
    kind: DocumentKind,
    form: DocumentForm,
    written: CivilTime,
    chosen: &Chosen<'_>,
    progress: &mut JobProgress<'_>,
) -> Result<DocumentFile, AppError> {
    let loaded = load_job(path)?;
    let name = loaded.folder.canonicalize().ok();
    let name = name.as_deref().and_then(Path::file_name);
    let stamp = Stamp {
        program_version: VERSION.to_owned(),
        written,
        data_sha256: folder_digest(&loaded)?,
        job_name: name.map_or_else(String::new, |n| n.to_string_lossy().into_owned()),
        version: None,
        shop: String::new(),
    };
    let findings = Findings::of(loaded, kind, progress)?;
    let none = Rates::default();
    let rates = chosen.rates.unwrap_or(&none);
    let writing = chosen.writing(Writing::default());
    let document = findings.document(kind, &PaperRecord::default(), &stamp, (rates, writing));
    Ok(DocumentFile {
        bytes: rendered(&document, form)?,
        version: None,
    })
}

/// SHA-256 over the texts and recordings of a job in a folder.
fn folder_digest(loaded: &LoadedJob) -> Result<String, AppError> {
    let shown = loaded.file.display().to_string();
    let reference = Job::profile_ref(&shown, &loaded.text)?;
    let profile = load_profile_from(&reference.name, &loaded.folder)?;
    let mut parts = vec![
        sha256_hex(loaded.text.as_bytes()),
        sha256_hex(profile.text.as_bytes()),
    ];
    for name in loaded
        .job
        .readings
        .iter()
        .filter_map(|r| r.recording.as_ref())
    {
        parts.push(sha256_hex(&read_bytes(&loaded.recording_path(name))?));
    }
    Ok(sha256_hex(parts.concat().as_bytes()))
}

/// True for a document that says something of the readings.
pub(crate) fn needs_readings(kind: DocumentKind) -> bool {
    !matches!(kind, DocumentKind::JobCard | DocumentKind::WhySealed)
}

/// Findings as the documents need them: as found, and as the machine stands now.
pub(crate) struct Findings {
    now: AssessOutcome,
    as_found: Option<Assessment>,
    texts: DocumentTexts,
}

impl Findings {
    /// Assesses a job, and once more without what was read after something was turned; a document
    /// that says nothing of the readings is made without.
    pub(crate) fn of(
        mut loaded: LoadedJob,
        kind: DocumentKind,
        progress: &mut JobProgress<'_>,
    ) -> Result<Self, AppError> {
        if !needs_readings(kind) {
            loaded.job.readings.clear();
        }
        let as_found = as_found(&loaded)?;
        Ok(Self {
            now: assess_loaded(loaded, progress)?,
            as_found,
            texts: DocumentTexts::english(),
        })
    }

    /// As [`Findings::of`], where the findings as the machine stands now are there already.
    pub(crate) fn beside(now: AssessOutcome) -> Result<Self, AppError> {
        Ok(Self {
            as_found: as_found(&now.loaded)?,
            now,
            texts: DocumentTexts::english(),
        })
    }

    /// One of the documents.
    pub(crate) fn document(
        &self,
        kind: DocumentKind,
        record: &PaperRecord,
        stamp: &Stamp,
        (rates, writing): (&Rates, Writing),
    ) -> Document {
        let paper = JobPaper {
            profile: &self.now.loaded.profile,
            job: &self.now.loaded.job,
            now: &self.now.assessment,
            as_found: self.as_found.as_ref(),
            record,
            stamp,
            texts: &self.texts,
            writing,
        };
        match kind {
            DocumentKind::Handover => handover(&paper),
            DocumentKind::Estimate => estimate(&paper, rates),
            DocumentKind::Inspection => inspection(&paper),
            DocumentKind::JobCard => job_card(&paper),
            DocumentKind::WhySealed => why_sealed(&paper, &turned_stop(paper.profile)),
        }
    }
}

/// Findings on what was read before anything was turned; `None` where nothing was.
fn as_found(loaded: &LoadedJob) -> Result<Option<Assessment>, AppError> {
    let mut readings = loaded.job.readings.iter();
    match readings.position(Reading::follows_work) {
        Some(first) if first > 0 => {
            let mut before = loaded.clone();
            before.job.readings.truncate(first);
            Ok(Some(assess_loaded(before, &mut |_, _| {})?.assessment))
        }
        _ => Ok(None),
    }
}

/// A document in the form asked for.
pub(crate) fn rendered(document: &Document, form: DocumentForm) -> Result<Vec<u8>, AppError> {
    if form.pdf {
        Ok(printed(document, form.paper)?.bytes)
    } else {
        Ok(html(document, form.paper).into_bytes())
    }
}

/// Writes a document to a file, whole or not at all.
///
/// # Errors
/// [`AppError::Unwritable`].
pub fn write_document(file: &DocumentFile, to: &Path) -> Result<(), AppError> {
    use std::io::Write;
    let folder = to.parent().filter(|p| !p.as_os_str().is_empty());
    let folder = folder.unwrap_or(Path::new("."));
    let failed = |e: std::io::Error| unwritable(to, &e);
    let mut made = tempfile::NamedTempFile::new_in(folder).map_err(failed)?;
    made.write_all(&file.bytes).map_err(failed)?;
    made.persist(to).map_err(|e| failed(e.error))?;
    Ok(())
}

#[cfg(test)]
mod tests;

//! What the records hold beyond `evenpull.job/1`, as a file beside `job.toml`.

use serde::{Deserialize, Serialize};

use crate::adjustments::{AdjustmentRecord, OverrideRecord};
use crate::documents::DocumentRecord;
use crate::findings::FindingsRecord;
use crate::moment::Moment;
use crate::owners::NewOwner;
use crate::photos::PhotoRecord;
use crate::progress::ProgressRecord;
use crate::readings::ReadingRecord;
use crate::remarks::RemarkRecord;
use crate::seals::SealRecord;
use crate::stages::StageMove;

/// Name of the file.
pub(crate) const RECORD_FILE: &str = "record.json";
/// Its format.
pub(crate) const FORMAT: &str = "evenpull.record/1";

/// `record.json`, `evenpull.record/1`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct RecordFile {
    /// `evenpull.record/1`.
    pub format: String,
    /// Complaint.
    pub complaint: String,
    /// Odometer [km].
    pub odometer_km: Option<i64>,
    /// Stage.
    pub stage: String,
    /// When the job was booked in.
    pub created: Moment,
    /// When it was closed.
    pub closed: Option<Moment>,
    /// Registration of the machine; left out without the owner.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub registration: Option<String>,
    /// Owner, unless left out.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub owner: Option<NewOwner>,
    /// Of each reading of `job.toml`, in its order.
    pub readings: Vec<ReadingNote>,
    /// Seals fitted by the shop.
    pub seals_fitted: Vec<SealNote>,
    /// Written reasons for touching sealed parts.
    pub overrides: Vec<OverrideNote>,
    /// Turns that no reading follows yet.
    pub turned_since: Vec<TurnNote>,
    /// Turns that were taken back.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub taken_back: Vec<TurnNote>,
    /// What stood in the booking, in the entry of the machine and in that of the owner before it was
    /// corrected; what leads to an owner goes with the owner.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub corrections: Vec<CorrectionNote>,
    /// Stages it went through.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub stage_moves: Vec<StageNote>,
    /// Steps of the order of work.
    pub progress: Vec<StepNote>,
    /// Remarks for the owner.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub remarks: Vec<RemarkNote>,
    /// Photos.
    pub photos: Vec<PhotoNote>,
    /// Findings as computed, oldest first.
    pub findings: Vec<FindingsNote>,
    /// Documents as they were handed out, oldest first.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub documents: Vec<DocumentNote>,
}

/// When and in which stage a reading was taken.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ReadingNote {
    /// Stage.
    pub stage: String,
    /// Time.
    pub taken: Moment,
}

/// A seal as fitted.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SealNote {
    /// Part.
    pub part: String,
    /// State.
    pub state: String,
    /// Time.
    pub noted: Moment,
}

/// A written reason.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct OverrideNote {
    /// Adjuster.
    pub adjuster: String,
    /// Reason.
    pub reason: String,
    /// Time.
    pub given: Moment,
}

/// A turn.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct TurnNote {
    /// Adjuster.
    pub adjuster: String,
    /// Turns.
    pub turns: f64,
    /// Stage.
    pub stage: String,
    /// Time.
    pub made: Moment,
    /// When it was taken back.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub withdrawn: Option<Moment>,
}

/// A value that was corrected.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct CorrectionNote {
    /// `job`, `machine` or `owner`.
    pub of: String,
    /// Which value.
    pub field: String,
    /// What stood there before.
    pub was: String,
    /// Time.
    pub corrected: Moment,
}

/// A move from one stage into another.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct StageNote {
    /// Stage before.
    pub was: String,
    /// Stage after.
    pub stage: String,
    /// What moved it.
    pub why: String,
    /// Time.
    pub moved: Moment,
}

/// A step.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct StepNote {
    /// Step.
    pub step: String,
    /// Done, or opened again.
    pub done: bool,
    /// Remark.
    pub note: String,
    /// Time.
    pub noted: Moment,
}

/// A remark.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct RemarkNote {
    /// Topic.
    pub topic: String,
    /// Text.
    pub text: String,
    /// Time.
    pub noted: Moment,
}

/// A photo.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PhotoNote {
    /// File, beside this one.
    pub file: String,
    /// What it shows.
    pub caption: String,
    /// Stage.
    pub stage: String,
    /// Time.
    pub added: Moment,
}

/// Findings.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct FindingsNote {
    /// Version of the program.
    pub program_version: String,
    /// Hash of what they rest on.
    pub inputs_sha256: String,
    /// They were undetermined.
    pub undetermined: bool,
    /// Most probable cause.
    pub leading_cause: String,
    /// Its probability.
    pub probability: Option<f64>,
    /// The answer, `evenpull.assess/1`, as text.
    pub answer_json: String,
    /// Time.
    pub computed: Moment,
}

/// A document as it was handed out.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct DocumentNote {
    /// File, beside this one.
    pub file: String,
    /// Kind, such as `handover`.
    pub kind: String,
    /// Version, counted from 1 for each kind.
    pub version: i64,
    /// Form: `pdf-a4`, `pdf-letter`, `html` or `html-letter`.
    pub form: String,
    /// Version of the program that wrote it.
    pub program_version: String,
    /// SHA-256 over everything it rests on.
    pub data_sha256: String,
    /// SHA-256 of the file.
    pub content_sha256: String,
    /// When this version was first written.
    pub written: Moment,
}

impl From<ReadingRecord> for ReadingNote {
    fn from(r: ReadingRecord) -> Self {
        Self {
            stage: r.stage,
            taken: r.taken,
        }
    }
}

impl From<SealRecord> for SealNote {
    fn from(s: SealRecord) -> Self {
        Self {
            part: s.part,
            state: s.state,
            noted: s.noted,
        }
    }
}

impl From<OverrideRecord> for OverrideNote {
    fn from(o: OverrideRecord) -> Self {
        Self {
            adjuster: o.adjuster,
            reason: o.reason,
            given: o.given,
        }
    }
}

impl From<AdjustmentRecord> for TurnNote {
    fn from(a: AdjustmentRecord) -> Self {
        Self {
            adjuster: a.adjuster,
            turns: a.turns,
            stage: a.stage,
            made: a.made,
            withdrawn: a.withdrawn,
        }
    }
}

impl From<StageMove> for StageNote {
    fn from(m: StageMove) -> Self {
        Self {
            was: m.was,
            stage: m.stage,
            why: m.why,
            moved: m.moved,
        }
    }
}

impl From<ProgressRecord> for StepNote {
    fn from(p: ProgressRecord) -> Self {
        Self {
            step: p.step,
            done: p.done,
            note: p.note,
            noted: p.noted,
        }
    }
}

impl From<RemarkRecord> for RemarkNote {
    fn from(r: RemarkRecord) -> Self {
        Self {
            topic: r.topic,
            text: r.text,
            noted: r.noted,
        }
    }
}

impl From<PhotoRecord> for PhotoNote {
    fn from(p: PhotoRecord) -> Self {
        Self {
            file: format!("photos/{}", p.file_name()),
            caption: p.caption,
            stage: p.stage,
            added: p.added,
        }
    }
}

impl From<DocumentRecord> for DocumentNote {
    fn from(d: DocumentRecord) -> Self {
        Self {
            file: d.file_name(),
            kind: d.kind,
            version: d.version,
            form: d.form,
            program_version: d.program_version,
            data_sha256: d.data_sha256,
            content_sha256: d.content_sha256,
            written: d.written,
        }
    }
}

impl From<FindingsRecord> for FindingsNote {
    fn from(record: FindingsRecord) -> Self {
        let f = record.findings;
        Self {
            program_version: f.program_version,
            inputs_sha256: f.inputs_sha256,
            undetermined: f.undetermined,
            leading_cause: f.leading_cause,
            probability: f.probability,
            answer_json: f.answer_json,
            computed: record.computed,
        }
    }
}

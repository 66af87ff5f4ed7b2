//! What the documents of a job are made from.

use evenpull_diagnose::{Assessment, History};
use evenpull_job::{Job, Profile};

use super::before_after::TurnedAmong;
use super::model::CivilTime;
use super::texts::DocumentTexts;
use crate::writing::Writing;

/// Everything a document of a job is made from.
#[derive(Debug, Clone, Copy)]
pub struct JobPaper<'a> {
    /// What is known about the engine.
    pub profile: &'a Profile,
    /// The job, every reading that counts.
    pub job: &'a Job,
    /// Findings of the machine as it stands now; readings as in `job`.
    pub now: &'a Assessment,
    /// Findings on the readings before anything was turned; `None` where nothing was turned.
    pub as_found: Option<&'a Assessment>,
    /// What is on record beyond the job file.
    pub record: &'a PaperRecord,
    /// Who writes it, when, from what.
    pub stamp: &'a Stamp,
    /// Texts of the language.
    pub texts: &'a DocumentTexts,
    /// Unit of pressure and decimal sign.
    pub writing: Writing,
}

/// Who writes a document, when, and from what.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Stamp {
    /// Version of the program.
    pub program_version: String,
    /// When.
    pub written: CivilTime,
    /// SHA-256 over everything the document rests on, in hexadecimal digits.
    pub data_sha256: String,
    /// Job as it is called: a number on record or a folder.
    pub job_name: String,
    /// Version of this document of the job, counted from 1; `None` where none are kept.
    pub version: Option<i64>,
    /// Name and address of the shop on one line; empty if not known.
    pub shop: String,
}

/// What is on record about a job beyond its job file; empty for a job in a folder.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct PaperRecord {
    /// What the owner complains about.
    pub complaint: String,
    /// Odometer [km].
    pub odometer_km: Option<i64>,
    /// When it was booked in, as it shall be read.
    pub booked: Option<String>,
    /// Of each reading of the job, in its order; may be shorter.
    pub readings: Vec<ReadingSource>,
    /// Seals as handed over: part and state, in the words of the job file.
    pub seals_fitted: Vec<(String, String)>,
    /// What was turned in this job: adjuster and turns, positive = more opening or area.
    pub turned: Vec<(String, f64)>,
    /// Something was turned that no reading followed yet.
    pub turned_since: bool,
    /// Written reasons for turning a sealed part: part and reason.
    pub overrides: Vec<(String, String)>,
    /// What was written down by hand.
    pub remarks: Vec<PaperRemark>,
    /// The visits of the machine up to this one; `None` where they are not on record.
    pub years: Option<PaperYears>,
    /// The shop's note for the owner.
    pub note: String,
    /// Photos, ready to be set.
    pub photos: Vec<PaperPhoto>,
    /// Photos that could not be read as pictures.
    pub photos_unread: usize,
}

/// A machine over its visits, for its papers.
#[derive(Debug, Clone, PartialEq)]
pub struct PaperYears {
    /// What the visits say.
    pub history: History,
    /// What each visit is called, oldest first.
    pub labels: Vec<String>,
    /// What moved from one visit to the next beyond the changes that somebody made, a sentence each.
    pub moved: Vec<String>,
}

/// Where a reading comes from.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct ReadingSource {
    /// Number on record.
    pub number: Option<i64>,
    /// When it was taken, as it shall be read.
    pub taken: Option<String>,
    /// SHA-256 of its recording.
    pub recording_sha256: Option<String>,
}

/// What a remark is about.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum RemarkTopic {
    /// What the owner asked for.
    Asked,
    /// What was found beside the readings.
    Found,
    /// What was done beside turning adjusters.
    Done,
    /// What was offered and not wanted.
    Declined,
    /// What could not be checked, and why.
    NotChecked,
    /// When to come back, and for what.
    NextCheck,
}

impl RemarkTopic {
    /// All of them, in the order of a list.
    pub const ALL: [Self; 6] = [
        Self::Asked,
        Self::Found,
        Self::Done,
        Self::Declined,
        Self::NotChecked,
        Self::NextCheck,
    ];

    /// The word used in commands and records.
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Asked => "asked",
            Self::Found => "found",
            Self::Done => "done",
            Self::Declined => "declined",
            Self::NotChecked => "not-checked",
            Self::NextCheck => "next-check",
        }
    }

    /// The topic of a word.
    pub fn from_word(word: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|topic| topic.as_str() == word)
    }
}

/// Something written down by hand.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PaperRemark {
    /// What it is about.
    pub topic: RemarkTopic,
    /// The text.
    pub text: String,
}

/// A photo ready to be set.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PaperPhoto {
    /// Small JPEG, see [`small_photo`](super::photo::small_photo).
    pub jpeg: Vec<u8>,
    /// What it shows.
    pub caption: String,
    /// True for a photo taken after the work.
    pub after: bool,
}

impl JobPaper<'_> {
    /// Findings on the machine as it came in.
    pub(crate) fn found(&self) -> &Assessment {
        self.as_found.unwrap_or(self.now)
    }

    /// Where the turns stand among the readings; `None` where nothing was turned.
    pub(crate) fn turned_among(&self) -> Option<TurnedAmong> {
        let readings = self.job.readings.iter();
        let turned: Vec<bool> = readings.map(evenpull_job::Reading::follows_work).collect();
        TurnedAmong::of(&turned, self.record.turned_since)
    }

    /// The first reading was taken after a turn: none shows the machine as it came in.
    pub(crate) fn turned_before_reading(&self) -> bool {
        let first = self.job.readings.first();
        first.is_some_and(evenpull_job::Reading::follows_work)
    }

    /// Remarks on one topic.
    pub(crate) fn remarks(&self, topic: RemarkTopic) -> Vec<String> {
        let all = self.record.remarks.iter();
        all.filter(|r| r.topic == topic)
            .map(|r| r.text.clone())
            .collect()
    }

    /// The sum of the turns of each adjuster that was turned.
    pub(crate) fn turned(&self) -> Vec<(String, f64)> {
        let mut sums: Vec<(String, f64)> = Vec::new();
        let in_file = self.job.readings.iter().flat_map(|r| &r.adjusted);
        let in_file = in_file.map(|a| (a.adjuster.clone(), a.turns));
        // The records hold every turn, also those that the file puts before its readings.
        let all: Vec<(String, f64)> = if self.record.turned.is_empty() {
            in_file.collect()
        } else {
            self.record.turned.clone()
        };
        for (name, turns) in all {
            match sums.iter_mut().find(|(n, _)| *n == name) {
                Some((_, sum)) => *sum += turns,
                None => sums.push((name, turns)),
            }
        }
        sums
    }
}

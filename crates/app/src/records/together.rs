//! What one form holds, kept as a whole or not at all.

use evenpull_job::SealState;
use evenpull_report::RemarkTopic;
use evenpull_store::{CheckEdit, NotedTogether, SealMoment};

use super::{ReadingEntry, Records};
use crate::error::AppError;

/// What one form holds.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Together {
    /// Seals looked at.
    pub seals: Vec<(SealMoment, String, SealState)>,
    /// Checks made or taken back, value by value.
    pub checks: Vec<CheckEdit>,
    /// Readings in order.
    pub readings: Vec<ReadingEntry>,
    /// Remarks for the owner.
    pub remarks: Vec<(RemarkTopic, String)>,
}

impl Records {
    /// Keeps everything of a form; where one of it cannot be kept, none of it is.
    ///
    /// # Errors
    /// As [`evenpull_store::Store::record_together`].
    pub async fn record_together(&self, job_id: i64, noted: Together) -> Result<(), AppError> {
        let remarks = noted.remarks.into_iter();
        let noted = NotedTogether {
            seals: noted.seals,
            checks: noted.checks,
            readings: noted.readings.iter().map(ReadingEntry::to_stored).collect(),
            remarks: remarks
                .map(|(topic, text)| (topic.as_str().to_owned(), text))
                .collect(),
        };
        let at = self.now();
        Ok(self.store().record_together(job_id, &noted, at).await?)
    }
}

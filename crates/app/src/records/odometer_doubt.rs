//! An odometer that shows less than at an earlier visit, asked about before it is kept.

use evenpull_store::{JobFilter, Moment};

use super::Records;
use crate::error::AppError;

/// The earlier visit that showed more.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct OdometerDoubt {
    /// Job of that visit.
    pub job_id: i64,
    /// What the odometer showed then [km].
    pub km: i64,
    /// When it was booked in.
    pub booked: Moment,
}

impl Records {
    /// The latest visit of a machine before `before_job` (`i64::MAX` for a job to come) whose odometer
    /// showed more than `km`; `None` where none did. Instruments are exchanged and show miles, so this
    /// is a question and no refusal.
    ///
    /// # Errors
    /// Problems of the records.
    pub async fn odometer_doubt(
        &self,
        machine_id: i64,
        before_job: i64,
        km: i64,
    ) -> Result<Option<OdometerDoubt>, AppError> {
        let earlier = JobFilter {
            machine_id: Some(machine_id),
            before: before_job,
            limit: u32::MAX,
            ..JobFilter::default()
        };
        let jobs = self.jobs(&earlier).await?;
        let more = jobs.into_iter().find(|j| j.odometer_km > Some(km));
        Ok(more.and_then(|j| {
            j.odometer_km.map(|km| OdometerDoubt {
                job_id: j.id,
                km,
                booked: j.created,
            })
        }))
    }
}

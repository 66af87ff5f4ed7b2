//! What was noted wrongly, put right; what stood there stays on record.

use evenpull_store::{AdjustmentRecord, Booking, CorrectionRecord, MachineBooking, NewOwner};

use super::Records;
use crate::error::AppError;

impl Records {
    /// Takes back a turn that was noted by mistake; it stays on record and counts no more.
    ///
    /// # Errors
    /// As [`evenpull_store::Store::withdraw_adjustment`].
    pub async fn withdraw_adjustment(&self, id: i64) -> Result<(), AppError> {
        let at = self.now();
        Ok(self.store().withdraw_adjustment(id, at).await?)
    }

    /// What the booking of a job says by now.
    ///
    /// # Errors
    /// As [`evenpull_store::Store::booking`].
    pub async fn booking(&self, job_id: i64) -> Result<Booking, AppError> {
        Ok(self.store().booking(job_id).await?)
    }

    /// Corrects the booking of a job.
    ///
    /// # Errors
    /// As [`evenpull_store::Store::correct_booking`].
    pub async fn correct_booking(&self, job_id: i64, new: &Booking) -> Result<(), AppError> {
        let at = self.now();
        Ok(self.store().correct_booking(job_id, new, at).await?)
    }

    /// Corrects name, registration and owner of a machine.
    ///
    /// # Errors
    /// As [`evenpull_store::Store::correct_machine`].
    pub async fn correct_machine(&self, id: i64, new: &MachineBooking) -> Result<(), AppError> {
        let at = self.now();
        Ok(self.store().correct_machine(id, new, at).await?)
    }

    /// Corrects an owner.
    ///
    /// # Errors
    /// As [`evenpull_store::Store::correct_owner`].
    pub async fn correct_owner(&self, id: i64, new: &NewOwner) -> Result<(), AppError> {
        let at = self.now();
        Ok(self.store().correct_owner(id, new, at).await?)
    }

    /// What was corrected in the entry of a machine and of its present owner.
    ///
    /// # Errors
    /// Problems of the records.
    pub async fn machine_corrections(&self, id: i64) -> Result<Vec<CorrectionRecord>, AppError> {
        Ok(self.store().machine_corrections(id).await?)
    }

    /// How many notes on turns there are, takings back among them: it grows with each.
    pub(super) async fn turn_notes(&self, job_id: i64) -> Result<usize, AppError> {
        let turns = self.store().adjustments(job_id).await?;
        let taken_back = turns.iter().filter(|t| !AdjustmentRecord::counts(t));
        Ok(turns.len() + taken_back.count())
    }
}

//! The stage that a job is offered next, where nothing that is recorded proves that it has begun.

use evenpull_job::Stage;

use super::JobRecord;

/// A stage and why it is offered.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct StageOffer {
    /// The stage.
    pub stage: Stage,
    /// Why.
    pub reason: OfferReason,
}

/// Why a stage is offered.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum OfferReason {
    /// A reading followed the last turn.
    ReadSinceTurned,
    /// Seals were noted as fitted.
    SealsFitted,
}

impl JobRecord {
    /// The stage after the present one that the record speaks for; `None` for a closed job and where it
    /// speaks for none. Whether more is to be turned or ridden only the shop knows, so it is asked.
    pub fn stage_offered(&self) -> Option<StageOffer> {
        let now = Stage::from_word(&self.line.stage)?;
        if self.line.closed.is_some() {
            return None;
        }
        let fitted = self.seals.iter().any(|s| s.moment == "fitted");
        let read = self.turns_made().next().is_some() && !self.turned_since_last_reading();
        let offer = |stage, reason| (now < stage).then_some(StageOffer { stage, reason });
        let handover = fitted.then(|| offer(Stage::Handover, OfferReason::SealsFitted));
        let verify = read.then(|| offer(Stage::Verify, OfferReason::ReadSinceTurned));
        handover.or(verify).flatten()
    }

    /// Something was turned after the last reading that counts.
    pub fn turned_since_last_reading(&self) -> bool {
        let readings = self.readings.iter();
        let counting = readings.filter(|r| r.withdrawn_reason.is_none());
        let last = counting.map(|r| r.id).max();
        // A turn before a reading that was withdrawn waits for the next that counts.
        let mut turns = self.turns_made();
        turns.any(|a| a.reading_id.is_none_or(|id| Some(id) > last))
    }
}

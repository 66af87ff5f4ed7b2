//! Turns that nobody makes, asked about before they are noted.

use evenpull_job::{Adjuster, AdjusterKind, Condition, Job, Profile, Reading};
use evenpull_store::AdjustmentRecord;

use super::Records;
use crate::error::AppError;

/// Most turns at once of a screw that has no range in the profile; more is a slip of the finger.
/// Common practice, no source: balance adjusters and stops are moved by eighths and quarters.
const MOST_TURNS: f64 = 5.0;
/// What counting turns from the seat may be off by [turns]; common practice, no source.
const SEAT_SLACK: f64 = 0.25;

/// Why a turn is asked about before it is noted. All numbers are turns.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum TurnDoubt {
    /// More than is turned at once.
    #[error("more than {most} at once")]
    Far {
        /// Most at once.
        most: f64,
    },
    /// A bleed below its seat.
    #[error("it stood {from} turns from its seat, which leaves {left}")]
    BelowSeat {
        /// Where it stood, from its seat.
        from: f64,
        /// Where that would leave it.
        left: f64,
    },
    /// A bleed beyond its range.
    #[error(
        "it stood {from} turns from its seat, which makes {left}, and the profile knows at most {most}"
    )]
    Beyond {
        /// Where it stood, from its seat.
        from: f64,
        /// Where that would leave it.
        left: f64,
        /// Most that the profile knows.
        most: f64,
    },
}

impl Records {
    /// Why a turn of a job is asked about before it is noted; `None` where it is of the usual kind, and
    /// for an adjuster that the machine does not have.
    ///
    /// # Errors
    /// Problems of the records.
    pub async fn turn_doubt(
        &self,
        job_id: i64,
        adjuster: &str,
        turns: f64,
    ) -> Result<Option<TurnDoubt>, AppError> {
        let texts = self.job_texts(job_id).await?;
        let profile = Profile::from_toml("profile.toml", &texts.profile_toml)?;
        let job = Job::draft_from_toml("job.toml", &texts.job_toml, &profile)?;
        let Some(adjuster) = profile.adjuster(adjuster) else {
            return Ok(None);
        };
        let noted = self.store().adjustments(job_id).await?;
        Ok(doubt(&profile, &job, &noted, &adjuster, turns))
    }
}

fn doubt(
    profile: &Profile,
    job: &Job,
    noted: &[AdjustmentRecord],
    adjuster: &Adjuster,
    turns: f64,
) -> Option<TurnDoubt> {
    let is_bleed = adjuster.kind == AdjusterKind::Bleed;
    let bleed = profile.bleed.filter(|_| is_bleed);
    let most = bleed.map_or(MOST_TURNS, |b| b.max_turns);
    let stood = bleed.and_then(|_| bleed_stands(profile, job, noted, adjuster));
    match stood.map(|from| (from, from + turns)) {
        _ if turns.abs() > most => Some(TurnDoubt::Far { most }),
        Some((from, left)) if left < -SEAT_SLACK => Some(TurnDoubt::BelowSeat { from, left }),
        Some((from, left)) if left > most + SEAT_SLACK => {
            Some(TurnDoubt::Beyond { from, left, most })
        }
        _ => None,
    }
}

/// Where a bleed stands by what was counted last and turned since [turns from seat].
fn bleed_stands(
    profile: &Profile,
    job: &Job,
    noted: &[AdjustmentRecord],
    adjuster: &Adjuster,
) -> Option<f64> {
    let body = profile.body_index(adjuster.bodies.first()?)?;
    // Bleeds shut for a reading are set back after it, so that count says nothing of now.
    let counted = |r: &Reading| {
        let open = r.condition != Condition::IdleBleedsShut;
        r.bleed_turns.as_ref()?.get(body).copied().filter(|_| open)
    };
    let last = job.readings.iter().rposition(|r| counted(r).is_some())?;
    let since = job.readings[last + 1..].iter().flat_map(|r| &r.adjusted);
    let since: f64 = since
        .filter(|a| a.adjuster == adjuster.name)
        .map(|a| a.turns)
        .sum();
    let pending = noted.iter().filter(|a| a.counts());
    let pending: f64 = pending
        .filter(|a| a.reading_id.is_none() && a.adjuster == adjuster.name)
        .map(|a| a.turns)
        .sum();
    Some(counted(&job.readings[last])? + since + pending)
}

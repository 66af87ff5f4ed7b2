//! Readings of the bench go into the records of its job as they are taken, watched or not.
//!
//! Each bench of a job has a keeper of its own. A bench that is put away for another leaves what was taken
//! on it to its keeper, which ends when all of it is in the records.

use std::time::Duration;

use evenpull_app::{
    AppError, BenchJob, BenchReading, HoseData, ReadingEntry, RecordingEntry, Records,
};
use serde::Serialize;

use crate::announce::Announcement;
use crate::state::Web;

/// Time between two looks for a new reading.
const LOOK: Duration = Duration::from_millis(250);
/// Time before a reading that could not be kept is tried again.
const AGAIN: Duration = Duration::from_secs(3);

/// The job that the bench reads for, and how far its readings are kept, for the pages.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub(crate) struct BenchLink {
    /// Job.
    pub(crate) job: i64,
    /// Readings of the bench that are in the records.
    pub(crate) kept: usize,
    /// Turns made on the bench that are in the records.
    #[serde(skip)]
    pub(crate) turns_kept: usize,
    /// Why the next one is not; it is tried again.
    pub(crate) trouble: Option<String>,
    /// Counts up with each bench: a keeper works for its own only.
    #[serde(skip)]
    pub(crate) number: u64,
}

impl BenchLink {
    pub(crate) fn new(job: i64, number: u64) -> Self {
        Self {
            job,
            kept: 0,
            turns_kept: 0,
            trouble: None,
            number,
        }
    }
}

/// Keeps the readings of one bench in the job they were begun for. It alone knows how far that is.
struct Keeper {
    web: Web,
    job: i64,
    number: u64,
    /// Readings in the records.
    kept: usize,
    /// Turns in the records.
    turns_kept: usize,
    /// Sensors that agreed are noted among the checks.
    compared: bool,
    /// Trouble after the bench was put away was told at the terminal.
    told: bool,
}

/// Keeps readings until the bench was put away and all that was taken on it is in the records.
pub(crate) async fn keep_readings(web: Web, link: BenchLink) {
    let mut keeper = Keeper {
        web,
        job: link.job,
        number: link.number,
        kept: 0,
        turns_kept: 0,
        compared: false,
        told: false,
    };
    loop {
        match keeper.keep_some().await {
            // A turn that was made is not to wait for the next look.
            Ok(true) => drop(tokio::time::timeout(LOOK, keeper.web.turn_made().notified()).await),
            Ok(false) => break,
            Err(error) => {
                keeper.tell(&error);
                tokio::time::sleep(AGAIN).await;
            }
        }
    }
    keeper.web.keeper_done(keeper.number);
}

impl Keeper {
    /// Takes what there is into the records; false once nothing can follow.
    async fn keep_some(&mut self) -> Result<bool, AppError> {
        let Some(records) = self.web.records().cloned() else {
            return Ok(false);
        };
        let there = self.web.clone();
        let (number, kept) = (self.number, (self.kept, self.turns_kept));
        // The bench may be in use by a request that waits for its session.
        let looked = tokio::task::spawn_blocking(move || there.bench_beyond(number, kept)).await;
        let Some(beyond) = looked.map_err(|e| AppError::Runtime(e.to_string()))? else {
            return Ok(false);
        };
        if beyond.sensors_agree && !self.compared {
            records
                .record_check(self.job, "gauges_zeroed", "true")
                .await?;
            self.compared = true;
        }
        if let Some(job) = beyond.job {
            if let Some(kpa) = job
                .key_off_kpa
                .as_ref()
                .filter(|_| job.readings.len() > kept.0)
            {
                records.set_key_off(self.job, &zeros(&job, kpa)).await?;
            }
            for reading in job.readings.iter().skip(kept.0) {
                self.keep_turns(&records, &job.turns, reading.turns_before)
                    .await?;
                self.keep_one(&records, &job, reading).await?;
            }
            // What was turned is on record before a reading follows it, and if none does.
            self.keep_turns(&records, &job.turns, job.turns.len())
                .await?;
        }
        Ok(!beyond.over)
    }

    /// The turns up to the one of that number. Where one fails the rest follows when it is tried again, and
    /// none is there twice.
    async fn keep_turns(
        &mut self,
        records: &Records,
        turns: &[(String, f64)],
        up_to: usize,
    ) -> Result<(), AppError> {
        let due = turns.iter().take(up_to).skip(self.turns_kept);
        for (adjuster, turns) in due {
            records
                .record_adjustment(self.job, adjuster, *turns)
                .await?;
            self.turns_kept += 1;
            let kept = self.turns_kept;
            self.web.change_link(self.number, |link| {
                link.turns_kept = kept;
                link.trouble = None;
            });
        }
        Ok(())
    }

    async fn keep_one(
        &mut self,
        records: &Records,
        job: &BenchJob,
        reading: &BenchReading,
    ) -> Result<(), AppError> {
        let mut entry = entry(reading, job.profile.profile.bodies(), job.hose);
        entry.practice = job.practice;
        records.add_reading(self.job, &entry).await?;
        self.kept += 1;
        let kept = self.kept;
        self.web.change_link(self.number, |link| {
            link.kept = kept;
            link.trouble = None;
        });
        Ok(())
    }

    /// The page of the bench shows it as long as the bench is this one; after that the terminal, once.
    fn tell(&mut self, error: &AppError) {
        let text = error.to_string();
        let mut shown = false;
        self.web.change_link(self.number, |link| {
            link.trouble = Some(text.clone());
            shown = true;
        });
        if !shown && !self.told {
            self.told = true;
            let job = self.job;
            self.web.announce(Announcement::Trouble(format!(
                "job {job}: a reading or turn of the bench is not in the records yet and is tried again: {text}"
            )));
        }
    }
}

/// The zeros of the sensors by body.
fn zeros(job: &BenchJob, kpa: &[f64]) -> Vec<(String, f64)> {
    let bodies = job.profile.profile.bodies().iter().cloned();
    bodies.zip(kpa.iter().copied()).collect()
}

/// As a mechanic would write it down: to one part in `parts` of the unit.
fn rounded(value: f64, parts: f64) -> f64 {
    (value * parts).round() / parts
}

fn entry(reading: &BenchReading, bodies: &[String], hose: Option<HoseData>) -> ReadingEntry {
    let turns = reading.bleed_turns.clone().unwrap_or_default();
    ReadingEntry {
        recording: Some(RecordingEntry {
            file_name: format!("bench-{}.csv", reading.condition.as_str()),
            bytes: reading.recording.clone().into_bytes(),
        }),
        sensor_v: reading.sensor_v.map(|v| rounded(v, 1e3)),
        ecu_opening_deg: reading.ecu_opening_deg.map(|d| rounded(d, 1e2)),
        idle_valve_steps: reading.idle_valve_steps.map(f64::round),
        engine_c: reading.engine_c,
        bleed_turns: bodies
            .iter()
            .cloned()
            .zip(turns.into_iter().map(|t| rounded(t, 1e2)))
            .collect(),
        hose,
        ..ReadingEntry::new(reading.condition)
    }
}

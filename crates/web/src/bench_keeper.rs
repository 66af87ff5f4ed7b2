//! Readings of the bench go into the records of its job as they are taken, watched or not.

use std::time::Duration;

use evenpull_app::{
    AppError, BenchJob, BenchReading, Fragment, HoseData, ReadingEntry, RecordingEntry, Records,
};
use serde::Serialize;

use crate::state::Web;

/// Time between two looks for a new reading.
const LOOK: Duration = Duration::from_millis(250);
/// Time before a reading that could not be kept is tried again.
const AGAIN: Duration = Duration::from_secs(3);

/// The job that the bench reads for, and how far its readings are kept.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub(crate) struct BenchLink {
    /// Job.
    pub(crate) job: i64,
    /// Readings of the bench that are in the records.
    pub(crate) kept: usize,
    /// Why the next one is not; it is tried again.
    pub(crate) trouble: Option<String>,
    /// Turns of the next reading that are in the records already.
    #[serde(skip)]
    turns_kept: usize,
    /// Sensors that agreed are noted among the checks.
    #[serde(skip)]
    compared: bool,
    /// Counts up with each bench: a keeper works for its own only.
    #[serde(skip)]
    pub(crate) number: u64,
}

impl BenchLink {
    pub(crate) fn new(job: i64, number: u64) -> Self {
        Self {
            job,
            kept: 0,
            trouble: None,
            turns_kept: 0,
            compared: false,
            number,
        }
    }
}

/// Keeps readings until the bench is set up for something else.
pub(crate) async fn keep_readings(web: Web, number: u64) {
    while let Some(link) = web.bench_link().filter(|l| l.number == number) {
        match keep_some(&web, &link).await {
            Ok(()) => tokio::time::sleep(LOOK).await,
            Err(error) => {
                let text = error.to_string();
                web.change_link(number, |l| l.trouble = Some(text));
                tokio::time::sleep(AGAIN).await;
            }
        }
    }
}

async fn keep_some(web: &Web, link: &BenchLink) -> Result<(), AppError> {
    let Some(records) = web.records() else {
        return Ok(());
    };
    let there = web.clone();
    let (number, kept) = (link.number, link.kept);
    // The bench may be in use by a request that waits for its session.
    let looked = tokio::task::spawn_blocking(move || there.bench_beyond(number, kept)).await;
    let Some(beyond) = looked.ok().flatten() else {
        return Ok(());
    };
    if beyond.sensors_agree && !link.compared {
        records
            .record_check(link.job, "gauges_zeroed", "true")
            .await?;
        web.change_link(link.number, |l| l.compared = true);
    }
    let Some(job) = beyond.job else {
        return Ok(());
    };
    records
        .set_head(link.job, "ambient", Some(&ambient(&job)))
        .await?;
    for reading in job.readings.iter().skip(kept) {
        keep_one(web, records, link.number, &job, reading).await?;
    }
    Ok(())
}

/// What was turned before a reading, and the reading. Where one of them fails the rest follows when
/// it is tried again, and nothing is there twice.
async fn keep_one(
    web: &Web,
    records: &Records,
    number: u64,
    job: &BenchJob,
    reading: &BenchReading,
) -> Result<(), AppError> {
    let Some(link) = web.bench_link().filter(|l| l.number == number) else {
        return Ok(());
    };
    for (adjuster, turns) in reading.adjusted.iter().skip(link.turns_kept) {
        records
            .record_adjustment(link.job, adjuster, *turns)
            .await?;
        web.change_link(number, |l| l.turns_kept += 1);
    }
    let entry = entry(reading, job.profile.profile.bodies(), job.hose);
    records.add_reading(link.job, &entry).await?;
    web.change_link(number, |l| {
        l.kept += 1;
        l.turns_kept = 0;
        l.trouble = None;
    });
    Ok(())
}

/// The air and the zeros of the sensors, as a section of the job file.
fn ambient(job: &BenchJob) -> String {
    let mut ambient = Fragment::new();
    ambient
        .number("pressure_kpa", job.ambient_kpa)
        .number("temperature_c", job.ambient_c);
    if let Some(kpa) = &job.key_off_kpa {
        let bodies = job.profile.profile.bodies().iter().cloned();
        let named: Vec<(String, f64)> = bodies.zip(kpa.iter().copied()).collect();
        ambient.named("key_off_kpa", &named);
    }
    format!("[ambient]\n{}", ambient.as_str())
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

//! The bench set up for a job, and its readings taken over into the records.

use std::sync::Arc;

use axum::extract::{Path, State};
use axum::response::Redirect;
use evenpull_app::{
    BenchReading, BenchStart, Fragment, LoadedProfile, Operation, ReadingEntry, RecordingEntry,
};

use super::stored::{records, stored};
use crate::pages::aside::{aside, problem};
use crate::pages::{chosen_faults, seed};
use crate::posted::Posted;
use crate::problem::Problem;
use crate::state::Web;

/// Sets the bench up as the machine of a job, with faults to practise on.
pub(crate) async fn job_bench(
    State(web): State<Web>,
    Path(id): Path<i64>,
    form: Posted,
) -> Result<Redirect, Problem> {
    let job = stored(&web, id).await?;
    let texts = records(&web)?.job_texts(id).await;
    let text = texts.map_err(|e| problem(&web, &e))?.profile_toml;
    let seed = seed(&form)?;
    let start = BenchStart {
        machine: job.record.line.machine.clone(),
        profile: Arc::new(LoadedProfile {
            profile: job.profile,
            text,
            origin: String::new(),
        }),
        faults: chosen_faults(&form, seed)?,
        seed,
    };
    let there = web.clone();
    aside(move || {
        there
            .set_bench(&start, Some(id))
            .map_err(|e| problem(&there, &e))
    })
    .await?;
    Ok(Redirect::to("/bench"))
}

/// Takes the bench's new readings over into the job, with what was turned before each.
pub(crate) async fn bench_take_over(
    State(web): State<Web>,
    Path(id): Path<i64>,
    _form: Posted,
) -> Result<Redirect, Problem> {
    let there = web.clone();
    let (readings, ambient) = aside(move || {
        there
            .at_bench(|bench| {
                let job = bench.job()?;
                let mut ambient = Fragment::new();
                ambient
                    .number("pressure_kpa", job.ambient_kpa)
                    .number("temperature_c", job.ambient_c);
                if let Some(kpa) = &job.key_off_kpa {
                    let bodies = job.profile.profile.bodies().iter().cloned();
                    let named: Vec<(String, f64)> = bodies.zip(kpa.iter().copied()).collect();
                    ambient.named("key_off_kpa", &named);
                }
                let hose = job.hose;
                let entries: Vec<(BenchReading, ReadingEntry)> = job
                    .readings
                    .into_iter()
                    .map(|r| {
                        let e = entry(&r, job.profile.profile.bodies(), hose);
                        (r, e)
                    })
                    .collect();
                Ok((entries, format!("[ambient]\n{}", ambient.as_str())))
            })
            .map_err(|e| problem(&there, &e))
    })
    .await?;
    let records = records(&web)?;
    let done = records.set_head(id, "ambient", Some(&ambient)).await;
    done.map_err(|e| problem(&web, &e))?;
    let from = web
        .handed_over(id)
        .ok_or_else(|| Problem::Closed(web.texts().at("readings.other_bench").to_owned()))?;
    for (reading, entry) in readings.iter().skip(from) {
        for (adjuster, turns) in &reading.adjusted {
            let kept = records.record_adjustment(id, adjuster, *turns).await;
            kept.map_err(|e| problem(&web, &e))?;
        }
        let kept = records.add_reading(id, entry).await;
        kept.map_err(|e| problem(&web, &e))?;
        web.hand_over_one(id);
    }
    Ok(Redirect::to(&format!("/jobs/{id}/readings")))
}

/// As a mechanic would write it down: to one part in `parts` of the unit.
fn rounded(value: f64, parts: f64) -> f64 {
    (value * parts).round() / parts
}

fn entry(
    reading: &BenchReading,
    bodies: &[String],
    hose: Option<evenpull_app::HoseData>,
) -> ReadingEntry {
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

/// Follows a step of the job's advice on the bench, with the count-down.
pub(crate) async fn job_follow(
    State(web): State<Web>,
    Path(id): Path<i64>,
    form: Posted,
) -> Result<Redirect, Problem> {
    let word = form.text("follow").to_owned();
    let step: usize = word
        .parse()
        .map_err(|_| Problem::Input(format!("`follow` = `{word}`: 0, 1, 2 ...")))?;
    let found = web.assessed(id).ok_or(Problem::NotFound)?;
    if web.bench_waiting(id).is_none() {
        return Err(Problem::Closed(
            web.texts().at("readings.other_bench").to_owned(),
        ));
    }
    aside(move || {
        web.at_bench(|bench| {
            bench.keep(found.assessment.clone(), found.page.clone());
            bench.operate(&Operation::Follow(step))
        })
        .map_err(|e| problem(&web, &e))
    })
    .await?;
    Ok(Redirect::to("/bench"))
}

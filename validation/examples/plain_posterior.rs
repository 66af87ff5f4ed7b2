//! Prints the posterior of a job in plain numbers, for `cargo xtask bench assess`.
//!
//! `plain_posterior JOB`; the profile's own numbers that the residuals need come with it.

use std::path::Path;
use std::process::ExitCode;

use evenpull_app::{Sampling, assess_sampled};
use evenpull_diagnose::{PlainHypothesis, PlainReading, plain_posterior};
use evenpull_job::{CouplingLaw, Profile};
use serde_json::{Value, json};

fn reading(r: &PlainReading) -> Value {
    json!({
        "at_stop": r.at_stop,
        "rpm": r.rpm,
        "ln_area": r.ln_area,
        "recorded_kpa": r.recorded_kpa,
        "law": r.law.as_ref().map(|l| json!({"ln_low": l.ln_low, "step": l.step, "nodes": l.nodes})),
        "gauge_kpa": r.gauge_kpa,
        "sensor_v": r.sensor_v,
        "steps": r.steps,
        "steps_read": r.steps_read,
        "bleed_turns": r.bleed_turns,
    })
}

fn hypothesis(h: &PlainHypothesis) -> Value {
    let unknown = |u: &evenpull_diagnose::PlainUnknown| json!({"name": u.name, "mean": u.mean, "sd": u.sd, "lo": u.lo, "hi": u.hi});
    let check = |(p, chi2): &(Vec<f64>, f64)| json!({"point": p, "chi2": chi2});
    json!({
        "name": h.name,
        "weight": h.weight,
        "suspect": h.suspect,
        "unknowns": h.unknowns.iter().map(unknown).collect::<Vec<_>>(),
        "checks": h.checks.iter().map(check).collect::<Vec<_>>(),
    })
}

/// Numbers of the profile; the discharge at evenly spaced openings.
fn machine(p: &Profile) -> Value {
    let discharge: Vec<(f64, f64)> = (0..=900)
        .map(|i| 0.1 * f64::from(i))
        .map(|deg| (deg, p.body.discharge.at(deg.to_radians())))
        .collect();
    let coupling = &p.couplings[0];
    json!({
        "bore_mm": p.body.bore_mm,
        "spindle_mm": p.body.spindle_mm,
        "shut_angle_deg": p.body.shut_angle_deg,
        "stop_opening_deg": p.body.stop_opening_deg,
        "discharge": discharge,
        "rigid": coupling.law == CouplingLaw::Rigid,
        "driver": coupling.driver,
        "driven": coupling.driven[0],
        "bleed_mm2_per_turn": p.bleed.map_or(0.0, |b| b.area_mm2_per_turn),
        "valve_steps": p.idle_valve.map(|v| v.steps),
        "valve_mm2_per_step": p.idle_valve.map(|v| v.area_mm2_per_step),
        "sensor_body": p.sensor.map(|s| s.body),
        "volts_per_deg": p.sensor.map(|s| s.volts_per_deg),
        "volts_at_stop": p.sensor.map(|s| s.volts_at_stop),
        "idle_rpm": p.engine.idle_rpm,
        "idle_tolerance_rpm": p.engine.idle_tolerance_rpm,
    })
}

#[expect(clippy::print_stdout, reason = "the numbers are this program's output")]
fn main() -> ExitCode {
    let Some(folder) = std::env::args().nth(1) else {
        eprintln!("plain_posterior JOB");
        return ExitCode::from(2);
    };
    let outcome = match assess_sampled(Path::new(&folder), Sampling::Laplace, &mut |_, _| {}) {
        Ok(outcome) => outcome,
        Err(error) => {
            eprintln!("plain_posterior: {error}");
            return ExitCode::from(2);
        }
    };
    let (job, profile) = (&outcome.loaded.job, &outcome.loaded.profile);
    let cycles: Vec<_> = (outcome.assessment.readings.iter())
        .map(|r| r.cycle.clone())
        .collect();
    let posterior = plain_posterior(job, profile, &cycles);
    let constants: serde_json::Map<_, _> = (posterior.constants.iter())
        .map(|&(name, value)| (name.to_owned(), json!(value)))
        .collect();
    println!(
        "{}",
        json!({
            "machine": machine(profile),
            "needed_mm2": posterior.needed_mm2,
            "constants": constants,
            "readings": posterior.readings.iter().map(reading).collect::<Vec<_>>(),
            "hypotheses": posterior.hypotheses.iter().map(hypothesis).collect::<Vec<_>>(),
        })
    );
    ExitCode::SUCCESS
}

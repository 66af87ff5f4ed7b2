//! Where a machine stood in one visit, for its history.
//!
//! The findings weigh single faults against a sound machine, whose leaks are held near a tenth of a
//! square millimetre and whose sensor within its repeatability; what grows over the years would be pressed
//! back until it counts as a fault. So every hypothesis about stops, links and the sensor is fitted once
//! more with leaks and sensor zero left free, and mean and spread are taken over all of them.

use evenpull_job::{Condition, Job, Profile};
use evenpull_trace::CycleReading;

use crate::assess::{Beside, gathered};
use crate::assessment::CauseCode;
use crate::evidence::{Evidence, GAUGE_SD_KPA};
use crate::history::{Quantity, Standing};
use crate::hypothesis::{self, GAIN_SD, Hypothesis, Prior};
use crate::model::{Model, SENSOR_SD_V, SOUND_LEAK_MM2, Space};
use crate::posterior::{draw, fit_all};
use crate::summary::{Draw, last_turns};

/// Standard deviation of a leak that wear may have made [mm2]; a fast spindle is at 2.5 mm2 when worn out.
const WORN_LEAK_MM2: f64 = 1.0;

/// Drift of a throttle sensor over the years [V]: five times 10,000 km at the rate of the history.
const DRIFTED_V: f64 = 0.02;

/// Largest leak that is thought of [mm2], as in the findings.
const MOST_LEAK_MM2: f64 = 15.0;

/// How far the valve of an idling engine hunts [steps], standard deviation; assumed.
const STEPS_SD: f64 = 3.0;

/// Opening that an ECU shows, as good as its last digit [deg].
const SHOWN_SD_DEG: f64 = 0.05;

/// Seed of the draws; the answer to the same job is the same.
const SEED: u64 = 0x5eed_0004;

/// What a visit leaves to the history.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Stood {
    /// Values with their errors, not corrected for ambient.
    pub standings: Vec<Standing>,
    /// Through-area of all bodies together at idle [mm2], if it was read.
    pub idle_area_mm2: Option<f64>,
}

/// Where the machine stood; `cycles` as for [`assess`](crate::assess). Deterministic.
pub fn stood(
    job: &Job,
    profile: &Profile,
    cycles: &[Option<CycleReading>],
    beside: &Beside<'_>,
) -> Stood {
    let evidence = gathered(job, profile, cycles, beside).0;
    let mut standings = Vec::new();
    if evidence.has_areas() || evidence.has_depressions() {
        standings.extend(fitted(job, profile, &evidence));
    }
    standings.extend(learned_zero(profile, &evidence));
    standings.extend(idle_steps(&evidence));
    standings.extend(air_balance(profile, job, cycles));
    standings.extend(depressions(profile, &evidence));
    Stood {
        standings,
        idle_area_mm2: idle_area(&evidence),
    }
}

/// Plates, links, leaks, bleeds and the sensor's zero from the fit.
fn fitted(job: &Job, profile: &Profile, evidence: &Evidence) -> Vec<Standing> {
    let model = Model::new(profile, evidence);
    let mut hypotheses = hypothesis::all(job, profile, &model.space, evidence);
    hypotheses.retain(|h| !leaks(h) && !h.joins_runners());
    for h in &mut hypotheses {
        for b in 0..model.space.bodies {
            h.priors[model.space.leak(b)] = Prior {
                mean: SOUND_LEAK_MM2.0,
                sd: WORN_LEAK_MM2,
                lo: 0.0,
                hi: MOST_LEAK_MM2,
            };
        }
    }
    for h in &mut hypotheses {
        let zero = &mut h.priors[Space::ZERO_V];
        let sd = zero.sd.max(DRIFTED_V);
        if !zero.is_fixed() {
            *zero = Prior {
                sd,
                lo: zero.mean - 8.0 * sd,
                hi: zero.mean + 8.0 * sd,
                ..*zero
            };
        }
    }
    let Ok(fitted) = fit_all(&model, evidence, hypotheses) else {
        return Vec::new();
    };
    let draws = draw(&fitted, SEED);
    let base = profile.body.stop_opening_deg;
    let turns = last_turns(evidence, model.space.bodies);
    let mut out = Vec::new();
    let mut add = |quantity, part: &str, of: &dyn Fn(&[f64]) -> f64, least: f64| {
        out.extend(standing(&draws, quantity, part, of, least));
    };
    for (b, body) in profile.bodies().iter().enumerate() {
        add(Quantity::Leak, body, &|p| p[model.space.leak(b)], 1e-3);
        let offset = |p: &[f64]| model.openings_for(p, None)[b] - base;
        add(Quantity::Offset, body, &offset, 1e-3);
        if turns[b] > 0.0 {
            let bleed = |p: &[f64]| model.bleed_mm2(p, b, turns[b]);
            add(Quantity::Bleed, body, &bleed, 1e-3);
        }
    }
    for (c, coupling) in profile.couplings.iter().enumerate() {
        let link = |p: &[f64]| p[model.space.link(c)];
        add(Quantity::Link, &coupling.adjuster, &link, 1e-3);
    }
    if profile.sensor.is_some() && evidence.points.iter().any(|p| p.sensor_v.is_some()) {
        add(Quantity::SensorZero, "", &|p| p[Space::ZERO_V], 1e-4);
    }
    out
}

fn leaks(h: &Hypothesis) -> bool {
    let of = [CauseCode::SpindleWear, CauseCode::StubLeak];
    h.faults.iter().any(|f| of.contains(&f.code))
}

/// Mean and standard deviation over the draws; `least` keeps the latter from nil.
fn standing(
    draws: &[Draw],
    quantity: Quantity,
    part: &str,
    of: &dyn Fn(&[f64]) -> f64,
    least: f64,
) -> Option<Standing> {
    let values: Vec<f64> = draws.iter().map(|(_, p)| of(p)).collect();
    let n = values.len() as f64;
    let mean = values.iter().sum::<f64>() / n;
    let var = values.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / n;
    mean.is_finite().then(|| Standing {
        quantity,
        part: part.to_owned(),
        value: mean,
        sd: var.sqrt().max(least),
    })
}

fn mean(values: &[f64]) -> Option<f64> {
    (!values.is_empty()).then(|| values.iter().sum::<f64>() / values.len() as f64)
}

fn machine(quantity: Quantity, value: f64, sd: f64) -> Standing {
    Standing {
        quantity,
        part: String::new(),
        value,
        sd,
    }
}

/// Raw volts less what the ECU makes of them.
fn learned_zero(profile: &Profile, evidence: &Evidence) -> Option<Standing> {
    let sensor = profile.sensor?;
    let zeros: Vec<f64> = (evidence.points.iter())
        .filter_map(|p| Some(p.sensor_v? - p.ecu_opening_deg? * sensor.volts_per_deg))
        .collect();
    let sd = SENSOR_SD_V.hypot(SHOWN_SD_DEG * sensor.volts_per_deg);
    Some(machine(
        Quantity::LearnedZero,
        mean(&zeros)?,
        sd / (zeros.len() as f64).sqrt(),
    ))
}

fn idle_steps(evidence: &Evidence) -> Option<Standing> {
    let open = |p: &&crate::evidence::Point| {
        p.condition == Condition::Idle && p.steps_read && !p.valve_pinched
    };
    let steps: Vec<f64> = (evidence.points.iter().filter(open))
        .filter_map(|p| p.steps)
        .collect();
    Some(machine(Quantity::IdleSteps, mean(&steps)?, STEPS_SD))
}

/// Drawn air of each body over the mean, in the readings at hold.
fn air_balance(profile: &Profile, job: &Job, cycles: &[Option<CycleReading>]) -> Vec<Standing> {
    let n = profile.bodies().len();
    let mut shares: Vec<Vec<f64>> = vec![Vec::new(); n];
    for (reading, cycle) in job.readings.iter().zip(cycles) {
        let Some(cycle) = cycle
            .as_ref()
            .filter(|_| reading.condition == Condition::Hold)
        else {
            continue;
        };
        let mut air = vec![f64::NAN; n];
        for (i, c) in cycle.channels.iter().enumerate() {
            let body = cycle.traces_on.get(i).copied().unwrap_or(i);
            if let (Some(drawn), Some(slot)) = (c.drawn_air_mg, air.get_mut(body)) {
                *slot = drawn.value;
            }
        }
        let whole = air.iter().sum::<f64>() / n as f64;
        if n > 1 && whole.is_finite() && whole > 0.0 {
            for (share, a) in shares.iter_mut().zip(air) {
                share.push(100.0 * (a / whole - 1.0));
            }
        }
    }
    // Another pressure sensor on a body next year: its gain is the error of the ratio.
    let own = profile.bodies().iter().zip(&shares);
    own.filter_map(|(body, s)| {
        Some(Standing {
            quantity: Quantity::AirBalance,
            part: body.clone(),
            value: mean(s)?,
            sd: 100.0 * GAIN_SD,
        })
    })
    .collect()
}

fn depressions(profile: &Profile, evidence: &Evidence) -> Vec<Standing> {
    let idle: Vec<Vec<f64>> = (evidence.points.iter())
        .filter(|p| p.condition == Condition::Idle && !p.valve_pinched && !p.swapped)
        .filter_map(|p| p.depressions_kpa().map(<[f64]>::to_vec))
        .collect();
    let own = profile.bodies().iter().enumerate();
    own.filter_map(|(b, body)| {
        let read: Vec<f64> = idle.iter().map(|d| d[b]).collect();
        Some(Standing {
            quantity: Quantity::Depression,
            part: body.clone(),
            value: mean(&read)?,
            sd: GAUGE_SD_KPA,
        })
    })
    .collect()
}

/// Area of all bodies together at idle, bleeds open [mm2].
fn idle_area(evidence: &Evidence) -> Option<f64> {
    let sums: Vec<f64> = (evidence.points.iter())
        .filter(|p| p.condition == Condition::Idle && !p.valve_pinched)
        .filter_map(|p| {
            let areas: Option<Vec<f64>> = p
                .ln_area
                .iter()
                .map(|a| Some(a.as_ref()?.value.exp()))
                .collect();
            Some(areas?.iter().sum())
        })
        .collect();
    mean(&sums)
}

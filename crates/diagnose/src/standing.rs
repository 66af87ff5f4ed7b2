//! Where a machine stood in one visit, for its history.
//!
//! The findings weigh single faults against a sound machine, whose leaks are held near a tenth of a
//! square millimetre, stops and links within hundredths of a degree and the sensor within its repeatability;
//! what grows over the years would be pressed back until it counts as a fault. So the readings are fitted
//! once more with leaks, stops, links and sensor zero left free, beside the hypotheses about the rest, and
//! mean and spread are taken over all of them.

use evenpull_job::{Condition, Job, Profile};
use evenpull_trace::CycleReading;

use crate::assess::{Beside, gathered};
use crate::assessment::CauseCode;
use crate::evidence::{Evidence, GAUGE_SD_KPA};
use crate::history::{Quantity, Standing};
use crate::hypothesis::{self, Fault, GAIN_SD, Hypothesis, Prior};
use crate::model::{Model, SENSOR_SD_V, SOUND_LEAK_MM2, Space};
use crate::posterior::{Fitted, VALVE_PLACE, draw, fit_all};
use crate::summary::{Draw, last_turns};

/// Standard deviation of a leak that wear may have made [mm2]: a body is worn out at 2.5 mm2, and one that was
/// run on for years beyond that must not be pulled back by more than its own error.
const WORN_LEAK_MM2: f64 = 3.0;

/// Drift of a throttle sensor over the years [V]: five times 10,000 km at the rate of the history.
const DRIFTED_V: f64 = 0.02;

/// A stop or link that somebody turned, standard deviation [deg]; as a balance that is off in the findings.
const TURNED_DEG: f64 = 0.4;

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
    hypotheses.retain(|h| !is_freed(h) && !h.joins_runners());
    for h in &mut hypotheses {
        free(&mut h.priors, profile, &model.space);
    }
    let Ok(fitted) = fit_all(&model, evidence, hypotheses) else {
        return Vec::new();
    };
    let draws = draw(&fitted, SEED);
    let base = profile.body.stop_opening_deg;
    let turns = last_turns(evidence, model.space.bodies);
    let mut out = Vec::new();
    let mut add = |quantity, part: &str, of: &dyn Fn(&[f64]) -> f64, least: f64| {
        let shared = shared_variance(&fitted[0], &model.space, evidence, of);
        out.extend(standing(&draws, quantity, part, of, least, shared));
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

/// True where a hypothesis is about what [`free`] leaves open anyway.
fn is_freed(h: &Hypothesis) -> bool {
    use CauseCode::{BalanceOff, LinkAltered, SpindleWear, StopIn, StopOut, StopsBoth, StubLeak};
    let freed = |f: &Fault| match f.code {
        SpindleWear | StubLeak | StopIn | StopOut | StopsBoth | BalanceOff => true,
        // A plate twisted on its shaft has no coupling and stays a hypothesis.
        LinkAltered => f.coupling.is_some(),
        _ => false,
    };
    h.faults.iter().any(freed)
}

/// Leaves open what a history follows: a prior about a sound machine would pull every visit towards it, so
/// that rates and steps come out too small and levels too sure.
fn free(priors: &mut [Prior], profile: &Profile, space: &Space) {
    let open = |mean: f64, sd: f64, lo: f64, hi: f64| Prior { mean, sd, lo, hi };
    let wide = |prior: &mut Prior, sd: f64| {
        if !prior.is_fixed() {
            let sd = prior.sd.max(sd);
            *prior = open(prior.mean, sd, prior.mean - 8.0 * sd, prior.mean + 8.0 * sd);
        }
    };
    for b in 0..space.bodies {
        priors[space.leak(b)] = open(SOUND_LEAK_MM2.0, WORN_LEAK_MM2, 0.0, MOST_LEAK_MM2);
        let stop = &mut priors[space.stop(b)];
        wide(stop, TURNED_DEG);
        if !stop.is_fixed() {
            stop.lo = 0.1 - profile.body.stop_opening_deg;
        }
    }
    for c in 0..space.couplings {
        wide(&mut priors[space.link(c)], TURNED_DEG);
    }
    wide(&mut priors[Space::ZERO_V], DRIFTED_V);
}

/// Share of the variance of a quantity that every visit of the machine has wrong in common, in 0..=1.
///
/// A visit's estimate of the unknowns is off by `C (P (u - m) - noise)`, `C` the covariance of its fit, `P` the
/// precision of what it brings along: priors, what earlier visits left. What of that is the machine's
/// pulls every visit by the same `u - m`; the noise is the visit's own. So along the slope `g` of the quantity
/// `g' C P C g` of `g' C g` are shared, `P` over the unknowns of the machine alone.
fn shared_variance(
    fit: &Fitted,
    space: &Space,
    evidence: &Evidence,
    of: &dyn Fn(&[f64]) -> f64,
) -> f64 {
    let slope = slope(fit, of);
    let moved = fit.covariance_times(&slope);
    let whole: f64 = slope.iter().zip(&moved).map(|(g, v)| g * v).sum();
    let priors = fit.hypothesis.priors.iter().zip(&moved).enumerate();
    let own = |(i, (prior, v)): (usize, (&Prior, &f64))| match i {
        // Its spread over machines stands among the residuals.
        Space::NEED => (v / VALVE_PLACE.1).powi(2),
        _ if space.is_of_the_machine(i) => (v / prior.sd).powi(2),
        _ => 0.0,
    };
    let record = evidence.record.as_ref();
    let brought = priors.map(own).sum::<f64>() + record.map_or(0.0, |r| r.precision_along(&moved));
    match whole > 0.0 {
        true => (brought / whole).clamp(0.0, 1.0),
        false => 0.0,
    }
}

/// Slope of a quantity over all unknowns at the mode of a fit, by central differences.
fn slope(fit: &Fitted, of: &dyn Fn(&[f64]) -> f64) -> Vec<f64> {
    let mut p = fit.mode.clone();
    let priors = &fit.hypothesis.priors;
    (0..p.len())
        .map(|i| {
            if priors[i].is_fixed() {
                return 0.0;
            }
            let (at, step) = (p[i], 1e-3 * priors[i].sd);
            p[i] = at + step;
            let up = of(&p);
            p[i] = at - step;
            let down = of(&p);
            p[i] = at;
            (up - down) / (2.0 * step)
        })
        .collect()
}

/// Mean and standard deviation over the draws; `least` keeps the latter from nil, `shared` is the share
/// of the variance that all visits have in common.
fn standing(
    draws: &[Draw],
    quantity: Quantity,
    part: &str,
    of: &dyn Fn(&[f64]) -> f64,
    least: f64,
    shared: f64,
) -> Option<Standing> {
    let values: Vec<f64> = draws.iter().map(|(_, p)| of(p)).collect();
    let n = values.len() as f64;
    let mean = values.iter().sum::<f64>() / n;
    let var = values.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / n;
    let sd = var.sqrt().max(least);
    mean.is_finite().then(|| Standing {
        quantity,
        part: part.to_owned(),
        value: mean,
        sd,
        shared_sd: sd * shared.sqrt(),
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
        shared_sd: 0.0,
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
            shared_sd: 0.0,
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
            shared_sd: 0.0,
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

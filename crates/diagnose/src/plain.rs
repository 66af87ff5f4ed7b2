//! The posterior of a job in plain numbers, so that another program can draw from the same one.
//!
//! Used by `cargo xtask bench assess`. The residuals themselves stand in `residuals.rs`; [`PlainHypothesis::checks`]
//! lets the other program see whether its own are the same.

use evenpull_job::{Job, Profile};
use evenpull_trace::CycleReading;

use crate::cause_words::faults_in_words;
use crate::evidence::Evidence;
use crate::hypothesis;
use crate::model::{Model, Space};
use crate::posterior::{Fitted, fit_all};
use crate::residuals::{CONSTANTS, Residuals};

/// Weight from which a hypothesis is listed: those that the answer draws from by chains.
const COUNTS: f64 = 0.01;

/// Everything a posterior rests on.
#[derive(Debug, Clone, PartialEq)]
pub struct PlainPosterior {
    /// Readings in the job's order.
    pub readings: Vec<PlainReading>,
    /// Area that all bodies together have at idle on a sound machine [mm2].
    pub needed_mm2: f64,
    /// Spreads and limits that the residuals are written with, by name.
    pub constants: Vec<(&'static str, f64)>,
    /// Hypotheses that count, the heaviest first.
    pub hypotheses: Vec<PlainHypothesis>,
}

/// One reading; lists in the profile's order of bodies.
#[derive(Debug, Clone, PartialEq)]
pub struct PlainReading {
    /// The throttle is shut.
    pub at_stop: bool,
    /// Engine speed [1/min].
    pub rpm: f64,
    /// Logarithm of the areas [mm2], their standard deviations without the sensor's zero, and their change with
    /// it [1/kPa].
    pub ln_area: Vec<Option<(f64, f64, f64)>>,
    /// Depressions from recording and gauges [kPa].
    pub recorded_kpa: Option<Vec<f64>>,
    /// Depressions from gauges [kPa].
    pub gauge_kpa: Option<Vec<f64>>,
    /// Raw volts of the throttle sensor [V].
    pub sensor_v: Option<f64>,
    /// Steps of the idle valve.
    pub steps: Option<f64>,
    /// The steps were read here.
    pub steps_read: bool,
    /// Bleeds from their seats [turns].
    pub bleed_turns: Vec<f64>,
    /// How depression follows the through-area here, where it was read.
    pub law: Option<PlainLaw>,
}

/// Depression over the logarithm of through-area [mm2]: Hermite's cubic between nodes, straight beyond.
#[derive(Debug, Clone, PartialEq)]
pub struct PlainLaw {
    /// Logarithm at the first node, and from one node to the next.
    pub ln_low: f64,
    /// Distance of the nodes.
    pub step: f64,
    /// Depression [kPa] and its slope over one step at each node.
    pub nodes: Vec<(f64, f64)>,
}

/// One unknown with its prior, normal within bounds; fixed where they meet.
#[derive(Debug, Clone, PartialEq)]
pub struct PlainUnknown {
    /// Name; a number behind it is that of a body, a coupling or a reading.
    pub name: String,
    /// Mean of the prior.
    pub mean: f64,
    /// Standard deviation of the prior.
    pub sd: f64,
    /// Lower bound.
    pub lo: f64,
    /// Upper bound.
    pub hi: f64,
}

/// One hypothesis.
#[derive(Debug, Clone, PartialEq)]
pub struct PlainHypothesis {
    /// Faults in words.
    pub name: String,
    /// Laplace weight.
    pub weight: f64,
    /// Body whose leak scatters.
    pub suspect: Option<usize>,
    /// All unknowns.
    pub unknowns: Vec<PlainUnknown>,
    /// Points with their chi-square, priors included: the mode, and others about it.
    pub checks: Vec<(Vec<f64>, f64)>,
}

/// The posterior of a job in numbers; arguments as for [`crate::assess`]. Empty where nothing can be fitted.
pub fn plain_posterior(
    job: &Job,
    profile: &Profile,
    cycles: &[Option<CycleReading>],
) -> PlainPosterior {
    let refs: Vec<Option<&CycleReading>> = cycles.iter().map(Option::as_ref).collect();
    let evidence = Evidence::of(job, profile, &refs);
    let model = Model::new(profile, &evidence);
    let all = hypothesis::all(job, profile, &model.space, &evidence);
    let fitted = fit_all(&model, &evidence, all).unwrap_or_default();
    let names = names(&model.space, &evidence);
    PlainPosterior {
        needed_mm2: model.needed_mm2(),
        constants: CONSTANTS.to_vec(),
        hypotheses: fitted
            .iter()
            .filter(|f| f.weight > COUNTS)
            .map(|f| plain(&model, &evidence, f, &names))
            .collect(),
        readings: evidence
            .points
            .iter()
            .map(|p| PlainReading {
                at_stop: p.at_stop(),
                rpm: p.rpm,
                ln_area: (p.ln_area.iter())
                    .map(|a| a.map(|a| (a.value, a.sd, a.by_zero)))
                    .collect(),
                recorded_kpa: p.recorded_kpa.clone(),
                gauge_kpa: p.gauge_kpa.clone(),
                sensor_v: p.sensor_v,
                steps: p.steps,
                steps_read: p.steps_read,
                bleed_turns: p.bleed_turns.clone(),
                law: p.law.as_ref().map(|law| {
                    let (ln_low, step, nodes) = law.parts();
                    PlainLaw {
                        ln_low,
                        step,
                        nodes: nodes.to_vec(),
                    }
                }),
            })
            .collect(),
    }
}

fn plain(
    model: &Model<'_>,
    evidence: &Evidence,
    fitted: &Fitted,
    names: &[String],
) -> PlainHypothesis {
    let priors = &fitted.hypothesis.priors;
    let bodies = model.profile.bodies();
    let mut model = model.clone();
    model.suspect = fitted.hypothesis.suspect;
    let residuals = Residuals { model, evidence };
    let mut rows = Vec::new();
    let mut checked = |p: Vec<f64>| {
        residuals.at(&p, priors, &mut rows);
        let chi2 = rows.iter().map(|(_, r)| r * r).sum();
        (p, chi2)
    };
    // Beside the mode, each unknown a part of its prior's spread away, the parts all different.
    let aside = |size: f64| -> Vec<f64> {
        let moved = fitted.mode.iter().zip(priors).enumerate();
        moved
            .map(|(i, (x, q))| {
                let by = size * q.sd * (i as f64).sin();
                if q.is_fixed() {
                    *x
                } else {
                    (x + by).clamp(q.lo, q.hi)
                }
            })
            .collect()
    };
    let points = [fitted.mode.clone(), aside(0.1), aside(-0.4)];
    PlainHypothesis {
        name: faults_in_words(&fitted.hypothesis.faults, bodies),
        weight: fitted.weight,
        suspect: fitted.hypothesis.suspect,
        unknowns: (names.iter().zip(priors))
            .map(|(name, q)| PlainUnknown {
                name: name.clone(),
                mean: q.mean,
                sd: q.sd,
                lo: q.lo,
                hi: q.hi,
            })
            .collect(),
        checks: points.into_iter().map(&mut checked).collect(),
    }
}

/// Names of all places of the unknowns.
fn names(space: &Space, evidence: &Evidence) -> Vec<String> {
    let mut all = vec![String::new(); space.len()];
    for (i, name) in [
        (Space::LN_SCALE, "ln_scale"),
        (Space::TILT, "tilt"),
        (Space::HEAT, "heat_mm2"),
        (Space::LN_VALVE, "ln_valve"),
        (Space::SHUT, "shut_deg"),
        (Space::ZERO_V, "zero_v"),
        (Space::LN_DISCHARGE, "ln_discharge"),
        (Space::LN_SLOPE, "ln_slope"),
        (Space::HOSE, "hose_mm2"),
        (Space::HOLDS, "holds"),
        (Space::HELD, "held"),
        (Space::NEED, "need"),
        (Space::LN_VOLTS_SD, "ln_volts_sd"),
        (Space::STOPS, "stops_deg"),
        (Space::JOINED, "joined"),
    ] {
        name.clone_into(&mut all[i]);
    }
    for b in 0..space.bodies {
        for (i, name) in [
            (space.stop(b), "stop_deg"),
            (space.leak(b), "leak_mm2"),
            (space.ln_bleed(b), "ln_bleed"),
            (space.gauge(b), "gauge_kpa"),
            (space.sensor(b), "sensor_kpa"),
            (space.ln_gain(b), "ln_gain"),
            (space.breathing(b), "breathing_kpa"),
            (space.twist(b), "twist_deg"),
        ] {
            all[i] = format!("{name}.{b}");
        }
    }
    for c in 0..space.couplings {
        all[space.link(c)] = format!("link_deg.{c}");
        all[space.ln_per_turn(c)] = format!("ln_per_turn.{c}");
    }
    for (j, (command, place)) in space.command.iter().zip(&space.place).enumerate() {
        if let Some(i) = command {
            all[*i] = format!("command_deg.{j}");
        }
        if let Some(i) = place {
            all[*i] = format!("place.{j}");
        }
    }
    for j in 0..evidence.points.len() {
        all[space.jitter(j)] = format!("jitter.{j}");
    }
    for i in 0..evidence.turns.len() {
        all[space.slip(i)] = format!("slip_turns.{i}");
    }
    all
}

//! Machines and readings drawn from the assessment's own priors and model, and assessed.
//!
//! Over many of them the truth must rank evenly among the draws of the answer, and a hypothesis that is
//! given 0.3 must be the true one in three of ten: else the inference is wrong, whatever the world is
//! like. What the priors are worth in the world, this cannot tell.
//!
//! A hypothesis is drawn by its prior odds, the unknowns from its priors. Readings without noise are those
//! that bring every residual to zero; noise is drawn with the covariance that the residuals state there, so the
//! readings follow whatever the residuals say. Causes whose odds depend on what was read (idle valve, idle
//! hose, worn sensor, runners that fill each other) are left out on both sides, and so are readings that would call them up.
//!
//! # Source
//! `talts2018` (Talts, Betancourt, Simpson, Vehtari, Gelman: Validating Bayesian Inference Algorithms
//! with Simulation-Based Calibration), algorithm 1.

use std::collections::BTreeMap;

use nalgebra::{Cholesky, DMatrix, DVector};
use rand::rngs::StdRng;
use rand::{RngExt, SeedableRng};
use rand_distr::StandardNormal;

use evenpull_job::{Job, Profile};
use evenpull_trace::CycleReading;

use crate::assessment::CauseCode;
use crate::evidence::Evidence;
use crate::hypothesis::{self, Fault, Hypothesis, Prior};
use crate::model::{Model, Space, VALVE_PLACE};
use crate::posterior::{draw, fit_all, sample};
use crate::residuals::{Channel, Residuals};
use crate::sampling::{Sampled, Sampling};
use crate::summary::last_turns;

/// Draws that a truth is ranked among, so that ranks run from 0 to this.
const RANKED: usize = 99;

/// Place of the idle valve, in its travel, below and above which other causes come up.
const USUAL_PLACE: (f64, f64) = (0.16, 0.95);

/// Machines drawn until one gives readings in that range.
const TRIES: usize = 60;

/// Steps to the readings without noise, and the sum of squares that counts as none.
const STEPS: usize = 30;
const NOTHING: f64 = 1e-8;

/// Where a truth ranks.
#[derive(Debug, Clone, PartialEq)]
pub struct Rank {
    /// Quantity and its unit.
    pub what: String,
    /// Draws below the truth, of 99.
    pub below: usize,
}

/// One machine drawn and assessed.
#[derive(Debug, Clone, PartialEq)]
pub struct Rehearsal {
    /// Weight of every set of faults in the answer, and whether it was the one drawn.
    pub stated: Vec<(f64, bool)>,
    /// Ranks of what was put in.
    pub ranks: Vec<Rank>,
    /// What the draws are worth.
    pub sampled: Sampled,
}

/// Draws a machine and readings in place of those of `job`, and assesses them.
///
/// `job`, `profile` and `cycles` as for [`crate::assess`]; of the readings only what was read counts, and how
/// well. `None` where nothing usable could be drawn. Deterministic by `seed`.
pub fn rehearse(
    job: &Job,
    profile: &Profile,
    cycles: &[Option<CycleReading>],
    sampling: Sampling,
    seed: u64,
) -> Option<Rehearsal> {
    let refs: Vec<Option<&CycleReading>> = cycles.iter().map(Option::as_ref).collect();
    if profile.bodies().len() < 2 || profile.couplings.is_empty() {
        return None;
    }
    let template = Evidence::of(job, profile, &refs);
    let mut rng = StdRng::seed_from_u64(seed);
    let (put_in, truth, evidence) =
        (0..TRIES).find_map(|_| drawn(job, profile, &template, &mut rng))?;
    let model = Model::new(profile, &evidence);
    let mut fitted = fit_all(&model, &evidence, hypotheses(job, profile, &evidence)).ok()?;
    let mut sampled = Sampled::none(sampling);
    if sampling == Sampling::Full {
        (fitted, sampled, _) = sample(profile, &evidence, fitted, seed);
    }
    let draws = draw(&fitted, seed);
    let told = quantities(&model, &evidence, &truth);
    let step = draws.len() as f64 / RANKED as f64;
    let thinned: Vec<Vec<(String, f64)>> = (0..RANKED)
        .map(|i| {
            quantities(
                &model,
                &evidence,
                &draws[((i as f64 + 0.5) * step) as usize].1,
            )
        })
        .collect();
    let ranks = (told.into_iter().enumerate())
        .map(|(q, (what, truth))| Rank {
            what,
            below: thinned.iter().filter(|t| t[q].1 < truth).count(),
        })
        .collect();
    let mut by_faults: BTreeMap<Vec<Fault>, f64> = BTreeMap::new();
    for f in &fitted {
        *by_faults.entry(f.hypothesis.faults.clone()).or_default() += f.weight;
    }
    let stated = (by_faults.into_iter())
        .map(|(faults, weight)| (weight, faults == put_in.faults))
        .collect();
    Some(Rehearsal {
        stated,
        ranks,
        sampled,
    })
}

/// Those whose odds do not depend on what was read.
fn hypotheses(job: &Job, profile: &Profile, evidence: &Evidence) -> Vec<Hypothesis> {
    use CauseCode::{IdleAirHose, IdleValveStuckOpen, IdleValveStuckShut, SensorWorn};
    let left_out = [
        IdleAirHose,
        IdleValveStuckOpen,
        IdleValveStuckShut,
        SensorWorn,
    ];
    let space = Space::new(profile, evidence);
    let mut all = hypothesis::all(job, profile, &space, evidence);
    all.retain(|h| !h.joins_runners() && !h.faults.iter().any(|f| left_out.contains(&f.code)));
    all
}

/// A hypothesis by its odds, unknowns from its priors, readings from both.
fn drawn(
    job: &Job,
    profile: &Profile,
    template: &Evidence,
    rng: &mut StdRng,
) -> Option<(Hypothesis, Vec<f64>, Evidence)> {
    let all = hypotheses(job, profile, template);
    let odds: Vec<f64> = all.iter().map(|h| h.ln_odds.exp()).collect();
    let mut left = rng.random::<f64>() * odds.iter().sum::<f64>();
    let hypothesis = all.into_iter().zip(odds).find(|(_, o)| {
        left -= o;
        left < 0.0
    })?;
    let hypothesis = hypothesis.0;
    let mut p: Vec<f64> = hypothesis.priors.iter().map(|q| from(*q, rng)).collect();
    let need = hypothesis.priors[Space::NEED];
    if !need.is_fixed() {
        // Its spread over machines is a residual of the valve.
        let sd = (need.sd.powi(-2) + VALVE_PLACE.1.powi(-2)).powf(-0.5);
        p[Space::NEED] = need.mean + sd * rng.sample::<f64, _>(StandardNormal);
    }
    let evidence = readings(profile, template, &hypothesis, &p, rng)?;
    Some((hypothesis, p, evidence))
}

/// A draw of a prior within its bounds.
fn from(prior: Prior, rng: &mut StdRng) -> f64 {
    if prior.is_fixed() {
        return prior.mean;
    }
    loop {
        let x = prior.mean + prior.sd * rng.sample::<f64, _>(StandardNormal);
        if (prior.lo..=prior.hi).contains(&x) {
            return x;
        }
    }
}

/// Readings of the kind of the template on the machine `p`.
fn readings(
    profile: &Profile,
    template: &Evidence,
    hypothesis: &Hypothesis,
    p: &[f64],
    rng: &mut StdRng,
) -> Option<Evidence> {
    let travel = profile.idle_valve.map_or(1.0, |v| f64::from(v.steps));
    let shop = Shop {
        profile,
        template,
        hypothesis,
        p,
    };
    let mut y = shop.values(travel);
    let mut jacobian = DMatrix::zeros(0, 0);
    for _ in 0..STEPS {
        let r = shop.residuals(&y);
        jacobian = shop.jacobian(&y);
        if r.norm_squared() < NOTHING {
            break;
        }
        let step = Cholesky::new(jacobian.tr_mul(&jacobian))?.solve(&jacobian.tr_mul(&r));
        y -= step;
    }
    if shop.residuals(&y).norm_squared() > NOTHING {
        return None;
    }
    let root = Cholesky::new(jacobian.tr_mul(&jacobian))?.l();
    let z = DVector::from_fn(y.len(), |_, _| rng.sample::<f64, _>(StandardNormal));
    y += root.tr_solve_lower_triangular(&z)?;
    let evidence = shop.with(&y);
    let usual = |p: &crate::evidence::Point| {
        let place = p.steps.map(|s| s / travel);
        !p.steps_read || place.is_some_and(|x| (USUAL_PLACE.0..USUAL_PLACE.1).contains(&x))
    };
    evidence.points.iter().all(usual).then_some(evidence)
}

/// The instruments of a visit: what they would read is a vector, in the order of [`each_value`].
struct Shop<'a> {
    profile: &'a Profile,
    template: &'a Evidence,
    hypothesis: &'a Hypothesis,
    p: &'a [f64],
}

impl Shop<'_> {
    /// The template's readings, the idle valve in the middle of its travel.
    fn values(&self, travel: f64) -> DVector<f64> {
        let mut evidence = self.template.clone();
        let read = evidence.points.iter_mut().filter(|p| p.steps_read);
        read.for_each(|p| p.steps = Some(0.5 * travel));
        let mut all = Vec::new();
        each_value(&mut evidence, |v| all.push(*v));
        DVector::from_vec(all)
    }

    fn with(&self, y: &DVector<f64>) -> Evidence {
        let mut evidence = self.template.clone();
        let mut values = y.iter();
        each_value(&mut evidence, |v| *v = values.next().copied().unwrap_or(*v));
        // Off idle the valve stays where the last idle left it.
        let mut last = None;
        for point in &mut evidence.points {
            if point.steps_read {
                last = point.steps;
            } else if point.steps.is_some() {
                point.steps = last.or(point.steps);
            }
        }
        evidence.share_passages();
        evidence
    }

    /// Residuals that depend on what is read.
    fn residuals(&self, y: &DVector<f64>) -> DVector<f64> {
        let evidence = self.with(y);
        let mut model = Model::new(self.profile, &evidence);
        model.suspect = self.hypothesis.suspect;
        let residuals = Residuals {
            model,
            evidence: &evidence,
        };
        let mut rows = Vec::new();
        residuals.at(self.p, &self.hypothesis.priors, &mut rows);
        // The speed is not drawn, the engine's own need of air has no reading.
        let need = self
            .profile
            .idle_valve
            .map(|_| self.p[Space::NEED] / VALVE_PLACE.1);
        let of_readings = rows.iter().filter(|(channel, r)| match channel {
            Channel::Prior | Channel::Speed => false,
            Channel::Valve => Some(*r) != need,
            _ => true,
        });
        DVector::from_iterator(of_readings.clone().count(), of_readings.map(|(_, r)| *r))
    }

    /// By central differences; the residuals are straight lines in nearly all of what is read.
    fn jacobian(&self, y: &DVector<f64>) -> DMatrix<f64> {
        let columns: Vec<DVector<f64>> = (0..y.len())
            .map(|k| {
                let h = 1e-5 * (1.0 + y[k].abs());
                let at = |d: f64| {
                    let mut y = y.clone();
                    y[k] += d;
                    self.residuals(&y)
                };
                (at(h) - at(-h)) / (2.0 * h)
            })
            .collect();
        DMatrix::from_columns(&columns)
    }
}

/// Every value that is read: areas, depressions of all bodies over the first, how much gauges alone pull off idle, volts,
/// steps.
fn each_value(evidence: &mut Evidence, mut f: impl FnMut(&mut f64)) {
    for point in &mut evidence.points {
        let areas = point.ln_area.iter_mut().flatten();
        areas.for_each(|a| f(&mut a.value));
        let whole = point.ln_area.iter().all(Option::is_some);
        let levelled = point.tells_level();
        let recorded = point.recorded_kpa.iter_mut().filter(|_| whole);
        for depressions in recorded {
            depressions.iter_mut().skip(1).for_each(&mut f);
        }
        for depressions in point.gauge_kpa.iter_mut() {
            let first = usize::from(!levelled);
            depressions.iter_mut().skip(first).for_each(&mut f);
        }
        point.sensor_v.iter_mut().for_each(&mut f);
        if point.steps_read {
            point.steps.iter_mut().for_each(&mut f);
        }
    }
}

/// What is ranked, of one set of unknowns.
fn quantities(model: &Model<'_>, evidence: &Evidence, p: &[f64]) -> Vec<(String, f64)> {
    let space = &model.space;
    let open = model.openings_for(p, None);
    let turns = last_turns(evidence, space.bodies);
    let leak = |b: usize| p[space.leak(b)];
    let mut out = Vec::new();
    // On larger engines the first two bodies, so that jobs can be counted together.
    for b in 0..space.bodies.min(2) {
        let which = b + 1;
        out.push((format!("offset {which} [deg]"), open[b]));
        out.push((format!("leak {which} [mm2]"), leak(b)));
        out.push((
            format!("bleed {which} [mm2]"),
            model.bleed_mm2(p, b, turns[b]),
        ));
    }
    out.push(("offset difference [deg]".to_owned(), open[0] - open[1]));
    out.push(("leak difference [mm2]".to_owned(), leak(0) - leak(1)));
    out.push(("link [deg]".to_owned(), p[space.link(0)]));
    out.push(("sensor zero [V]".to_owned(), p[Space::ZERO_V]));
    out.push(("area scale [ln]".to_owned(), p[Space::LN_SCALE]));
    out.push(("pressure sensor 2 [kPa]".to_owned(), p[space.sensor(1)]));
    out
}

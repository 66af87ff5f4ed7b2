//! The mixture over hypotheses: mode and covariance of each, and its weight.
//!
//! `ln Z = ln odds - chi2/2 - sum ln sd_i - sum ln(mass inside the bounds) - ln det(J'J)/2`, the
//! Laplace approximation with the priors as residuals. Interval ends come from draws of the
//! mixture, cut at the bounds.

use nalgebra::{Cholesky, DMatrix, DVector, Dyn};
use rand::rngs::StdRng;
use rand::{RngExt, SeedableRng};
use rand_distr::StandardNormal;

use evenpull_fit::stats::normal_cdf;

use crate::evidence::{Evidence, GAUGE_SD_KPA};
use crate::hypothesis::{Hypothesis, Prior};
use crate::mode::Problem;
use crate::model::{Model, Space};

/// Change of depression per logarithm of through-area, over the depression itself [-].
///
/// From the filling model: 0.1 degree of plate is 0.3 mm2 of 8 and 1.4 kPa at idle, 0.5 mm2 of 24
/// and 0.7 kPa at hold, so 37 kPa at 44 kPa of depression.
pub(crate) const DEPRESSION_SLOPE: f64 = 0.85;

/// Uncertainty of that slope over engines, relative.
pub(crate) const SLOPE_SD: f64 = 0.12;

/// How far it differs between the readings of one engine, relative to the difference read: the same
/// model gives 37 kPa at idle and 34 at hold.
const SLOPE_CHANGE: f64 = 0.05;

/// What valves and pipes leave between the depressions of two bodies of one area [kPa]; assumed.
pub(crate) const BREATHING_SD_KPA: f64 = 0.4;

/// How the depressions of two bodies scatter from reading to reading beyond that [kPa]; assumed.
const READING_SD_KPA: f64 = 0.2;

/// What the model leaves between two bodies in one reading beyond the reading's own sd, relative.
const PAIR_SD: f64 = 0.001;

/// What it leaves on all bodies of a reading alike, relative.
const COMMON_SD: f64 = 0.008;

/// Repeatability of the throttle sensor within one visit [V].
const SENSOR_SD_V: f64 = 0.004;

/// Spread of the hot idle valve's place over machines, in its travel (20-40 % is usual; from memory).
pub(crate) const VALVE_PLACE: (f64, f64) = (0.3, 0.15);

/// Draws of the mixture.
const DRAWS: usize = 4_000;

/// Kinds of evidence, for saying what speaks for or against a cause.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub(crate) enum Channel {
    AreasIdle,
    AreasOffIdle,
    Level,
    Volts,
    Valve,
    Gauges,
    Sensors,
    Prior,
}

/// One hypothesis, fitted.
#[derive(Debug, Clone)]
pub(crate) struct Fitted {
    pub(crate) hypothesis: Hypothesis,
    pub(crate) mode: Vec<f64>,
    /// Chi-square by channel at the mode.
    pub(crate) chi2: Vec<(Channel, f64)>,
    pub(crate) ln_weight: f64,
    /// Weight in the mixture, 0..=1.
    pub(crate) weight: f64,
    /// The search for the mode ended at a settled point.
    settled: bool,
    /// Free parameters and the factor L of their covariance L L'.
    free: Vec<usize>,
    factor: DMatrix<f64>,
}

impl Fitted {
    /// Chi-square of the data at the mode, priors left out.
    pub(crate) fn data_chi2(&self) -> f64 {
        self.chi2
            .iter()
            .filter(|(c, _)| *c != Channel::Prior)
            .map(|(_, x)| x)
            .sum()
    }

    pub(crate) fn channel(&self, channel: Channel) -> f64 {
        self.chi2
            .iter()
            .filter(|(c, _)| *c == channel)
            .map(|(_, x)| x)
            .sum()
    }
}

/// Why no posterior could be had.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub(crate) enum PosteriorError {
    /// No hypothesis could be fitted.
    #[error("none of {tried} hypotheses could be fitted to {residuals} values")]
    NoFit {
        /// Hypotheses tried.
        tried: usize,
        /// Values to fit.
        residuals: usize,
    },
}

/// Residuals of one job under one hypothesis.
pub(crate) struct Residuals<'a> {
    pub(crate) model: Model<'a>,
    pub(crate) evidence: &'a Evidence,
}

impl Residuals<'_> {
    /// All residuals with their channel, priors last.
    pub(crate) fn at(&self, p: &[f64], priors: &[Prior], out: &mut Vec<(Channel, f64)>) {
        out.clear();
        for j in 0..self.evidence.points.len() {
            self.areas(p, j, out);
            self.volts(p, j, out);
            self.valve(p, j, out);
            self.gauges(p, j, out);
        }
        out.extend(
            p.iter()
                .zip(priors)
                .filter(|(_, x)| !x.is_fixed())
                .map(|(v, x)| (Channel::Prior, (v - x.mean) / x.sd)),
        );
    }

    fn areas(&self, p: &[f64], j: usize, out: &mut Vec<(Channel, f64)>) {
        let point = &self.evidence.points[j];
        if point.ln_area.iter().all(Option::is_none) {
            return;
        }
        let shown = self.model.ln_shown(p, self.evidence, j);
        let off: Vec<(f64, f64)> = point
            .ln_area
            .iter()
            .zip(&shown)
            .filter_map(|(m, s)| m.map(|m| (m.value - s, m.sd.hypot(PAIR_SD))))
            .collect();
        let n = off.len() as f64;
        let mean = off.iter().map(|o| o.0).sum::<f64>() / n;
        let mean_sd = (off.iter().map(|o| o.1 * o.1).sum::<f64>()).sqrt() / n;
        let channel = if point.at_stop() {
            Channel::AreasIdle
        } else {
            Channel::AreasOffIdle
        };
        if off.len() > 1 {
            // Differences from the mean carry what does not depend on the scale.
            out.extend(off.iter().map(|(x, sd)| (channel, (x - mean) / sd)));
        }
        out.push((Channel::Level, mean / mean_sd.hypot(COMMON_SD)));
    }

    fn volts(&self, p: &[f64], j: usize, out: &mut Vec<(Channel, f64)>) {
        let (Some(s), Some(v)) = (self.model.profile.sensor, self.evidence.points[j].sensor_v)
        else {
            return;
        };
        let open = self.model.openings_deg(p, self.evidence, j)[s.body];
        let expected = s.volts_at_stop
            + s.volts_per_deg * (open - self.model.profile.body.stop_opening_deg)
            + p[Space::ZERO_V];
        out.push((Channel::Volts, (v - expected) / SENSOR_SD_V));
    }

    /// The idle valve makes up the air that the engine needs at idle.
    fn valve(&self, p: &[f64], j: usize, out: &mut Vec<(Channel, f64)>) {
        let point = &self.evidence.points[j];
        let (Some(valve), Some(steps), true) = (
            self.model.profile.idle_valve,
            point.steps,
            point.steps_read && point.at_stop(),
        ) else {
            return;
        };
        if point.valve_pinched {
            return;
        }
        let (n, travel) = (self.model.space.bodies as f64, f64::from(valve.steps));
        let profile = self.model.profile;
        let bleed = profile.bleed.map_or(0.0, |b| 0.5 * b.area_mm2_per_turn);
        let plain = vec![0.0; p.len()];
        let plate = self.model.plate_mm2(&plain, profile.body.stop_opening_deg);
        let needed = n * (plate + 0.35 + bleed) + VALVE_PLACE.0 * travel * valve.area_mm2_per_step;
        let per_step = valve.area_mm2_per_step * p[Space::LN_VALVE].exp();
        let areas: f64 = self.model.areas_mm2(p, self.evidence, j).iter().sum();
        let without = areas - steps * per_step;
        let expected = (needed - without) / per_step;
        // At an end of its travel the valve only says "at least" or "at most".
        let end = 0.04 * travel;
        let off = if steps <= end {
            (expected - end).max(0.0)
        } else if steps >= travel - end {
            (expected - travel + end).min(0.0)
        } else {
            expected - steps
        };
        out.push((Channel::Valve, off / (VALVE_PLACE.1 * travel)));
    }

    fn gauges(&self, p: &[f64], j: usize, out: &mut Vec<(Channel, f64)>) {
        let point = &self.evidence.points[j];
        self.recorded(p, j, out);
        let Some(read) = &point.gauge_kpa else { return };
        let way = if point.swapped { -1.0 } else { 1.0 };
        let gauge = |b: usize| p[self.model.space.gauge(b)];
        let difference = |b: usize| read[b] - read[0] - way * (gauge(b) - gauge(0));
        if let Some(recorded) = &point.recorded_kpa {
            // Both at hand: the pressures are judged by the recording, the gauges by it. The
            // sensors' own zeros drift by 0.17 kPa each.
            for b in 1..read.len() {
                let off = difference(b) - (recorded[b] - recorded[0]);
                out.push((Channel::Gauges, off / GAUGE_SD_KPA.hypot(0.25)));
            }
            return;
        }
        for b in 1..read.len() {
            let expected = self.expected_kpa(p, j, b, read);
            let sd = GAUGE_SD_KPA.hypot(SLOPE_CHANGE * (read[b] - read[0]));
            out.push((Channel::Gauges, (difference(b) - expected) / sd));
        }
    }

    /// Depression of body `b` over that of the first, by their areas [kPa].
    fn expected_kpa(&self, p: &[f64], j: usize, b: usize, read: &[f64]) -> f64 {
        let mean = read.iter().sum::<f64>() / read.len() as f64;
        let areas = self.model.areas_mm2(p, self.evidence, j);
        -DEPRESSION_SLOPE * p[Space::LN_SLOPE].exp() * mean * (areas[b] / areas[0]).ln()
    }

    /// Sensors against the areas they gave: the refill hardly knows the sensor's zero, the mean
    /// depression is off by all of it.
    fn recorded(&self, p: &[f64], j: usize, out: &mut Vec<(Channel, f64)>) {
        let point = &self.evidence.points[j];
        let Some(read) = &point.recorded_kpa else {
            return;
        };
        if point.ln_area.iter().any(Option::is_none) {
            return;
        }
        for b in 1..read.len() {
            let expected = self.expected_kpa(p, j, b, read);
            let sensor = |b: usize| p[self.model.space.sensor(b)];
            let off = read[b] - read[0] + sensor(b) - sensor(0) - expected;
            let sd = READING_SD_KPA.hypot(SLOPE_CHANGE * (read[b] - read[0]));
            out.push((Channel::Sensors, off / sd));
        }
    }
}

/// Logarithm of the odds within which an unsettled hypothesis is worth the surer search.
const WORTH_A_SEARCH: f64 = 12.0;

fn highest(all: &[Fitted]) -> f64 {
    all.iter()
        .map(|f| f.ln_weight)
        .fold(f64::NEG_INFINITY, f64::max)
}

/// Fits every hypothesis and weighs them.
pub(crate) fn fit_all(
    model: &Model<'_>,
    evidence: &Evidence,
    hypotheses: Vec<Hypothesis>,
) -> Result<Vec<Fitted>, PosteriorError> {
    let tried = hypotheses.len();
    let mut all: Vec<Fitted> = Vec::with_capacity(tried);
    // The sound machine is fitted first; the others start from what they have in common with it.
    let mut sound: Option<Start> = None;
    for h in hypotheses {
        let Some(f) = fit(model, evidence, h, sound.as_ref(), false) else {
            continue;
        };
        if sound.is_none() && f.hypothesis.faults.is_empty() {
            sound = Some((f.hypothesis.priors.clone(), f.mode.clone()));
        }
        all.push(f);
    }
    let top = highest(&all);
    // A hypothesis that counts and did not settle is sought again by the surer solver.
    for f in all
        .iter_mut()
        .filter(|f| !f.settled && f.ln_weight > top - WORTH_A_SEARCH)
    {
        if let Some(again) = fit(model, evidence, f.hypothesis.clone(), None, true)
            && again.ln_weight > f.ln_weight
        {
            *f = again;
        }
    }
    let top = highest(&all);
    if !top.is_finite() {
        return Err(PosteriorError::NoFit {
            tried,
            residuals: evidence.points.len(),
        });
    }
    let sum: f64 = all.iter().map(|f| (f.ln_weight - top).exp()).sum();
    for f in &mut all {
        f.weight = (f.ln_weight - top).exp() / sum;
    }
    all.sort_by(|a, b| b.weight.total_cmp(&a.weight));
    Ok(all)
}

/// Priors and mode of a fit to start others from.
type Start = (Vec<Prior>, Vec<f64>);

fn fit(
    model: &Model<'_>,
    evidence: &Evidence,
    hypothesis: Hypothesis,
    from: Option<&Start>,
    thorough: bool,
) -> Option<Fitted> {
    let mut model = model.clone();
    model.suspect = hypothesis.suspect;
    let residuals = Residuals { model, evidence };
    let priors = &hypothesis.priors;
    let free: Vec<usize> = (0..priors.len())
        .filter(|&i| !priors[i].is_fixed())
        .collect();
    let full = |x: &[f64]| {
        let mut p: Vec<f64> = priors.iter().map(|x| x.mean).collect();
        for (v, &i) in x.iter().zip(&free) {
            p[i] = *v;
        }
        p
    };
    let of =
        |pick: &dyn Fn(&Prior) -> f64| free.iter().map(|&i| pick(&priors[i])).collect::<Vec<_>>();
    let steps: Vec<f64> = of(&|p| 1e-4 * p.sd);
    let problem = Problem {
        residuals: &|x: &[f64], out: &mut Vec<(Channel, f64)>| residuals.at(&full(x), priors, out),
        lo: of(&|p| p.lo),
        hi: of(&|p| p.hi),
        steps,
    };
    let start: Vec<f64> = free
        .iter()
        .map(|&i| match from {
            Some((known, mode)) if known[i] == priors[i] => mode[i],
            _ => priors[i].mean.clamp(priors[i].lo, priors[i].hi),
        })
        .collect();
    let (best, settled) = match thorough {
        false => problem.climb(&start),
        true => (problem.search(&start)?, true),
    };
    let mode = full(&best);
    let mut rows = Vec::new();
    let hessian = problem.slopes(&best).0;
    let chol = Cholesky::<f64, Dyn>::new(hessian)?;
    let ln_det: f64 = 2.0 * chol.l().diagonal().iter().map(|d| d.ln()).sum::<f64>();
    residuals.at(&mode, priors, &mut rows);
    let total: f64 = rows.iter().map(|(_, r)| r * r).sum();
    let occam: f64 = free
        .iter()
        .map(|&i| {
            let p = priors[i];
            let mass = normal_cdf((p.hi - p.mean) / p.sd) - normal_cdf((p.lo - p.mean) / p.sd);
            p.sd.ln() + mass.max(1e-12).ln()
        })
        .sum();
    let ln_weight = hypothesis.ln_odds - 0.5 * total - occam - 0.5 * ln_det;
    let mut chi2: Vec<(Channel, f64)> = Vec::new();
    for (channel, r) in &rows {
        match chi2.iter_mut().find(|(c, _)| c == channel) {
            Some((_, sum)) => *sum += r * r,
            None => chi2.push((*channel, r * r)),
        }
    }
    // H = R'R with R upper; x = R^-1 z has covariance H^-1.
    let factor = chol.l().transpose().try_inverse()?;
    Some(Fitted {
        hypothesis,
        mode,
        chi2,
        ln_weight,
        weight: 0.0,
        settled,
        free,
        factor,
    })
}

/// Parameter vectors drawn from the mixture, with the hypothesis each came from.
pub(crate) fn draw(fitted: &[Fitted], seed: u64) -> Vec<(usize, Vec<f64>)> {
    let mut rng = StdRng::seed_from_u64(seed);
    let mut out = Vec::with_capacity(DRAWS);
    for (k, f) in fitted.iter().enumerate() {
        let count = (f.weight * DRAWS as f64).round() as usize;
        for _ in 0..count {
            let z = DVector::from_fn(f.free.len(), |_, _| rng.sample::<f64, _>(StandardNormal));
            let step = &f.factor * z;
            let mut p = f.mode.clone();
            for (d, &i) in step.iter().zip(&f.free) {
                let prior = f.hypothesis.priors[i];
                p[i] = (p[i] + d).clamp(prior.lo, prior.hi);
            }
            out.push((k, p));
        }
    }
    out
}

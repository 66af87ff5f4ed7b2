//! The mixture over hypotheses: mode and covariance of each, and its weight.
//!
//! `ln Z = ln odds - chi2/2 - sum ln sd_i - sum ln(mass inside the bounds) - ln det(J'J)/2`, the
//! Laplace approximation with the priors as residuals. What counts is drawn from by chains
//! and weighed by importance sampling ([`sample`]), unless the caller wants the approximation alone.
//! Interval ends come from draws of the mixture.

use nalgebra::{Cholesky, DMatrix, DVector, Dyn};
use rand::rngs::StdRng;
use rand::{RngExt, SeedableRng};
use rand_distr::StandardNormal;

use evenpull_fit::stats::normal_cdf;
use evenpull_fit::{Real, Tape};

use crate::evidence::Evidence;
use crate::hypothesis::{Hypothesis, Prior};
use crate::mode::{Formula, Problem};
use crate::model::Model;
pub(crate) use crate::model::VALVE_PLACE;
pub(crate) use crate::residuals::{BREATHING_SD_KPA, Channel, DEPRESSION_SLOPE, SLOPE_SD};
use crate::residuals::{Residuals, Rows};

mod command;
mod draws;
mod stretch;
mod unbounded;

pub(crate) use draws::sample;

/// Draws of the mixture.
const DRAWS: usize = 4_000;

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
    /// Slope of half the chi-square by the free parameters at the mode; not nil where a bound holds one.
    slope: DVector<f64>,
    /// Draws of all unknowns; empty where the normal approximation is drawn from.
    drawn: Vec<Vec<f64>>,
}

impl Fitted {
    /// Covariance of the given places of the unknowns; zero where a place is not free.
    pub(crate) fn covariance(&self, places: &[usize]) -> DMatrix<f64> {
        let row = |i: usize| self.free.iter().position(|&f| f == places[i]);
        DMatrix::from_fn(places.len(), places.len(), |i, j| match (row(i), row(j)) {
            (Some(a), Some(b)) => self.factor.row(a).dot(&self.factor.row(b)),
            _ => 0.0,
        })
    }

    /// Covariance times a slope over all unknowns; nil in places that are not free.
    pub(crate) fn covariance_times(&self, slope: &[f64]) -> Vec<f64> {
        let own = DVector::from_fn(self.free.len(), |k, _| slope[self.free[k]]);
        let moved = &self.factor * self.factor.tr_mul(&own);
        let mut out = vec![0.0; slope.len()];
        for (k, &i) in self.free.iter().enumerate() {
            out[i] = moved[k];
        }
        out
    }

    /// Chi-square at the mode, priors and all.
    pub(crate) fn total_chi2(&self) -> f64 {
        self.chi2.iter().map(|(_, x)| x).sum()
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
        if sound.is_none() && f.hypothesis.is_sound() {
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
        let from = (f.hypothesis.priors.clone(), f.mode.clone());
        if let Some(again) = fit(model, evidence, f.hypothesis.clone(), Some(&from), true)
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
    share_out(all.iter_mut());
    all.sort_by(|a, b| b.weight.total_cmp(&a.weight));
    Ok(all)
}

/// Weights in the mixture from their logarithms, of which one at least is finite.
fn share_out<'a>(all: impl Iterator<Item = &'a mut Fitted>) {
    let mut all: Vec<&mut Fitted> = all.collect();
    let top = (all.iter().map(|f| f.ln_weight)).fold(f64::NEG_INFINITY, f64::max);
    let sum: f64 = all.iter().map(|f| (f.ln_weight - top).exp()).sum();
    for f in &mut all {
        f.weight = (f.ln_weight - top).exp() / sum;
    }
}

/// Logarithm of what the priors of the free unknowns are divided by, factors of `sqrt(2 pi)` left out:
/// their standard deviations and their masses within the bounds.
fn prior_volume(priors: &[Prior], free: &[usize]) -> f64 {
    free.iter()
        .map(|&i| {
            let p = priors[i];
            let mass = normal_cdf((p.hi - p.mean) / p.sd) - normal_cdf((p.lo - p.mean) / p.sd);
            p.sd.ln() + mass.max(1e-12).ln()
        })
        .sum()
}

/// Priors and mode of a fit to start others from.
type Start = (Vec<Prior>, Vec<f64>);

/// The residuals over the free parameters of a hypothesis alone; the others stand at their means.
struct OfFree<'a> {
    residuals: &'a Residuals<'a>,
    priors: &'a [Prior],
    free: &'a [usize],
}

impl OfFree<'_> {
    fn full<S: Real>(&self, x: &[S]) -> Vec<S> {
        let mut p: Vec<S> = self.priors.iter().map(|q| x[0].constant(q.mean)).collect();
        for (v, &i) in x.iter().zip(self.free) {
            p[i] = *v;
        }
        p
    }
}

impl Formula for OfFree<'_> {
    fn residuals<S: Real>(&self, x: &[S], out: &mut Rows<S>) {
        self.residuals.at(&self.full(x), self.priors, out);
    }
}

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
    let of =
        |pick: &dyn Fn(&Prior) -> f64| free.iter().map(|&i| pick(&priors[i])).collect::<Vec<_>>();
    let formula = OfFree {
        residuals: &residuals,
        priors,
        free: &free,
    };
    let problem = Problem {
        formula: &formula,
        lo: of(&|p| p.lo),
        hi: of(&|p| p.hi),
        scale: of(&|p| p.sd),
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
    let mode = formula.full(&best);
    let mut rows = Vec::new();
    let (hessian, slope) = problem.slopes(&best, &Tape::new());
    let chol = Cholesky::<f64, Dyn>::new(hessian)?;
    let ln_det: f64 = 2.0 * chol.l().diagonal().iter().map(|d| d.ln()).sum::<f64>();
    residuals.at(&mode, priors, &mut rows);
    let total: f64 = rows.iter().map(|(_, r)| r * r).sum();
    let ln_weight = hypothesis.ln_odds - 0.5 * total - prior_volume(priors, &free) - 0.5 * ln_det;
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
        slope,
        drawn: Vec::new(),
    })
}

/// By how much the least chi-square of a fit falls when reading `j` is left out of it; `None` where that fit fails.
pub(crate) fn fall_without(
    model: &Model<'_>,
    evidence: &Evidence,
    whole: &Fitted,
    j: usize,
) -> Option<f64> {
    let mut without = evidence.clone();
    without.points[j].leave_out();
    let from = (whole.hypothesis.priors.clone(), whole.mode.clone());
    let rest = fit(
        model,
        &without,
        whole.hypothesis.clone(),
        Some(&from),
        false,
    )?;
    Some(whole.total_chi2() - rest.total_chi2())
}

/// Parameter vectors drawn from the mixture, with the hypothesis each came from.
pub(crate) fn draw(fitted: &[Fitted], seed: u64) -> Vec<(usize, Vec<f64>)> {
    let mut rng = StdRng::seed_from_u64(seed);
    let mut out = Vec::with_capacity(DRAWS);
    for (k, f) in fitted.iter().enumerate() {
        let count = (f.weight * DRAWS as f64).round() as usize;
        if f.drawn.is_empty() {
            out.extend((0..count).map(|_| (k, f.approximate(&mut rng))));
        } else {
            // Even steps through the chains, so that each has its share.
            let at = |i: usize| f.drawn[i * f.drawn.len() / count].clone();
            out.extend((0..count).map(|i| (k, at(i))));
        }
    }
    out
}

impl Fitted {
    /// A draw of the normal approximation, cut at the bounds.
    fn approximate(&self, rng: &mut StdRng) -> Vec<f64> {
        let z = DVector::from_fn(self.free.len(), |_, _| rng.sample::<f64, _>(StandardNormal));
        let step = &self.factor * z;
        let mut p = self.mode.clone();
        for (d, &i) in step.iter().zip(&self.free) {
            let prior = self.hypothesis.priors[i];
            p[i] = (p[i] + d).clamp(prior.lo, prior.hi);
        }
        p
    }
}

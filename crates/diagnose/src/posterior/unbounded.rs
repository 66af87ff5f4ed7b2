//! The density of one hypothesis over coordinates without bounds, whitened at its mode.
//!
//! `ln p(z) = -chi2(x(u))/2 + sum ln x'(u) + ln det F`, `u = c + F z`: bounds are mapped away
//! ([`Stretch`]), `c` is the mode of the density over `u`, `F F'` the inverse of its curvature there, or another
//! shape where that suits better. So `z` is about a standard normal, and the integral over `z` is that over the unknowns.
//!
//! A throttle that may have been let go in a reading is counted in where its stop held the plate
//! ([`super::command`]); the logarithm of that opening joins the density.

use nalgebra::{Cholesky, DMatrix, DVector};
use rand::rngs::SmallRng;
use rand::{RngExt, SeedableRng};
use rand_distr::StandardNormal;

use evenpull_fit::{Real, Tape, Var};
use evenpull_job::Profile;

use super::command::{self, Command};
use super::stretch::{Stretch, Stretched};
use super::{Fitted, OfFree};
use crate::evidence::Evidence;
use crate::hypothesis::Hypothesis;
use crate::mode::{Formula, Problem};
use crate::model::Model;
use crate::residuals::{Residuals, Rows};

/// Most Newton steps to the mode over `u`; the search starts at the bounded one.
const STEPS: usize = 40;

/// Gain in the logarithm of the density below which the mode counts as found; whitening only.
const SETTLED: f64 = 1e-3;

/// Rounds of averaging the curvature, and pairs of points in each.
const ROUNDS: u64 = 3;
const PAIRS: usize = 6;

/// Draws of the whitening by curvature that count beside those of a chain.
const STEADYING: f64 = 100.0;

/// The map from whitened coordinates to the unknowns of a hypothesis.
#[derive(Debug, Clone)]
pub(super) struct Unbounded<'a> {
    profile: &'a Profile,
    evidence: &'a Evidence,
    pub(super) hypothesis: Hypothesis,
    pub(super) free: Vec<usize>,
    stretches: Vec<Stretch>,
    commands: Vec<Command>,
    centre: DVector<f64>,
    factor: DMatrix<f64>,
    ln_det: f64,
}

impl<'a> Unbounded<'a> {
    /// About the mode of a fit; `None` if the density has no curvature there.
    pub(super) fn of(
        profile: &'a Profile,
        evidence: &'a Evidence,
        fitted: &Fitted,
    ) -> Option<Self> {
        let priors = &fitted.hypothesis.priors;
        let commands = command::near_rest(&Model::new(profile, evidence), evidence, fitted);
        let mut stretches: Vec<Stretch> = (fitted.free.iter().enumerate())
            .map(|(k, &i)| {
                let sd = fitted.factor.row(k).norm();
                let fall = fitted.slope[k].abs();
                Stretch::of(priors[i].lo, priors[i].hi, fitted.mode[i], sd, fall)
            })
            .collect();
        let mut at: Vec<f64> = fitted.free.iter().map(|&i| fitted.mode[i]).collect();
        for c in &commands {
            stretches[c.place] = c.stretch();
            at[c.place] /= c.rest_deg;
        }
        let start = stretches.iter().zip(&at).map(|(s, &x)| s.back(x));
        let centre = DVector::from_iterator(at.len(), start);
        let mut found = Self {
            profile,
            evidence,
            hypothesis: fitted.hypothesis.clone(),
            free: fitted.free.clone(),
            stretches,
            commands,
            centre,
            factor: DMatrix::zeros(0, 0),
            ln_det: 0.0,
        };
        found.settle()?;
        Some(found)
    }

    /// Coordinates.
    pub(super) fn dim(&self) -> usize {
        self.free.len()
    }

    /// All unknowns at whitened coordinates.
    pub(super) fn unknowns(&self, z: &[f64]) -> Vec<f64> {
        let u = &self.centre + &self.factor * DVector::from_column_slice(z);
        let mut p: Vec<f64> = self.hypothesis.priors.iter().map(|q| q.mean).collect();
        for ((stretch, &u), &i) in self.stretches.iter().zip(u.iter()).zip(&self.free) {
            p[i] = stretch.at(u).x;
        }
        if !self.commands.is_empty() {
            let model = Model::new(self.profile, self.evidence);
            for c in &self.commands {
                let i = self.free[c.place];
                let rest = c.rest(&model, self.evidence, &p);
                p[i] *= rest;
            }
        }
        p
    }

    /// The density, with scratch space of its own; one for each thread.
    pub(super) fn density(&self) -> Density<'_> {
        let mut model = Model::new(self.profile, self.evidence);
        model.suspect = self.hypothesis.suspect;
        Density {
            of: self,
            residuals: Residuals {
                model,
                evidence: self.evidence,
            },
            tape: Tape::new(),
            rows: Vec::new(),
        }
    }

    /// The same density whitened by draws of it instead of its curvature at the mode.
    pub(super) fn by_draws(&self, drawn: &[Vec<f64>]) -> Option<Self> {
        let (n, dim) = (drawn.len() as f64, self.dim());
        let mean = DVector::from_fn(dim, |i, _| drawn.iter().map(|z| z[i]).sum::<f64>() / n);
        // As many draws of the old whitening beside them keep a few effective ones from a bad shape.
        let mut shape = DMatrix::identity(dim, dim) * STEADYING;
        for z in drawn {
            let off = DVector::from_column_slice(z) - &mean;
            shape.ger(1.0, &off, &off, 1.0);
        }
        let root = Cholesky::new(shape / (n + STEADYING))?.l();
        let mut found = self.clone();
        found.centre = &self.centre + &self.factor * mean;
        found.factor = &self.factor * &root;
        found.ln_det = self.ln_det + root.diagonal().iter().map(|d| d.ln()).sum::<f64>();
        Some(found)
    }

    /// Coordinates here of coordinates of another whitening of the same density.
    pub(super) fn from(&self, other: &Self, z: &[f64]) -> Option<Vec<f64>> {
        let u = &other.centre + &other.factor * DVector::from_column_slice(z);
        let solved = self.factor.clone().lu().solve(&(u - &self.centre))?;
        Some(solved.as_slice().to_vec())
    }

    fn stretched(&self, u: &DVector<f64>) -> Vec<Stretched> {
        let all = self.stretches.iter().zip(u.iter());
        all.map(|(s, &u)| s.at(u)).collect()
    }

    /// Damped Newton steps to the mode over `u`, and the factor there.
    fn settle(&mut self) -> Option<()> {
        let tape = Tape::new();
        let mut density = self.density();
        let mut u = self.centre.clone();
        let mut at = self.stretched(&u);
        let mut ln = density.ln_at(&at)?;
        let mut damping = 1e-6;
        for _ in 0..STEPS {
            let (curvature, slope) = density.newton(&at, &tape);
            let mut gain = None;
            while gain.is_none() && damping < 1e6 {
                let mut damped = curvature.clone();
                (0..u.len()).for_each(|k| damped[(k, k)] *= 1.0 + damping);
                let trial = &u + Cholesky::new(damped)?.solve(&slope);
                let there = self.stretched(&trial);
                match density.ln_at(&there).filter(|l| *l >= ln) {
                    Some(l) => {
                        gain = Some(l - ln);
                        (u, at, ln) = (trial, there, l);
                        damping = (damping * 0.2).max(1e-9);
                    }
                    None => damping *= 5.0,
                }
            }
            if gain.is_none_or(|g| g < SETTLED && damping < 1e-2) {
                break;
            }
        }
        let (curvature, _) = density.newton(&at, &tape);
        drop(density);
        self.centre = u;
        self.whiten(curvature)
    }

    /// The same density whitened by its mean curvature over draws, for chains.
    ///
    /// The mode may lie at a corner, where one stop takes over from another or a valve comes to its end; steps
    /// that suit the curvature there are too long beside it. As a proposal for weighted draws the shape
    /// at the mode, which is the wider, does better.
    pub(super) fn by_mean_curvature(&self) -> Option<Self> {
        let (mut found, tape) = (self.clone(), Tape::new());
        for round in 0..ROUNDS {
            let mean = found.mean_curvature(round, &tape)?;
            found.whiten(mean)?;
        }
        Some(found)
    }

    /// Takes the factor from a curvature over `u`.
    fn whiten(&mut self, curvature: DMatrix<f64>) -> Option<()> {
        let root = Cholesky::new(curvature)?.l();
        self.ln_det = -root.diagonal().iter().map(|d| d.ln()).sum::<f64>();
        self.factor = root.transpose().try_inverse()?;
        Some(())
    }

    /// Curvature averaged over pairs of points as far from the centre as draws are.
    fn mean_curvature(&self, round: u64, tape: &Tape) -> Option<DMatrix<f64>> {
        let mut rng = SmallRng::seed_from_u64(round);
        let density = self.density();
        let mut sum = DMatrix::zeros(self.dim(), self.dim());
        let mut n = 0.0;
        for _ in 0..PAIRS {
            let z = DVector::from_fn(self.dim(), |_, _| rng.sample::<f64, _>(StandardNormal));
            let step = &self.factor * z;
            for u in [&self.centre + &step, &self.centre - &step] {
                let at = self.stretched(&u);
                if density.inside(&at) {
                    sum += density.newton(&at, tape).0;
                    n += 1.0;
                }
            }
        }
        (n > 0.0).then(|| sum / n)
    }
}

/// Evaluates the density.
pub(super) struct Density<'a> {
    of: &'a Unbounded<'a>,
    residuals: Residuals<'a>,
    tape: Tape,
    rows: Rows<f64>,
}

impl Density<'_> {
    fn formula(&self) -> OfFree<'_> {
        OfFree {
            residuals: &self.residuals,
            priors: &self.of.hypothesis.priors,
            free: &self.of.free,
        }
    }

    /// Free unknowns of stretched coordinates, and the logarithm of what the throttles are counted in.
    fn counted_in<S: Real>(&self, y: &[S]) -> (Vec<S>, Option<S>) {
        let mut x = y.to_vec();
        if self.of.commands.is_empty() {
            return (x, None);
        }
        // Where a stop holds a plate does not depend on the throttle, so its place may hold anything.
        let p = self.formula().full(y);
        let mut ln = None;
        for c in &self.of.commands {
            let rest = c.rest(&self.residuals.model, self.residuals.evidence, &p);
            x[c.place] = y[c.place] * rest;
            ln = Some(ln.map_or(rest.ln(), |sum: S| sum + rest.ln()));
        }
        (x, ln)
    }

    /// True if every unknown lies within its bounds; those that were not stretched may leave them.
    fn holds(&self, x: &[f64]) -> bool {
        x.iter().zip(&self.of.free).all(|(x, &i)| {
            let prior = self.of.hypothesis.priors[i];
            (prior.lo..=prior.hi).contains(x)
        })
    }

    fn inside(&self, at: &[Stretched]) -> bool {
        self.holds(&self.counted_in(&values(at)).0)
    }

    /// Logarithm of the density over `u`.
    fn ln_at(&mut self, at: &[Stretched]) -> Option<f64> {
        let (x, ln_rest) = self.counted_in(&values(at));
        if !self.holds(&x) {
            return None;
        }
        let mut rows = std::mem::take(&mut self.rows);
        self.formula().residuals(&x, &mut rows);
        let chi2: f64 = rows.iter().map(|(_, r)| r * r).sum();
        self.rows = rows;
        let slopes = at.iter().map(|s| s.ln_slope).sum::<f64>();
        let ln = -0.5 * chi2 + slopes + ln_rest.unwrap_or(0.0);
        ln.is_finite().then_some(ln)
    }

    fn at(&self, z: &[f64]) -> Vec<Stretched> {
        let step = &self.of.factor * DVector::from_column_slice(z);
        self.of.stretched(&(step + &self.of.centre))
    }

    /// Logarithm of the density at whitened coordinates; `None` where it is nil.
    pub(super) fn ln(&mut self, z: &[f64]) -> Option<f64> {
        let at = self.at(z);
        Some(self.ln_at(&at)? + self.of.ln_det)
    }

    /// The same with its gradient.
    pub(super) fn ln_and_slopes(&self, z: &[f64], slopes: &mut [f64]) -> Option<f64> {
        let at = self.at(z);
        self.tape.start(at.len());
        let inputs: Vec<Var<'_>> = (at.iter().enumerate())
            .map(|(k, s)| self.tape.input(k, s.x))
            .collect();
        let (x, ln_rest) = self.counted_in(&inputs);
        if !self.holds(&x.iter().map(|x| x.value()).collect::<Vec<_>>()) {
            return None;
        }
        let mut rows = Vec::new();
        self.formula().residuals(&x, &mut rows);
        let chi2: f64 = rows.iter().map(|(_, r)| r.value().powi(2)).sum();
        let weighted = rows.iter().map(|(_, r)| (*r, -r.value()));
        let rested = ln_rest.iter().map(|l| (*l, 1.0));
        self.tape.sweep(weighted.chain(rested), slopes);
        let by_u = DVector::from_iterator(
            at.len(),
            at.iter()
                .zip(slopes.iter())
                .map(|(s, g)| g * s.slope + s.pull),
        );
        slopes.copy_from_slice(self.of.factor.tr_mul(&by_u).as_slice());
        let jacobian = at.iter().map(|s| s.ln_slope).sum::<f64>() + self.of.ln_det;
        let ln = -0.5 * chi2 + jacobian + ln_rest.map_or(0.0, |l| l.value());
        ln.is_finite().then_some(ln)
    }

    /// Curvature of `-ln p` over `u` without what could make it negative, and the slope of `ln p`; the little that
    /// the opening at rest adds to both is left out, for they serve to whiten.
    fn newton(&self, at: &[Stretched], tape: &Tape) -> (DMatrix<f64>, DVector<f64>) {
        let x = values(at);
        let problem = Problem {
            formula: self,
            lo: Vec::new(),
            hi: Vec::new(),
            scale: Vec::new(),
        };
        let (mut curvature, slope) = problem.slopes(&x, tape);
        for (i, a) in at.iter().enumerate() {
            for (j, b) in at.iter().enumerate() {
                curvature[(i, j)] *= a.slope * b.slope;
            }
            curvature[(i, i)] += (slope[i] * a.bend).max(0.0) + a.stiff;
        }
        let slope = DVector::from_fn(at.len(), |k, _| at[k].pull - slope[k] * at[k].slope);
        (curvature, slope)
    }
}

/// The residuals over stretched coordinates.
impl Formula for Density<'_> {
    fn residuals<S: Real>(&self, y: &[S], out: &mut Rows<S>) {
        self.formula().residuals(&self.counted_in(y).0, out);
    }
}

fn values(at: &[Stretched]) -> Vec<f64> {
    at.iter().map(|s| s.x).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::hypothesis::sound;
    use crate::model::Space;
    use crate::residuals::tests::evidence;
    use evenpull_job::builtin;

    fn fitted(profile: &Profile, evidence: &Evidence) -> Fitted {
        let hypothesis = Hypothesis {
            faults: Vec::new(),
            ln_odds: 0.0,
            priors: sound(profile, &Space::new(profile, evidence), evidence),
            suspect: None,
        };
        let model = Model::new(profile, evidence);
        crate::posterior::fit(&model, evidence, hypothesis, None, false).unwrap()
    }

    /// Readings off idle with the volts of the idle: the throttle may have been let go. Slopes against central
    /// differences, which leave 1e-4 of slopes of this size; beyond the wall the density is sharp.
    #[test]
    fn slopes_count_where_the_plate_rests() {
        let profile = Profile::from_toml("p", builtin()[0].toml).unwrap();
        let evidence = evidence(&profile);
        let map = Unbounded::of(&profile, &evidence, &fitted(&profile, &evidence)).unwrap();
        assert!(!map.commands.is_empty());
        let (mut density, dim) = (map.density(), map.dim());
        let mut rng = SmallRng::seed_from_u64(3);
        for _ in 0..6 {
            let z: Vec<f64> = (0..dim)
                .map(|_| 0.5 * rng.sample::<f64, _>(StandardNormal))
                .collect();
            let mut slopes = vec![0.0; dim];
            let ln = density.ln_and_slopes(&z, &mut slopes).unwrap();
            assert!((ln - density.ln(&z).unwrap()).abs() < 1e-9 * ln.abs().max(1.0));
            for k in 0..dim {
                let mut by = |h: f64| {
                    let mut there = z.clone();
                    there[k] += h;
                    density.ln(&there).unwrap()
                };
                let h = 1e-5;
                let want = (by(h) - by(-h)) / (2.0 * h);
                assert!(
                    (slopes[k] - want).abs() < 1e-4 * (1.0 + want.abs()),
                    "{k} {} {want}",
                    slopes[k]
                );
            }
        }
    }

    /// The unknowns that draws are told in are those that the density was taken at.
    #[test]
    fn draws_are_told_where_the_density_was_taken() {
        let profile = Profile::from_toml("p", builtin()[0].toml).unwrap();
        let evidence = evidence(&profile);
        let map = Unbounded::of(&profile, &evidence, &fitted(&profile, &evidence)).unwrap();
        let density = map.density();
        let z = vec![0.7; map.dim()];
        let p = map.unknowns(&z);
        let (x, _) = density.counted_in(&values(&density.at(&z)));
        for (x, &i) in x.iter().zip(&map.free) {
            assert!((p[i] - x).abs() < 1e-12);
        }
    }
}

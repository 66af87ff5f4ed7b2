//! The shop's own healthy machines of one profile, as a family.
//!
//! Machine j of the family has lasting unknowns `u_j ~ N(mu, T)`, T diagonal with the spread between machines,
//! `mu` about the profile's figures with the profile's own uncertainty, the logarithm of each spread even from
//! a fiftieth of that to a little above it. What the readings of machine j say of u_j is a normal likelihood ([`Lasting`]). Given the spreads
//! all of it is conjugate; the spreads are drawn in turn from their conditionals on a grid (Gibbs). The
//! next machine of the family is then `N(mu, T)` summed over all that is unknown: with no machine that is a
//! little wider than the profile, with three the directions they agree in are narrow already.
//! Limits: one family, normal, spreads independent.

use evenpull_job::Profile;
use nalgebra::{Cholesky, DMatrix, DVector};
use rand::rngs::StdRng;
use rand::{RngExt, SeedableRng};

use crate::evidence::Evidence;
use crate::hypothesis::Prior;
use crate::lasting::{Lasting, LastingUnknown, free, positions, rows};
use crate::model::Space;
use crate::record::Record;

mod normal;
mod sweep;

pub use normal::{Shrunk, shrunk};
pub use sweep::{ReferencePoint, SweepPoint, reference_sweep, sweep_points};

/// Spread between machines over the profile's standard deviation: grid, and where the sampler starts.
const SPREADS: [f64; 9] = [0.02, 0.05, 0.1, 0.17, 0.27, 0.4, 0.6, 0.9, 1.3];
const SPREAD_START: f64 = 0.5;

/// Rounds of the sampler over all spreads: left out, and kept.
const ROUNDS: (usize, usize) = (4, 16);

/// Seed; the same machines give the same family.
const SEED: u64 = 0x5eed_0003;

/// Repeatability of a closed sensor and spread of its record over machines [V]; as in the findings.
const CLOSED_V: f64 = crate::model::SENSOR_SD_V;

/// One machine of the library.
#[derive(Debug, Clone, PartialEq)]
pub struct Bike {
    /// What the shop calls it.
    pub label: String,
    /// What each of its healthy visits says.
    pub lasting: Vec<Lasting>,
    /// Closed sensor volts over the profile's, by visit [V].
    pub closed_v: Vec<f64>,
    /// Through-areas over the opening, all visits.
    pub sweep: Vec<SweepPoint>,
}

/// What the family says of one lasting unknown.
#[derive(Debug, Clone, PartialEq)]
pub struct FamilyValue {
    /// Which.
    pub unknown: LastingUnknown,
    /// Mean of the family.
    pub mean: f64,
    /// Its standard deviation.
    pub mean_sd: f64,
    /// Spread between machines, standard deviation.
    pub spread: f64,
    /// Standard deviation of the next machine.
    pub next_sd: f64,
    /// What the profile alone says: mean and standard deviation.
    pub profile: (f64, f64),
}

/// A family of machines.
#[derive(Debug, Clone, PartialEq)]
pub struct Family {
    /// Machines in it.
    pub bikes: Vec<String>,
    /// One per lasting unknown, single.
    pub values: Vec<FamilyValue>,
    /// Covariance of the next machine's lasting unknowns, in the order of `values`.
    pub covariance: Vec<Vec<f64>>,
    /// Closed sensor volts of the next machine over the profile's [V], if any was read.
    pub closed_v: Option<Shrunk>,
    /// Reference sweep of each body.
    pub sweep: Vec<ReferencePoint>,
}

impl Family {
    /// The family of these machines; `None` without any whose readings can be used.
    pub fn of(profile: &Profile, bikes: &[Bike]) -> Option<Self> {
        let order = LastingUnknown::all(profile);
        let scaled = Scaled::of(profile, &order);
        let told: Vec<(DMatrix<f64>, DVector<f64>)> =
            bikes.iter().filter_map(|b| scaled.told(b)).collect();
        if told.is_empty() {
            return None;
        }
        let next = sampled(&told, order.len())?;
        let n = order.len();
        let sd = |i: usize| scaled.expected[i].1;
        let values = order
            .iter()
            .enumerate()
            .map(|(i, &unknown)| FamilyValue {
                unknown,
                mean: scaled.expected[i].0 + sd(i) * next.mean[i],
                mean_sd: sd(i) * next.mean_var[i].max(0.0).sqrt(),
                spread: sd(i) * next.spread[i],
                next_sd: sd(i) * next.covariance[(i, i)].max(0.0).sqrt(),
                profile: scaled.expected[i],
            })
            .collect();
        let covariance = DMatrix::from_fn(n, n, |i, j| sd(i) * sd(j) * next.covariance[(i, j)]);
        let volts: Vec<(f64, f64)> = bikes.iter().filter_map(|b| mean_of(&b.closed_v)).collect();
        let all: Vec<&[SweepPoint]> = bikes.iter().map(|b| b.sweep.as_slice()).collect();
        Some(Self {
            bikes: bikes.iter().map(|b| b.label.clone()).collect(),
            values,
            covariance: rows(&covariance),
            closed_v: shrunk(&volts, 0.0, 5.0 * CLOSED_V, CLOSED_V),
            sweep: reference_sweep(profile, &all),
        })
    }

    /// What it says beside the priors of a job.
    pub(crate) fn record(
        &self,
        profile: &Profile,
        space: &Space,
        priors: &[Prior],
        evidence: &Evidence,
    ) -> Option<Record> {
        let unknowns = free(profile, space, priors, evidence);
        let order: Vec<LastingUnknown> = self.values.iter().map(|v| v.unknown).collect();
        let chosen = positions(&order, &unknowns);
        if chosen.len() != unknowns.len() {
            return None;
        }
        let expected: Vec<(f64, f64)> = unknowns.iter().map(|u| u.prior(priors, space)).collect();
        let places = unknowns.iter().map(|u| u.place(space)).collect();
        let mean: Vec<f64> = chosen.iter().map(|&i| self.values[i].mean).collect();
        let covariance = DMatrix::from_fn(chosen.len(), chosen.len(), |i, j| {
            self.covariance[chosen[i]][chosen[j]]
        });
        Record::of_normal(places, &expected, &mean, &covariance, 0.0)
    }
}

/// Mean of a machine's closed volts and its error.
fn mean_of(volts: &[f64]) -> Option<(f64, f64)> {
    let n = volts.len() as f64;
    (!volts.is_empty()).then(|| (volts.iter().sum::<f64>() / n, CLOSED_V / n.sqrt()))
}

/// Everything in units of the profile's standard deviations, about its means.
struct Scaled<'a> {
    order: &'a [LastingUnknown],
    expected: Vec<(f64, f64)>,
}

impl<'a> Scaled<'a> {
    fn of(profile: &Profile, order: &'a [LastingUnknown]) -> Self {
        Self {
            order,
            expected: order.iter().map(|u| u.expected(profile)).collect(),
        }
    }

    /// What all visits of a machine say together.
    fn told(&self, bike: &Bike) -> Option<(DMatrix<f64>, DVector<f64>)> {
        let n = self.order.len();
        let mut sum: Option<(DMatrix<f64>, DVector<f64>)> = None;
        for lasting in &bike.lasting {
            let (matrix, pull) = lasting.over(self.order)?;
            let means = DVector::from_fn(n, |i, _| self.expected[i].0);
            let about = pull - &matrix * means;
            let sd = |i: usize| self.expected[i].1;
            let matrix = DMatrix::from_fn(n, n, |i, j| matrix[(i, j)] * sd(i) * sd(j));
            let about = DVector::from_fn(n, |i, _| about[i] * sd(i));
            sum = Some(match sum {
                None => (matrix, about),
                Some((m, a)) => (m + matrix, a + about),
            });
        }
        sum
    }
}

/// The next machine, in scaled units.
struct Next {
    mean: DVector<f64>,
    mean_var: DVector<f64>,
    spread: DVector<f64>,
    covariance: DMatrix<f64>,
}

/// Given the spreads: logarithm of the evidence, family mean and its covariance.
struct Given {
    ln_evidence: f64,
    mean: DVector<f64>,
    covariance: DMatrix<f64>,
}

/// `M = 1 + T^(1/2) L T^(1/2)`; machine j says of mu what `A = T^(-1/2) (1 - 1/M) T^(-1/2)` and
/// `T^(-1/2) (1/M) T^(1/2) h` carry.
fn given(told: &[(DMatrix<f64>, DVector<f64>)], spread: &[f64]) -> Option<Given> {
    let n = spread.len();
    let mut precision = DMatrix::<f64>::identity(n, n);
    let mut right = DVector::<f64>::zeros(n);
    let mut ln: f64 = 0.0;
    for (information, pull) in told {
        let m = DMatrix::from_fn(n, n, |i, j| {
            f64::from(u8::from(i == j)) + spread[i] * information[(i, j)] * spread[j]
        });
        let chol = Cholesky::new(m)?;
        ln -= chol
            .l_dirty()
            .diagonal()
            .iter()
            .map(|d| d.ln())
            .sum::<f64>();
        let pulled = DVector::from_fn(n, |i, _| spread[i] * pull[i]);
        let solved = chol.solve(&pulled);
        ln += 0.5 * pulled.dot(&solved);
        let inverse = chol.inverse();
        for i in 0..n {
            right[i] += solved[i] / spread[i];
            for j in 0..n {
                let own = f64::from(u8::from(i == j)) - inverse[(i, j)];
                precision[(i, j)] += own / (spread[i] * spread[j]);
            }
        }
    }
    let chol = Cholesky::new(precision)?;
    let mean = chol.solve(&right);
    ln += 0.5 * right.dot(&mean);
    ln -= chol
        .l_dirty()
        .diagonal()
        .iter()
        .map(|d| d.ln())
        .sum::<f64>();
    Some(Given {
        ln_evidence: ln,
        mean,
        covariance: chol.inverse(),
    })
}

/// Logarithm of a spread's prior over its place on the grid.
///
/// How alike the castings of a family are is not known by its order, so the logarithm of a spread is even.
fn ln_prior(i: usize) -> f64 {
    let last = SPREADS.len() - 1;
    let (lo, hi) = (SPREADS[i.saturating_sub(1)], SPREADS[(i + 1).min(last)]);
    // Half way to the neighbours; an end reaches as far out as in.
    let width = 0.5 * (hi / lo).ln();
    (if i == 0 || i == last {
        2.0 * width
    } else {
        width
    })
    .ln()
}

/// Draws the spreads in turn and sums the next machine over them.
fn sampled(told: &[(DMatrix<f64>, DVector<f64>)], n: usize) -> Option<Next> {
    let mut rng = StdRng::seed_from_u64(SEED);
    let mut spread = vec![SPREAD_START; n];
    // A spread that no reading speaks of stays as its prior has it.
    let spoken: Vec<bool> = (0..n)
        .map(|k| told.iter().any(|(m, _)| m[(k, k)] > 1e-3))
        .collect();
    let mut means: Vec<DVector<f64>> = Vec::new();
    let mut parts: Vec<(DMatrix<f64>, Vec<f64>)> = Vec::new();
    for round in 0..ROUNDS.0 + ROUNDS.1 {
        for k in 0..n {
            let mut ln = Vec::with_capacity(SPREADS.len());
            for (i, value) in SPREADS.iter().enumerate() {
                let own = if spoken[k] {
                    spread[k] = *value;
                    given(told, &spread)?.ln_evidence
                } else {
                    0.0
                };
                ln.push(own + ln_prior(i));
            }
            let top = ln.iter().copied().fold(f64::NEG_INFINITY, f64::max);
            let sum: f64 = ln.iter().map(|l| (l - top).exp()).sum();
            let mut left = sum * rng.random::<f64>();
            spread[k] = SPREADS[SPREADS.len() - 1];
            for (l, value) in ln.iter().zip(SPREADS) {
                left -= (l - top).exp();
                if left <= 0.0 {
                    spread[k] = value;
                    break;
                }
            }
        }
        if round >= ROUNDS.0 {
            let g = given(told, &spread)?;
            means.push(g.mean);
            parts.push((g.covariance, spread.clone()));
        }
    }
    let count = means.len() as f64;
    let mean = means
        .iter()
        .fold(DVector::<f64>::zeros(n), |sum, m| sum + m)
        / count;
    let mut between = DMatrix::<f64>::zeros(n, n);
    let mut inside = DMatrix::<f64>::zeros(n, n);
    let mut squares = DVector::<f64>::zeros(n);
    for (m, (c, s)) in means.iter().zip(&parts) {
        let off = m - &mean;
        between += &off * off.transpose() / count;
        inside += c / count;
        squares += DVector::from_fn(n, |i, _| s[i] * s[i] / count);
    }
    let of_mean = &between + &inside;
    let covariance = &of_mean + DMatrix::from_diagonal(&squares);
    Some(Next {
        mean,
        mean_var: of_mean.diagonal(),
        spread: squares.map(f64::sqrt),
        covariance,
    })
}

#[cfg(test)]
mod tests;

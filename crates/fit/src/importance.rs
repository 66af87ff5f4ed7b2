//! The integral of a density by draws from a wider one, and what those draws are worth.
//!
//! Coordinates are whitened by the caller: the density is about a standard normal in size and place. The
//! proposal is Student's t, whose tails are heavier than those of a density that falls like a
//! normal one. Few effective draws mean that the proposal does not cover the density.

use rand::rngs::SmallRng;
use rand::{RngExt, SeedableRng};
use rand_distr::{ChiSquared, StandardNormal};
use statrs::function::gamma::ln_gamma;

/// Degrees of freedom of the proposal: two thirds of the draws count in 30 dimensions of a normal.
const DOF: f64 = 10.0;

/// Weighted draws of a density.
#[derive(Debug, Clone, PartialEq)]
pub struct Importance {
    /// Logarithm of the density's integral.
    pub ln_integral: f64,
    /// Effective number of draws, `(sum w)^2 / sum w^2` [-].
    pub effective: f64,
    points: Vec<Vec<f64>>,
    /// Weights that add to one.
    weights: Vec<f64>,
}

impl Importance {
    /// From `count` seeded draws in `dim` dimensions; `ln_density` is `None` where the density is nil.
    ///
    /// `None` without dimensions or where no draw met the density.
    pub fn of(
        dim: usize,
        count: usize,
        seed: u64,
        mut ln_density: impl FnMut(&[f64]) -> Option<f64>,
    ) -> Option<Self> {
        let (n, squares) = (dim as f64, ChiSquared::new(DOF).ok()?);
        let mut rng = SmallRng::seed_from_u64(seed);
        let constant = ln_gamma(0.5 * (DOF + n))
            - ln_gamma(0.5 * DOF)
            - 0.5 * n * (DOF * std::f64::consts::PI).ln();
        let mut points = Vec::with_capacity(count);
        let mut ln_weights = Vec::with_capacity(count);
        for _ in 0..count {
            let stretch = (DOF / rng.sample(squares)).sqrt();
            let z: Vec<f64> = (0..dim)
                .map(|_| stretch * rng.sample::<f64, _>(StandardNormal))
                .collect();
            let square: f64 = z.iter().map(|z| z * z).sum();
            let ln_proposal = constant - 0.5 * (DOF + n) * (square / DOF).ln_1p();
            let ln = ln_density(&z).filter(|v| !v.is_nan());
            ln_weights.push(ln.map_or(f64::NEG_INFINITY, |v| v - ln_proposal));
            points.push(z);
        }
        let top = ln_weights.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        if !top.is_finite() || dim == 0 {
            return None;
        }
        let mut weights: Vec<f64> = ln_weights.iter().map(|w| (w - top).exp()).collect();
        let sum: f64 = weights.iter().sum();
        weights.iter_mut().for_each(|w| *w /= sum);
        Some(Self {
            ln_integral: top + (sum / count as f64).ln(),
            effective: weights.iter().map(|w| w * w).sum::<f64>().recip(),
            points,
            weights,
        })
    }

    /// `count` points drawn by their weights, at even steps through them; heavy ones repeat.
    pub fn resampled(&self, count: usize) -> impl Iterator<Item = &[f64]> {
        let (mut at, mut passed) = (0, self.weights.first().copied().unwrap_or(0.0));
        (0..count).map(move |i| {
            let goal = (i as f64 + 0.5) / count as f64;
            while passed < goal && at + 1 < self.weights.len() {
                at += 1;
                passed += self.weights[at];
            }
            self.points[at].as_slice()
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A normal of known integral: the error of the mean weight is a few per cent at this count.
    #[test]
    fn finds_the_integral_of_a_normal() {
        let dim = 12;
        let found = Importance::of(dim, 4_000, 3, |z| {
            Some(z.iter().map(|z| -0.5 * (z - 0.2).powi(2) / 0.81).sum())
        })
        .unwrap();
        let want = dim as f64 * (0.9 * (2.0 * std::f64::consts::PI).sqrt()).ln();
        let error = (4_000.0 / found.effective - 1.0).sqrt() / 4_000.0_f64.sqrt();
        assert!((found.ln_integral - want).abs() < 4.0 * error, "{found:?}");
        assert!(found.effective > 1_000.0);
        let mean = found.resampled(2_000).map(|z| z[0]).sum::<f64>() / 2_000.0;
        assert!((mean - 0.2).abs() < 0.1, "{mean}");
    }

    #[test]
    fn a_density_elsewhere_shows_in_the_effective_size() {
        let far = Importance::of(3, 1_000, 3, |z| {
            Some(z.iter().map(|z| -0.5 * (z - 9.0).powi(2)).sum())
        });
        assert!(far.unwrap().effective < 20.0);
        assert!(Importance::of(3, 100, 3, |_| None).is_none());
        assert!(Importance::of(0, 100, 3, |_| Some(0.0)).is_none());
    }
}

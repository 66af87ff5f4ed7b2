//! What is left to chance in a trial.

use rand::rngs::StdRng;
use rand::{RngExt, SeedableRng};
use rand_distr::{Gamma, StandardNormal};

/// Random numbers of one trial.
pub(crate) struct Chance {
    rng: StdRng,
}

impl Chance {
    /// Of one trial of a study.
    pub(crate) fn of(study: u64, seed: u64) -> Self {
        Self {
            rng: StdRng::seed_from_u64(study.wrapping_mul(0x9e37_79b9) ^ seed),
        }
    }

    /// Normal about zero, cut at three deviations.
    pub(crate) fn normal(&mut self, sd: f64) -> f64 {
        sd * self.rng.sample::<f64, _>(StandardNormal).clamp(-3.0, 3.0)
    }

    /// Even between two limits.
    pub(crate) fn between(&mut self, lo: f64, hi: f64) -> f64 {
        lo + (hi - lo) * self.rng.random::<f64>()
    }

    /// Gamma of this shape and scale, both above 0; nil where either is not.
    pub(super) fn gamma(&mut self, shape: f64, scale: f64) -> f64 {
        Gamma::new(shape, scale).map_or(0.0, |d| self.rng.sample(d))
    }

    /// Either sign, size even between two limits.
    pub(crate) fn either(&mut self, lo: f64, hi: f64) -> f64 {
        let size = self.between(lo, hi);
        if self.chance(0.5) { size } else { -size }
    }

    /// True with probability `p`.
    pub(crate) fn chance(&mut self, p: f64) -> bool {
        self.rng.random::<f64>() < p
    }

    /// One of several by their chances, which sum to 1.
    pub(crate) fn pick<T: Copy>(&mut self, all: &[(T, f64)]) -> T {
        let mut left = self.rng.random::<f64>();
        let found = all.iter().find(|(_, p)| {
            left -= p;
            left < 0.0
        });
        found.unwrap_or(&all[all.len() - 1]).0
    }

    /// One of `n`.
    pub(crate) fn one_of(&mut self, n: usize) -> usize {
        self.rng.random_range(0..n)
    }
}

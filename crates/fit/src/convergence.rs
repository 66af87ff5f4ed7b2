//! Whether chains of a sampler can be believed: R-hat, effective sizes, errors of the mean.
//!
//! All figures are of chains that have been split in half. Ranks make them valid where mean and variance do
//! not exist. They see what the chains saw: a mode that no chain found is not missed by any of them.
//!
//! # Source
//! `vehtari2021` (Vehtari, Gelman, Simpson, Carpenter, Burkner: Rank-normalization, folding, and localization:
//! an improved R-hat, Bayesian Analysis 16, 667-718), sections 3 and 4; autocorrelations cut off by
//! `geyer1992`, initial monotone sequence.

use crate::stats::normal_quantile;

/// Largest R-hat of chains that agree [-]; `vehtari2021`, section 4.
pub const MAX_R_HAT: f64 = 1.01;

/// Least effective size, bulk and tail, of four chains [-]; `vehtari2021`, section 4 (50 a split chain).
pub const MIN_ESS: f64 = 400.0;

/// Convergence of one quantity.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Convergence {
    /// Mean over all draws.
    pub mean: f64,
    /// Standard deviation over all draws.
    pub sd: f64,
    /// Rank-normalised split R-hat, the larger of bulk and folded [-]; 1 when chains agree.
    pub r_hat: f64,
    /// Effective number of draws in the bulk [-].
    pub ess_bulk: f64,
    /// Effective number of draws for the 5 and 95 % quantiles, the lesser [-].
    pub ess_tail: f64,
    /// Monte Carlo standard error of the mean, `sd / sqrt(ess of the mean)`.
    pub mcse_mean: f64,
}

impl Convergence {
    /// Of one quantity in chains of equal length, at least four draws each.
    ///
    /// `None` for chains that are shorter, unequal or not finite. A quantity that never moves has no
    /// spread to compare: its R-hat is `NaN`, and so it does not pass.
    pub fn of(chains: &[Vec<f64>]) -> Option<Self> {
        let n = chains.first()?.len();
        let sound = |c: &Vec<f64>| c.len() == n && c.iter().all(|x| x.is_finite());
        if n < 4 || !chains.iter().all(sound) {
            return None;
        }
        let split = Split::of(chains);
        let (mean, variance) = split.moments();
        let mut sorted = split.values.clone();
        sorted.sort_by(f64::total_cmp);
        let at = |q: f64| sorted[((sorted.len() - 1) as f64 * q).round() as usize];
        let below = |x: f64| split.map(|v| f64::from(u8::from(v <= x)));
        let bulk = split.rank_normal();
        let middle = at(0.5);
        let folded = split.map(|v| (v - middle).abs()).rank_normal();
        let tail = |q: f64| below(at(q)).ess();
        Some(Self {
            mean,
            sd: variance.sqrt(),
            r_hat: bulk.r_hat().max(folded.r_hat()),
            ess_bulk: bulk.ess(),
            ess_tail: tail(0.05).min(tail(0.95)),
            mcse_mean: (variance / split.ess()).sqrt(),
        })
    }

    /// True when R-hat and both effective sizes are within [`MAX_R_HAT`] and [`MIN_ESS`].
    pub fn passes(&self) -> bool {
        self.r_hat <= MAX_R_HAT && self.ess_bulk >= MIN_ESS && self.ess_tail >= MIN_ESS
    }
}

/// Half chains of one quantity, one after the other.
#[derive(Debug, Clone)]
struct Split {
    values: Vec<f64>,
    /// Draws of a half chain.
    length: usize,
}

impl Split {
    /// Cuts every chain in half; the middle draw of an odd number is left out.
    fn of(chains: &[Vec<f64>]) -> Self {
        let n = chains[0].len();
        let length = n / 2;
        let values = chains
            .iter()
            .flat_map(|c| c[..length].iter().chain(&c[n - length..]))
            .copied()
            .collect();
        Self { values, length }
    }

    fn map(&self, f: impl Fn(f64) -> f64) -> Self {
        Self {
            values: self.values.iter().map(|&v| f(v)).collect(),
            length: self.length,
        }
    }

    fn chains(&self) -> impl Iterator<Item = &[f64]> {
        self.values.chunks_exact(self.length)
    }

    fn moments(&self) -> (f64, f64) {
        moments(&self.values)
    }

    /// Normal scores of the ranks over all chains, `z = Phi^-1((r - 3/8) / (S + 1/4))`; ties share the
    /// mean of their ranks.
    fn rank_normal(&self) -> Self {
        let s = self.values.len();
        let mut order: Vec<usize> = (0..s).collect();
        order.sort_by(|&a, &b| self.values[a].total_cmp(&self.values[b]));
        let mut values = vec![0.0; s];
        let mut first = 0;
        while first < s {
            let value = self.values[order[first]];
            let tied = order[first..]
                .iter()
                .take_while(|&&i| self.values[i] == value)
                .count();
            // Ranks count from one.
            let rank = first as f64 + 0.5 * (tied + 1) as f64;
            let z = normal_quantile((rank - 0.375) / (s as f64 + 0.25)).unwrap_or(f64::NAN);
            for &i in &order[first..first + tied] {
                values[i] = z;
            }
            first += tied;
        }
        Self {
            values,
            length: self.length,
        }
    }

    /// Mean variance within chains `W` and the pooled estimate `var+`.
    fn variances(&self) -> (f64, f64) {
        let n = self.length as f64;
        let (means, variances): (Vec<f64>, Vec<f64>) = self.chains().map(moments).unzip();
        let within = variances.iter().sum::<f64>() / variances.len() as f64;
        let (_, between) = moments(&means);
        (within, within * (n - 1.0) / n + between)
    }

    /// `sqrt(var+ / W)`.
    fn r_hat(&self) -> f64 {
        let (within, pooled) = self.variances();
        (pooled / within).sqrt()
    }

    /// Effective number of draws, `S / tau`, `tau = -1 + 2 sum P_t` over Geyer's monotone pairs.
    fn ess(&self) -> f64 {
        let (within, pooled) = self.variances();
        let s = self.values.len() as f64;
        let means: Vec<f64> = self.chains().map(|c| moments(c).0).collect();
        let rho = |lag: usize| {
            let mut sum = 0.0;
            for (chain, mean) in self.chains().zip(&means) {
                let products = chain.iter().zip(&chain[lag..]);
                sum += products.map(|(a, b)| (a - mean) * (b - mean)).sum::<f64>();
            }
            let covariance = sum / s;
            let unbiased = self.length as f64 / (self.length as f64 - 1.0);
            1.0 - (within - covariance * unbiased) / pooled
        };
        let mut tau = -1.0;
        let mut least = f64::INFINITY;
        for pair in 0..self.length / 2 {
            let first = if pair == 0 { 1.0 } else { rho(2 * pair) };
            let both = first + rho(2 * pair + 1);
            if both.is_nan() {
                return f64::NAN;
            }
            if both <= 0.0 {
                break;
            }
            least = least.min(both);
            tau += 2.0 * least;
        }
        // Antithetic chains may beat independent draws; by how much is capped as in the source.
        s / tau.max(1.0 / s.log10())
    }
}

/// Mean and variance (of a sample) of values.
fn moments(values: &[f64]) -> (f64, f64) {
    let n = values.len() as f64;
    let mean = values.iter().sum::<f64>() / n;
    let sum: f64 = values.iter().map(|v| (v - mean).powi(2)).sum();
    (mean, sum / (n - 1.0))
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::rngs::StdRng;
    use rand::{RngExt, SeedableRng};
    use rand_distr::StandardNormal;

    /// Four chains of an autoregression with coefficient `a`, the last one shifted.
    fn chains(a: f64, n: usize, shift: f64) -> Vec<Vec<f64>> {
        let mut rng = StdRng::seed_from_u64(7);
        (0..4)
            .map(|c| {
                let mut x: f64 = rng.sample(StandardNormal);
                let moved = if c == 3 { shift } else { 0.0 };
                (0..n)
                    .map(|_| {
                        let e: f64 = rng.sample(StandardNormal);
                        x = a * x + (1.0 - a * a).sqrt() * e;
                        x + moved
                    })
                    .collect()
            })
            .collect()
    }

    #[test]
    fn independent_draws_pass() {
        let c = Convergence::of(&chains(0.0, 1_000, 0.0)).unwrap();
        assert!(c.passes(), "{c:?}");
        // Effective sizes of independent draws scatter by some per cent.
        assert!((c.ess_bulk / 4_000.0 - 1.0).abs() < 0.15, "{c:?}");
        assert!((c.mcse_mean - 4_000.0_f64.sqrt().recip()).abs() < 0.1 * c.mcse_mean);
    }

    /// An autoregression has `tau = (1 + a) / (1 - a)`; estimated within a fifth from 40,000 draws.
    #[test]
    fn correlated_draws_count_for_fewer() {
        let c = Convergence::of(&chains(0.8, 10_000, 0.0)).unwrap();
        assert!((c.ess_bulk * 9.0 / 40_000.0 - 1.0).abs() < 0.2, "{c:?}");
    }

    #[test]
    fn a_chain_elsewhere_does_not_pass() {
        let c = Convergence::of(&chains(0.0, 1_000, 1.0)).unwrap();
        assert!(c.r_hat > 1.05 && !c.passes(), "{c:?}");
    }

    #[test]
    fn a_chain_of_another_width_does_not_pass() {
        let mut all = chains(0.0, 1_000, 0.0);
        all[0].iter_mut().for_each(|x| *x *= 3.0);
        let c = Convergence::of(&all).unwrap();
        assert!(c.r_hat > MAX_R_HAT, "{c:?}");
    }

    #[test]
    fn what_cannot_be_judged_does_not_pass() {
        assert!(Convergence::of(&[]).is_none());
        assert!(Convergence::of(&[vec![1.0; 3]]).is_none());
        assert!(Convergence::of(&[vec![1.0; 9], vec![1.0; 8]]).is_none());
        assert!(Convergence::of(&[vec![f64::NAN; 9]]).is_none());
        let still = Convergence::of(&[vec![1.0; 100], vec![1.0; 100]]).unwrap();
        assert!(!still.passes(), "{still:?}");
    }
}

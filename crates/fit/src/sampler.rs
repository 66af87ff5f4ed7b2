//! Draws from a density known up to a constant, by the no-U-turn sampler, in several chains.
//!
//! The density is one over the whole space: parameters with bounds are transformed by the caller, with the
//! Jacobian in the density. Chains start where the caller says and are seeded one by one, so the
//! draws are the same on any number of threads. What the chains are worth, [`Draws::convergence`] tells.
//!
//! # Source
//! `hoffman2014` (Hoffman, Gelman: The No-U-Turn Sampler, J. Mach. Learn. Res. 15), as built by the
//! library `nuts-rs`.

use std::collections::HashMap;

use nuts_rs::rand::SeedableRng;
use nuts_rs::rand::rngs::SmallRng;
use nuts_rs::{
    Chain, CpuLogpFunc, CpuMath, CpuMathError, DiagNutsSettings, HasDims, KineticEnergyKind,
    LogpError, Settings,
};
use rayon::prelude::*;

use crate::convergence::Convergence;

/// Share of trajectories' energy kept that the step is tuned for [-]; the usual 0.8.
const TARGET_ACCEPT: f64 = 0.8;

/// Why there are no draws.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum SampleError {
    /// The density is nil, or not finite, where a chain should start.
    #[error("chain {chain} starts where the density is nil or not finite")]
    Start {
        /// Number of the chain, from 0.
        chain: usize,
    },
    /// Start points of unequal length, or none.
    #[error("needs at least one start and all of {dim} coordinates")]
    Shape {
        /// Coordinates of the first start.
        dim: usize,
    },
    /// The sampler gave up on a chain.
    #[error("chain {chain} broke off after {draws} draws")]
    BrokeOff {
        /// Number of the chain, from 0.
        chain: usize,
        /// Draws made by then, those of the tuning counted.
        draws: usize,
    },
}

/// Settings of a run.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Sampler {
    tune: usize,
    draws: usize,
    seed: u64,
    whitened: bool,
    target_accept: f64,
    max_doublings: Option<u32>,
}

impl Sampler {
    /// Runs that tune for `tune` draws a chain and keep `draws` after them.
    pub fn new(tune: usize, draws: usize, seed: u64) -> Self {
        Self {
            tune,
            draws,
            seed,
            whitened: false,
            target_accept: TARGET_ACCEPT,
            max_doublings: None,
        }
    }

    /// The density is near a standard normal one: trajectories follow its circles, exact for one,
    /// so few steps do. Right for any density all the same.
    #[must_use]
    pub fn whitened(mut self) -> Self {
        self.whitened = true;
        self
    }

    /// Mean acceptance that the step is tuned for, 0 to 1; higher means smaller steps.
    #[must_use]
    pub fn target_accept(mut self, share: f64) -> Self {
        self.target_accept = share;
        self
    }

    /// Most doublings of a trajectory: a draw then costs at most `2^n` gradients, which bounds the time on a
    /// density that mixes badly. The draws stay right, only more alike.
    #[must_use]
    pub fn max_doublings(mut self, n: u32) -> Self {
        self.max_doublings = Some(n);
        self
    }

    /// One chain from each of `starts`, all of one length.
    ///
    /// `density` makes the function of one chain: it gets a point and a place for the gradient, and
    /// gives the logarithm of the density up to a constant, `None` where the density is nil (the
    /// trajectory ends there as a divergence).
    ///
    /// # Errors
    /// [`SampleError`]; a chain that mixes badly is none, see [`Draws::convergence`].
    pub fn run<'a, F>(
        &self,
        starts: &[Vec<f64>],
        density: impl Fn() -> F + Sync,
    ) -> Result<Draws, SampleError>
    where
        F: FnMut(&[f64], &mut [f64]) -> Option<f64> + 'a,
    {
        let dim = starts.first().map_or(0, Vec::len);
        if dim == 0 || starts.iter().any(|s| s.len() != dim) {
            return Err(SampleError::Shape { dim });
        }
        let chains: Result<Vec<OneChain>, SampleError> = starts
            .par_iter()
            .enumerate()
            .map(|(chain, start)| self.chain(chain, start, density()))
            .collect();
        Ok(Draws { chains: chains? })
    }

    fn settings(&self) -> DiagNutsSettings {
        let mut settings = DiagNutsSettings {
            num_tune: self.tune as u64,
            num_draws: self.draws as u64,
            ..DiagNutsSettings::default()
        };
        if let Some(n) = self.max_doublings {
            settings.maxdepth = u64::from(n);
        }
        let step = &mut settings.adapt_options.step_size_settings;
        step.target_accept = self.target_accept;
        if self.whitened {
            settings.trajectory_kind = KineticEnergyKind::ExactNormal;
            step.initial_step = 0.8;
            // Half a circle would map a point to its mirror image.
            step.adapt_options.dual_average.max_step_size = std::f64::consts::FRAC_PI_2;
        }
        settings
    }

    fn chain<F>(&self, chain: usize, start: &[f64], f: F) -> Result<OneChain, SampleError>
    where
        F: FnMut(&[f64], &mut [f64]) -> Option<f64>,
    {
        let math = CpuMath::new(Density {
            dim: start.len(),
            f,
        });
        // Seeds of neighbouring chains must not be neighbours of the next run's.
        let seed = self.seed ^ (chain as u64 + 1).wrapping_mul(0x9e37_79b9_7f4a_7c15);
        let mut rng = SmallRng::seed_from_u64(seed);
        let broke = |draws| SampleError::BrokeOff { chain, draws };
        let mut nuts = (self.settings())
            .new_chain(chain as u64, math, &mut rng)
            .map_err(|_| broke(0))?;
        nuts.set_position(start)
            .map_err(|_| SampleError::Start { chain })?;
        let mut out = OneChain::default();
        for i in 0..self.tune + self.draws {
            let (x, progress) = nuts.draw().map_err(|_| broke(i))?;
            out.gradients += progress.num_gradients as usize;
            if i >= self.tune {
                out.divergences += usize::from(progress.diverging);
                out.points.push(x.into_vec());
            }
        }
        Ok(out)
    }
}

/// Draws of one chain after tuning.
#[derive(Debug, Clone, Default, PartialEq)]
struct OneChain {
    points: Vec<Vec<f64>>,
    divergences: usize,
    gradients: usize,
}

/// What the chains drew.
#[derive(Debug, Clone, PartialEq)]
pub struct Draws {
    chains: Vec<OneChain>,
}

impl Draws {
    /// Points of every chain in their order.
    pub fn chains(&self) -> impl Iterator<Item = &[Vec<f64>]> {
        self.chains.iter().map(|c| c.points.as_slice())
    }

    /// All points, chain after chain.
    pub fn points(&self) -> impl Iterator<Item = &Vec<f64>> {
        self.chains.iter().flat_map(|c| &c.points)
    }

    /// Trajectories that ended because the energy ran away, tuning left out. Any at all may mean that
    /// the chains could not enter a part of the density.
    pub fn divergences(&self) -> usize {
        self.chains.iter().map(|c| c.divergences).sum()
    }

    /// Gradients asked for, tuning included.
    pub fn gradients(&self) -> usize {
        self.chains.iter().map(|c| c.gradients).sum()
    }

    /// Convergence of a quantity made of a point; `None` if it is not finite somewhere.
    pub fn convergence(&self, quantity: impl Fn(&[f64]) -> f64) -> Option<Convergence> {
        let of = |c: &OneChain| c.points.iter().map(|x| quantity(x)).collect::<Vec<f64>>();
        Convergence::of(&self.chains.iter().map(of).collect::<Vec<_>>())
    }
}

/// The caller's function in the library's shape.
struct Density<F> {
    dim: usize,
    f: F,
}

/// The density is nil at a point; ends a trajectory.
#[derive(Debug, Clone, Copy, thiserror::Error)]
#[error("density is nil or not finite")]
struct Nil;

impl LogpError for Nil {
    fn is_recoverable(&self) -> bool {
        true
    }
}

impl<F> HasDims for Density<F> {
    fn dim_sizes(&self) -> HashMap<String, u64> {
        HashMap::from([("unconstrained_parameter".to_owned(), self.dim as u64)])
    }
}

impl<F: FnMut(&[f64], &mut [f64]) -> Option<f64>> CpuLogpFunc for Density<F> {
    type LogpError = Nil;
    type FlowParameters = ();
    type ExpandedVector = ();

    fn dim(&self) -> usize {
        self.dim
    }

    fn logp(&mut self, x: &[f64], gradient: &mut [f64]) -> Result<f64, Nil> {
        let ln = (self.f)(x, gradient).filter(|v| v.is_finite()).ok_or(Nil)?;
        if gradient.iter().all(|g| g.is_finite()) {
            Ok(ln)
        } else {
            Err(Nil)
        }
    }

    fn expand_vector<R: nuts_rs::rand::Rng + ?Sized>(
        &mut self,
        _: &mut R,
        _: &[f64],
    ) -> Result<(), CpuMathError> {
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::convergence::MAX_R_HAT;

    /// Standard normal in `n` dimensions about `mean`.
    fn normal(mean: f64) -> impl Fn(&[f64], &mut [f64]) -> Option<f64> {
        move |x, g| {
            for (g, x) in g.iter_mut().zip(x) {
                *g = mean - x;
            }
            Some(x.iter().map(|x| -0.5 * (x - mean).powi(2)).sum())
        }
    }

    fn starts(n: usize) -> Vec<Vec<f64>> {
        (0..4).map(|c| vec![0.5 * c as f64 - 0.7; n]).collect()
    }

    #[test]
    fn draws_have_the_moments_of_their_density() {
        for sampler in [
            Sampler::new(400, 1_000, 1),
            Sampler::new(200, 1_000, 1).whitened(),
        ] {
            let draws = sampler.run(&starts(5), || normal(0.4)).unwrap();
            assert_eq!(draws.divergences(), 0);
            assert_eq!(draws.points().count(), 4_000);
            for i in 0..5 {
                let c = draws.convergence(|x| x[i]).unwrap();
                assert!(c.passes(), "{c:?}");
                assert!((c.mean - 0.4).abs() < 4.0 * c.mcse_mean, "{c:?}");
                assert!((c.sd - 1.0).abs() < 0.1, "{c:?}");
            }
        }
    }

    #[test]
    fn the_same_seed_draws_the_same() {
        let run = |seed| {
            let sampler = Sampler::new(50, 50, seed);
            sampler.run(&starts(3), || normal(0.0)).unwrap()
        };
        assert_eq!(run(3), run(3));
        assert_ne!(run(3), run(4));
        let draws = run(3);
        let first: Vec<_> = draws.chains().map(|c| c[49].clone()).collect();
        assert!(first.windows(2).all(|w| w[0] != w[1]));
    }

    #[test]
    fn a_bounded_trajectory_costs_no_more_than_its_doublings() {
        let sampler = Sampler::new(20, 50, 2).max_doublings(2);
        let draws = sampler.run(&starts(3), || normal(0.0)).unwrap();
        // Four a draw, and those that find the first step.
        assert!(
            draws.gradients() <= 4 * 70 * 4 + 200,
            "{}",
            draws.gradients()
        );
    }

    /// Two modes 20 standard deviations apart: each chain stays in its own.
    #[test]
    fn far_modes_are_seen_by_r_hat() {
        let two = |x: &[f64], g: &mut [f64]| {
            let (a, b) = (x[0] - 10.0, x[0] + 10.0);
            let (la, lb) = (-0.5 * a * a, -0.5 * b * b);
            let top = la.max(lb);
            let (wa, wb) = ((la - top).exp(), (lb - top).exp());
            g[0] = -(wa * a + wb * b) / (wa + wb);
            Some(top + (wa + wb).ln())
        };
        let starts = [9.0, -9.0, 10.0, -11.0].map(|x| vec![x]);
        let draws = Sampler::new(300, 500, 5).run(&starts, || two).unwrap();
        let c = draws.convergence(|x| x[0]).unwrap();
        // Ranks bound the R-hat of two modes a little below 2, however far apart they are.
        assert!(c.r_hat > 1.5 && c.ess_bulk < 20.0 && !c.passes(), "{c:?}");
    }

    /// Neal's funnel as it is written: the neck is narrower than any one step can follow.
    #[test]
    fn a_centred_funnel_diverges() {
        let funnel = |x: &[f64], g: &mut [f64]| {
            let (v, rest) = (x[0], &x[1..]);
            let narrow = (-v).exp();
            let squares: f64 = rest.iter().map(|y| y * y).sum();
            g[0] = -v / 9.0 + 0.5 * squares * narrow - 0.5 * rest.len() as f64;
            for (g, y) in g[1..].iter_mut().zip(rest) {
                *g = -y * narrow;
            }
            Some(-v * v / 18.0 - 0.5 * squares * narrow - 0.5 * rest.len() as f64 * v)
        };
        let draws = Sampler::new(500, 1_000, 11)
            .run(&starts(10), || funnel)
            .unwrap();
        let c = draws.convergence(|x| x[0]).unwrap();
        assert!(draws.divergences() > 0, "{c:?}");
        assert!(c.r_hat > MAX_R_HAT || !c.passes(), "{c:?}");
    }

    #[test]
    fn bad_starts_are_refused() {
        let sampler = Sampler::new(10, 10, 1);
        let none = sampler.run(&[], || normal(0.0));
        assert_eq!(none.unwrap_err(), SampleError::Shape { dim: 0 });
        let ragged = sampler.run(&[vec![0.0; 2], vec![0.0]], || normal(0.0));
        assert_eq!(ragged.unwrap_err(), SampleError::Shape { dim: 2 });
        let nil = sampler.run(&[vec![0.0]], || |_: &[f64], _: &mut [f64]| None);
        assert_eq!(nil.unwrap_err(), SampleError::Start { chain: 0 });
    }
}

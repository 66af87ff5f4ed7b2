//! Sensors behind a running engine: samples cycle by cycle, as they would come from a logger.
//!
//! As [`crate::sensing`], but fed with one cycle after another instead of one recorded run; the
//! sample clock runs on across cycles and across an engine that stands. Limits as there.

use rand::SeedableRng;
use rand::rngs::Xoshiro256PlusPlus;
use rand_distr::{Distribution, StandardNormal};

use crate::error::EngineError;
use crate::sensing::{Chain, Filter, check_chains, check_rate};

/// Longest distance of the knots of the straight-line input [s]: a degree of crank at 6,000 rpm.
const LONGEST_KNOT_S: f64 = 28e-6;

/// One sensor chain per cylinder, sampled together.
pub struct Tap {
    chains: Vec<Chain>,
    filters: Vec<Filter>,
    knot_s: f64,
    /// Knots per sample.
    parts: usize,
    /// Knots until the next sample.
    until_sample: usize,
    /// Time from the start of the stretch handed in next to its first knot [s].
    lead_s: f64,
    rested: bool,
    rng: Xoshiro256PlusPlus,
}

impl std::fmt::Debug for Tap {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Tap")
            .field("chains", &self.chains)
            .field("knot_s", &self.knot_s)
            .finish_non_exhaustive()
    }
}

impl Tap {
    /// Sensors sampled `rate_hz` [Hz] times a second, 1 to 1e6; `seed` for their noise.
    ///
    /// # Errors
    /// [`EngineError`] when the rate, a lag or a noise is out of range.
    pub fn new(chains: Vec<Chain>, rate_hz: f64, seed: u64) -> Result<Self, EngineError> {
        check_rate(rate_hz)?;
        check_chains(&chains)?;
        let dt_s = 1.0 / rate_hz;
        let parts = (dt_s / LONGEST_KNOT_S).ceil().max(1.0) as usize;
        let knot_s = dt_s / parts as f64;
        Ok(Self {
            filters: chains.iter().map(|c| Filter::new(c, knot_s)).collect(),
            chains,
            knot_s,
            parts,
            until_sample: 0,
            lead_s: 0.0,
            rested: false,
            rng: Xoshiro256PlusPlus::seed_from_u64(seed),
        })
    }

    /// Adds `offset_pa` [Pa] to what the sensor of `cylinder` reads from now on.
    pub fn set_offset_pa(&mut self, cylinder: usize, offset_pa: f64) {
        if let Some(chain) = self.chains.get_mut(cylinder) {
            chain.offset_pa = offset_pa;
        }
    }

    /// Samples one cycle: `rows` as recorded by [`crate::Simulation::run_cycle`], one row of a
    /// pressure per cylinder [Pa] for each step, over `duration_s` [s].
    ///
    /// Readings are pushed to `out`, one value per cylinder for each sample.
    pub fn cycle(&mut self, rows: &[f64], duration_s: f64, out: &mut Vec<f32>) {
        let n = self.filters.len();
        let steps = rows.len().checked_div(n).unwrap_or(0);
        if steps == 0 {
            return;
        }
        self.advance(duration_s, out, |at_s, cylinder| {
            let x = (at_s / duration_s * steps as f64).clamp(0.0, (steps - 1) as f64);
            let k = (x as usize).min(steps - 1);
            let value = |k: usize| rows[k * n + cylinder];
            let next = if k + 1 < steps {
                value(k + 1)
            } else {
                value(k)
            };
            value(k) + (x - k as f64) * (next - value(k))
        });
    }

    /// Samples a stretch of constant pressure `p_pa` [Pa] at every stub over `duration_s` [s]: the
    /// engine stands.
    pub fn still(&mut self, p_pa: f64, duration_s: f64, out: &mut Vec<f32>) {
        self.advance(duration_s, out, |_, _| p_pa);
    }

    fn advance(&mut self, duration_s: f64, out: &mut Vec<f32>, p_pa: impl Fn(f64, usize) -> f64) {
        if !(duration_s.is_finite() && duration_s > 0.0) {
            return;
        }
        if !self.rested {
            for (i, filter) in self.filters.iter_mut().enumerate() {
                filter.rest(p_pa(0.0, i));
            }
            self.rested = true;
        }
        let mut at_s = self.lead_s;
        while at_s < duration_s {
            for (i, filter) in self.filters.iter_mut().enumerate() {
                filter.advance(p_pa(at_s, i));
            }
            if self.until_sample == 0 {
                self.sample(out);
                self.until_sample = self.parts;
            }
            self.until_sample -= 1;
            at_s += self.knot_s;
        }
        self.lead_s = at_s - duration_s;
    }

    fn sample(&mut self, out: &mut Vec<f32>) {
        for (filter, chain) in self.filters.iter().zip(&self.chains) {
            let noise: f64 = StandardNormal.sample(&mut self.rng);
            let read = chain.gain * filter.output() + chain.offset_pa + chain.noise_pa * noise;
            out.push(chain.quantiser.round_pa(read) as f32);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// One cylinder, 720 steps of a sine about 60 kPa, cycle number `cycle` of a running engine.
    fn sine() -> Vec<f64> {
        (0..720)
            .map(|k| 60e3 + 20e3 * (std::f64::consts::TAU * f64::from(k) / 720.0).sin())
            .collect()
    }

    #[test]
    fn the_sample_clock_runs_on_across_cycles() {
        let mut tap = Tap::new(vec![Chain::IDEAL], 1_000.0, 1).unwrap();
        let mut out = Vec::new();
        // 0.0937 s a cycle: no whole number of samples in it.
        for _ in 0..100 {
            tap.cycle(&sine(), 0.0937, &mut out);
        }
        assert!((out.len() as f64 - 9_370.0).abs() <= 1.0, "{}", out.len());
        for (k, p) in out.iter().enumerate() {
            let turns = k as f64 * 1e-3 / 0.0937;
            let want = 60e3 + 20e3 * (std::f64::consts::TAU * turns).sin();
            // Knots are 28 us apart and the last step of a cycle is held: 20 kPa * tau * 1/720.
            assert!((f64::from(*p) - want).abs() < 200.0, "{k}: {p} for {want}");
        }
    }

    #[test]
    fn a_standing_engine_reads_ambient_with_noise() {
        let chain = Chain {
            noise_pa: 40.0,
            offset_pa: 300.0,
            ..Chain::IDEAL
        };
        let mut tap = Tap::new(vec![chain, chain], 2_000.0, 1).unwrap();
        tap.set_offset_pa(1, -500.0);
        let mut out = Vec::new();
        tap.still(100_000.0, 1.0, &mut out);
        assert!((out.len() as f64 / 2.0 - 2_000.0).abs() <= 1.0);
        for (channel, want) in [(0, 100_300.0), (1, 99_500.0)] {
            let row: Vec<f64> = out.chunks(2).map(|r| f64::from(r[channel])).collect();
            let mean = row.iter().sum::<f64>() / row.len() as f64;
            // Five standard errors of the mean of 2,000.
            assert!(
                (mean - want).abs() < 5.0 * 40.0 / 2_000.0_f64.sqrt(),
                "{mean}"
            );
        }
    }

    #[test]
    fn numbers_out_of_range_are_refused() {
        assert!(Tap::new(vec![Chain::IDEAL], 0.0, 1).is_err());
        let lag = Chain {
            lag_s: f64::NAN,
            ..Chain::IDEAL
        };
        assert!(Tap::new(vec![lag], 1_000.0, 1).is_err());
        let mut tap = Tap::new(vec![Chain::IDEAL], 1_000.0, 1).unwrap();
        let mut out = Vec::new();
        tap.cycle(&[], 0.1, &mut out);
        tap.still(1e5, f64::NAN, &mut out);
        assert!(out.is_empty());
    }
}

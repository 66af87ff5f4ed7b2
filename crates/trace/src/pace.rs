//! Cycles of samples that are still coming in: the search of the analysis on a sliding stretch.
//!
//! The analysis of a recording finds the period and the levels of a channel once; a listener finds
//! them now and then on the last seconds and looks for whole cycles in between. Both use the same
//! search, so that a cycle counted live is a cycle of the recording.

use crate::cycles::{LIVE_SWING_PA, Levels, between, period_of_samples};
use crate::falls::falls;

/// What the search for cycles must know of a channel beforehand.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Pace {
    levels: Levels,
    period_samples: f64,
}

/// One whole cycle of one cylinder, from one fall through the middle level to the next.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct WholeCycle {
    /// Start, in samples after the first one handed in, fractional.
    pub start: f64,
    /// Length in samples, fractional.
    pub length: f64,
}

impl WholeCycle {
    /// Samples of the cycle, each sample in one cycle only.
    pub fn range(self) -> std::ops::Range<usize> {
        let whole = |x: f64| x.ceil().max(0.0) as usize;
        whole(self.start)..whole(self.start + self.length)
    }
}

impl Pace {
    /// Levels and period of one unbroken stretch of samples `p_pa` [Pa], `dt_s` [s] apart.
    ///
    /// A few seconds are enough, at least two cycles are needed. `None` where the pressure does not
    /// swing as a running engine swings it, or nothing repeats between 250 and 16,000 rpm.
    pub fn of(p_pa: &[f32], dt_s: f64) -> Option<Self> {
        if !(dt_s.is_finite() && dt_s > 0.0) {
            return None;
        }
        let levels = Levels::of_samples(p_pa).filter(|l| l.swing_pa() >= LIVE_SWING_PA)?;
        Some(Self {
            levels,
            period_samples: period_of_samples(p_pa, dt_s)?,
        })
    }

    /// Levels of another channel `p_pa` [Pa] of the same engine, with the period of this one.
    ///
    /// `None` where that channel does not swing.
    pub fn with_levels_of(self, p_pa: &[f32]) -> Option<Self> {
        let levels = Levels::of_samples(p_pa).filter(|l| l.swing_pa() >= LIVE_SWING_PA)?;
        Some(Self { levels, ..self })
    }

    /// Period in samples.
    pub fn period_samples(self) -> f64 {
        self.period_samples
    }

    /// Swing between the fifth and the ninety-fifth percentile [Pa].
    pub fn swing_pa(self) -> f64 {
        self.levels.swing_pa()
    }

    /// Whole cycles of an unbroken stretch of samples `p_pa` [Pa], in time order.
    ///
    /// None is left out: a missed dip shows as a cycle of twice the length.
    pub fn cycles(self, p_pa: &[f32]) -> Vec<WholeCycle> {
        between(&falls(p_pa, 0, self.levels, self.period_samples))
            .map(|c| WholeCycle {
                start: c.start,
                length: c.length,
            })
            .collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::falls::tests::dip_pa;

    /// `n` samples of dips every `period` samples between 30 and 90 kPa.
    fn dips(period: f64, n: usize) -> Vec<f32> {
        (0..n).map(|i| dip_pa(i, period) as f32).collect()
    }

    #[test]
    fn a_stretch_gives_pace_and_cycles() {
        let p = dips(96.0, 3_000);
        let pace = Pace::of(&p, 1e-3).unwrap();
        assert!((pace.period_samples() / 96.0 - 1.0).abs() < 0.01);
        let cycles = pace.cycles(&p);
        // Falls at 9.6 + 96 i, 32 of them before sample 3,000.
        assert_eq!(cycles.len(), 31);
        // A hundredth of a sample: the dips are straight lines, so crossings are exact to rounding.
        assert!(cycles.iter().all(|c| (c.length - 96.0).abs() < 0.01));
        assert_eq!(cycles[0].range().end, cycles[1].range().start);
    }

    /// Cycles found in a later part of the same samples are the same cycles.
    #[test]
    fn prop_a_sliding_stretch_finds_the_same_cycles() {
        let p = dips(96.0, 3_000);
        let pace = Pace::of(&p, 1e-3).unwrap();
        let all = pace.cycles(&p);
        for from in [100, 333, 1_000, 1_999] {
            for c in pace.cycles(&p[from..]) {
                let at = c.start + from as f64;
                assert!(all.iter().any(|a| (a.start - at).abs() < 1e-6), "{at}");
            }
        }
    }

    #[test]
    fn no_engine_no_pace() {
        assert_eq!(Pace::of(&[], 1e-3), None);
        assert_eq!(Pace::of(&[101_325.0; 3_000], 1e-3), None);
        assert_eq!(Pace::of(&[f32::NAN; 3_000], 1e-3), None);
        assert_eq!(Pace::of(&dips(96.0, 3_000), 0.0), None);
        let pace = Pace::of(&dips(96.0, 3_000), 1e-3).unwrap();
        assert_eq!(pace.with_levels_of(&[101_325.0; 3_000]), None);
        assert!(pace.cycles(&[]).is_empty());
        assert!(pace.cycles(&[50_000.0]).is_empty());
    }
}

//! Where the pressure falls through its middle level, the mark at which cycles are cut.

use crate::cycles::Levels;

/// Share of the swing that a trace must lie above the middle before, and fall below it after, a
/// crossing counts as an intake stroke.
///
/// A hose that rings at a harmonic of the cycle carries the refill through the middle several times;
/// its ring stays within a fifth of the swing.
const CLEAR_OF_MIDDLE: f64 = 0.25;

/// Moments, in samples, at which the smoothed pressure falls through the middle; `first` is the
/// place of the first sample of `p`.
pub(crate) fn falls(p: &[f32], first: usize, levels: Levels, period: f64) -> Vec<f64> {
    let mut search = Search::new(first, levels, period);
    let width = window(period);
    if p.iter().fold(true, |all, x| all & x.is_finite()) {
        search.run(p, width);
    } else {
        search.run_over_holes(p, width);
    }
    search.found
}

/// Width of the running mean, in samples: a hundredth of a cycle takes off the noise and leaves the flank alone.
fn window(period: f64) -> usize {
    ((period / 100.0) as usize).max(1)
}

/// Sums looked at together: what stays on one side of the middle is passed over whole, and most of
/// a cycle does.
const STRETCH: usize = 16;

/// A search for falls through the middle on sums over the window [Pa].
struct Search {
    middle: f64,
    high: f64,
    low: f64,
    /// Place of the first sum, in samples.
    first: f64,
    /// Least distance of two falls, in samples.
    apart: f64,
    before: f64,
    armed: bool,
    crossed: Option<f64>,
    found: Vec<f64>,
}

impl Search {
    /// A search that starts at sample `first`.
    fn new(first: usize, levels: Levels, period: f64) -> Self {
        let wide = window(period) as f64;
        let middle = 0.5 * (levels.low_pa + levels.high_pa);
        let clear = CLEAR_OF_MIDDLE * levels.swing_pa();
        // Levels and means are compared as sums over the window, without a division a sample.
        Self {
            middle: middle * wide,
            high: (middle + clear) * wide,
            low: (middle - clear) * wide,
            // The running mean lags by half its width.
            first: first as f64 - 0.5 * (wide - 1.0),
            apart: 0.5 * period,
            before: f64::NAN,
            armed: false,
            crossed: None,
            found: Vec::new(),
        }
    }

    #[inline(always)]
    fn step(&mut self, i: usize, sum: f64) {
        if sum > self.high {
            (self.armed, self.crossed) = (true, None);
        }
        if self.before >= self.middle && sum < self.middle {
            let behind = (sum - self.middle) / (sum - self.before);
            self.crossed = Some(self.first + i as f64 - behind);
        }
        if sum < self.low && self.armed {
            self.take();
        }
        self.before = sum;
    }

    /// [`Self::step`] for each of `sums`, the first of them sum `first`.
    #[inline(always)]
    fn stretch(&mut self, first: usize, sums: &[f64; STRETCH]) {
        let (mut lowest, mut highest) = (sums[0], sums[0]);
        for &sum in sums {
            lowest = if sum < lowest { sum } else { lowest };
            highest = if sum > highest { sum } else { highest };
        }
        if self.before >= self.middle && lowest >= self.middle {
            if highest > self.high {
                (self.armed, self.crossed) = (true, None);
            }
        } else if self.before < self.middle && highest < self.middle {
            if lowest < self.low && self.armed {
                self.take();
            }
        } else {
            for (i, &sum) in sums.iter().enumerate() {
                self.step(first + i, sum);
            }
        }
        self.before = sums[STRETCH - 1];
    }

    /// Takes the crossing once the trace is clear of the middle.
    fn take(&mut self) {
        let Some(at) = self.crossed else {
            return;
        };
        if self.found.last().is_none_or(|last| at - last > self.apart) {
            self.found.push(at);
        }
        self.armed = false;
    }

    /// The search on a trace without unreadable samples.
    fn run(&mut self, p: &[f32], width: usize) {
        let Some(&first) = p.first() else {
            return;
        };
        let first = f64::from(first);
        let mut sum = first * width as f64;
        for (i, &x) in p.iter().take(width).enumerate() {
            sum += f64::from(x) - first;
            self.step(i, sum);
        }
        let (stretches, rest) = p.get(width..).unwrap_or_default().as_chunks::<STRETCH>();
        let (old, _) = p.as_chunks::<STRETCH>();
        let mut sums = [0.0; STRETCH];
        for (i, (new, old)) in stretches.iter().zip(old).enumerate() {
            for (at, (&x, &old)) in sums.iter_mut().zip(new.iter().zip(old)) {
                sum += f64::from(x) - f64::from(old);
                *at = sum;
            }
            self.stretch(width + i * STRETCH, &sums);
        }
        let done = p.len() - rest.len();
        for (i, &x) in rest.iter().enumerate() {
            sum += f64::from(x) - f64::from(p[done - width + i]);
            self.step(done + i, sum);
        }
    }

    /// The search on a trace with unreadable samples, which hold the last value.
    fn run_over_holes(&mut self, p: &[f32], width: usize) {
        let (mut sum, mut held) = (0.0_f64, f64::NAN);
        let mut ring = vec![0.0_f64; width];
        let mut slot = 0;
        for (i, &x) in p.iter().enumerate() {
            let x = if x.is_finite() { f64::from(x) } else { held };
            if x.is_nan() {
                continue;
            }
            if held.is_nan() {
                ring.fill(x);
                sum = x * width as f64;
            }
            held = x;
            sum += x - ring[slot];
            ring[slot] = x;
            slot = if slot + 1 == width { 0 } else { slot + 1 };
            self.step(i, sum);
        }
    }
}

#[cfg(test)]
pub(crate) mod tests {
    use super::*;

    /// Sample `i` of sawtooth dips between 30 and 90 kPa, one every `period` samples [Pa].
    pub(crate) fn dip_pa(i: usize, period: f64) -> f64 {
        let at = (i as f64 / period).fract();
        if at < 0.2 {
            90e3 - 300e3 * at
        } else {
            30e3 + 75e3 * (at - 0.2)
        }
    }

    /// Dips with a fixed scramble of a tenth of the swing, so that the middle is crossed to and fro.
    fn noisy_dips(period: f64, n: usize) -> Vec<f32> {
        (0..n)
            .map(|i| (dip_pa(i, period) + (i * i * 7_919 % 6_007) as f64 - 3_000.0) as f32)
            .collect()
    }

    /// Whole stretches find what single samples find, whatever the window and the noise.
    #[test]
    fn stretches_pass_over_nothing() {
        let levels = Levels {
            low_pa: 32e3,
            high_pa: 88e3,
        };
        for (period, n) in [(93.7, 5_000), (41.3, 1_009), (1_250.0, 20_011), (420.0, 17)] {
            let p = noisy_dips(period, n);
            let mut singly = Search::new(0, levels, period);
            singly.run_over_holes(&p, window(period));
            assert_eq!(falls(&p, 0, levels, period), singly.found, "{period}");
            let whole = (n as f64 / period) as usize;
            assert!(
                singly.found.len() >= whole,
                "{period}: {}",
                singly.found.len()
            );
        }
    }
}

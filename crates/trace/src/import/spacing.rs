//! Spacing of sampled time stamps: how far apart the samples are and how coarse their stamps.

use super::rollover::Unroller;

/// Stamps beyond this are garbled [file unit]: nanoseconds since 1970 stay below 2e18.
pub(super) const LARGEST_STAMP: f64 = 1e19;

/// Median of the positive steps, 0 if there is none.
pub(super) fn median_step(stamps: &[f64]) -> f64 {
    let mut steps: Vec<f64> = stamps
        .windows(2)
        .map(|w| w[1] - w[0])
        .filter(|d| *d > 0.0)
        .collect();
    if steps.is_empty() {
        return 0.0;
    }
    let middle = steps.len() / 2;
    *steps.select_nth_unstable_by(middle, f64::total_cmp).1
}

/// Sampled stamps without missing ones, roll-overs added up.
pub(super) fn unwrapped(run: &[f64]) -> Vec<f64> {
    let raw: Vec<f64> = run
        .iter()
        .copied()
        .filter(|v| v.abs() <= LARGEST_STAMP)
        .collect();
    let mut unroller = Unroller::new(median_step(&raw));
    raw.iter().map(|&t| unroller.next(t)).collect()
}

/// Spacing of stamps, in the file's unit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Steps {
    /// Spacing of samples.
    pub(super) dt: f64,
    /// How far stamps of a steady sampler lie off an even clock.
    pub(super) coarse: f64,
    /// Resolution of the stamps where it is coarser than about a fifth of the spacing, else 0.
    pub(super) quantum: f64,
}

impl Steps {
    /// Finds the spacing; `None` if time does not advance.
    pub(super) fn find(stamps: &[f64]) -> Option<Self> {
        let median = median_step(stamps);
        if median <= 0.0 {
            return None;
        }
        let whole = line(stamps);
        if let Some(whole) = whole {
            // Steady throughout: one line through all stamps.
            if whole.coarse <= 0.3 * whole.dt {
                return Some(whole);
            }
            if let Some(quantum) = coarse_grid(stamps, median)
                && whole.coarse <= 0.6 * quantum
            {
                return Some(Self { quantum, ..whole });
            }
        }
        // Else the longest stretch without lost or repeated samples.
        if let Some(found) = longest_even_stretch(stamps, median) {
            return Some(Self {
                coarse: found.coarse.min(0.3 * found.dt),
                ..found
            });
        }
        // Shaky throughout, but without holes.
        if let Some(whole) = whole
            && whole.coarse <= 2.0 * median
        {
            return Some(Self {
                coarse: whole.coarse.min(0.5 * whole.dt),
                ..whole
            });
        }
        Some(Self {
            dt: median,
            coarse: 0.3 * median,
            quantum: 0.0,
        })
    }
}

/// Resolution of coarse stamps: the smallest step, if some steps differ from the usual one by it.
///
/// One or two odd steps are lost or repeated samples rather than a beat of clock and resolution.
fn coarse_grid(stamps: &[f64], median: f64) -> Option<f64> {
    const ODD_STEPS: usize = 3;
    let steps = || stamps.windows(2).map(|w| w[1] - w[0]);
    let odd = steps()
        .filter(|d| (d - median).abs() > 0.2 * median)
        .count();
    let quantum = steps().filter(|d| *d > 0.0).fold(f64::INFINITY, f64::min);
    // Stamps are printed in decimal digits: another smallest step is a spacing, not a resolution.
    let decimal = (quantum.log10() - quantum.log10().round()).abs() < 1e-3;
    (odd >= ODD_STEPS && quantum >= 0.2 * median && decimal).then_some(quantum)
}

/// Line through the longest stretch whose steps stay within half of the usual one.
fn longest_even_stretch(stamps: &[f64], median: f64) -> Option<Steps> {
    const ENOUGH: usize = 32;
    let mut longest = 0..0;
    let mut from = 0;
    for i in 1..=stamps.len() {
        let ends = i == stamps.len() || (stamps[i] - stamps[i - 1] - median).abs() > 0.5 * median;
        if ends {
            if i - from > longest.len() {
                longest = from..i;
            }
            from = i;
        }
    }
    if longest.len() < ENOUGH.min(stamps.len() / 4).max(2) {
        return None;
    }
    line(&stamps[longest])
}

/// Least-squares line through a stretch; `None` for fewer than two stamps or no advance.
fn line(stamps: &[f64]) -> Option<Steps> {
    let n = stamps.len() as f64;
    if stamps.len() < 2 {
        return None;
    }
    let rough = (stamps[stamps.len() - 1] - stamps[0]) / (n - 1.0);
    if rough <= 0.0 {
        return None;
    }
    let mut pool = Pool::default();
    for (i, t) in stamps.iter().enumerate() {
        pool.add(t - stamps[0] - rough * i as f64);
    }
    let (slope, mean) = pool.slope_and_mean();
    let centre = (n - 1.0) / 2.0;
    let off = |i: usize, t: f64| {
        (t - stamps[0] - rough * i as f64 - mean - slope * (i as f64 - centre)).abs()
    };
    let coarse = stamps
        .iter()
        .enumerate()
        .map(|(i, &t)| off(i, t))
        .fold(0.0, f64::max);
    let dt = rough + slope;
    (dt > 0.0).then_some(Steps {
        dt,
        coarse,
        quantum: 0.0,
    })
}

/// Running sums of deviations against sample number.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Pool {
    pub(super) n: f64,
    pub(super) sum: f64,
    moment: f64,
    /// Sum of sample numbers that carry a stamp, and of their squares.
    pub(super) x: f64,
    xx: f64,
    /// Number of the next sample.
    pub(super) at: f64,
}

impl Pool {
    #[inline(always)]
    pub(super) fn add(&mut self, deviation: f64) {
        self.n += 1.0;
        self.sum += deviation;
        self.moment += deviation * self.at;
        self.x += self.at;
        self.xx += self.at * self.at;
        self.at += 1.0;
    }

    /// Centred sums (Sxy, Sxx).
    pub(super) fn centred(&self) -> (f64, f64) {
        if self.n < 2.0 {
            return (0.0, 0.0);
        }
        (
            self.moment - self.x * self.sum / self.n,
            self.xx - self.x * self.x / self.n,
        )
    }

    fn slope_and_mean(&self) -> (f64, f64) {
        let (sxy, sxx) = self.centred();
        (
            if sxx > 0.0 { sxy / sxx } else { 0.0 },
            self.sum / self.n.max(1.0),
        )
    }
}

/// Deviations of consecutive samples on their way into a [`Pool`]; what hangs on their number alone is added at the
/// end of the run.
#[derive(Debug, Clone, Copy)]
pub(super) struct Run {
    first: f64,
    at: f64,
    sum: f64,
    moment: f64,
}

impl Run {
    /// A run from the next sample on.
    pub(super) fn from(pool: Pool) -> Self {
        Self {
            first: pool.at,
            at: pool.at,
            sum: pool.sum,
            moment: pool.moment,
        }
    }

    /// Adds a deviation, given by the number of its sample.
    #[inline(always)]
    pub(super) fn add(&mut self, deviation: impl Fn(f64) -> f64) {
        let deviation = deviation(self.at);
        self.sum += deviation;
        self.moment += deviation * self.at;
        self.at += 1.0;
    }

    /// Puts the run down.
    pub(super) fn end(self, pool: &mut Pool) {
        let n = self.at - self.first;
        // Sums of the numbers from 0 to n - 1 and of their squares.
        let (sum, squares) = (n * (n - 1.0) / 2.0, n * (n - 1.0) * (2.0 * n - 1.0) / 6.0);
        (pool.sum, pool.moment, pool.at) = (self.sum, self.moment, self.at);
        pool.n += n;
        pool.x += n * self.first + sum;
        pool.xx += n * self.first * self.first + 2.0 * self.first * sum + squares;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_run_is_what_one_after_the_other_gives() {
        let deviation = |at: f64| (at * 0.7).sin();
        let (mut one, mut other) = (Pool::default(), Pool::default());
        for runs in [3_u32, 1, 0, 1000] {
            let mut run = Run::from(other);
            for _ in 0..runs {
                one.add(deviation(one.at));
                run.add(deviation);
            }
            run.end(&mut other);
            // A lost sample between the runs.
            (one.at, other.at) = (one.at + 1.0, other.at + 1.0);
        }
        assert_eq!(
            (one.n, one.x, one.xx, one.at),
            (other.n, other.x, other.xx, other.at)
        );
        assert_eq!((one.sum, one.moment), (other.sum, other.moment));
    }
}

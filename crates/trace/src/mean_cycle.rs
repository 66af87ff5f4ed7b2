//! Averages in step with the crank.

use crate::cycles::Cycle;
use crate::refill_clock::Scale;

/// Bins of the averaged cycle; 4 degrees each.
pub(crate) const BINS: usize = 180;

/// One channel averaged over the cycles of a reference channel.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Average {
    /// Mean phase of each bin, fraction of the cycle after the reference's fall.
    pub(crate) phase: Vec<f64>,
    /// Mean pressure ratio of each bin; `NaN` if the bin is empty.
    pub(crate) ratio: Vec<f64>,
    /// Standard deviation over the cycles of each bin, as a ratio.
    pub(crate) band: Vec<f64>,
    /// Samples in each bin.
    pub(crate) count: Vec<u32>,
}

impl Average {
    /// Mean ratio over all samples that went in [-]; `NaN` without any.
    pub(crate) fn mean_ratio(&self) -> f64 {
        let (mut n, mut sum) = (0.0, 0.0);
        for (&count, &ratio) in self.count.iter().zip(&self.ratio) {
            if count > 0 {
                n += f64::from(count);
                sum += f64::from(count) * ratio;
            }
        }
        sum / n
    }
}

/// What one bin gathers, side by side in memory.
#[derive(Debug, Clone, Copy, Default)]
struct Bin {
    phase: f64,
    ratio: f64,
    square: f64,
    count: u32,
}

/// Sums of one channel on their way to an [`Average`].
struct Sums {
    bins: [Bin; BINS],
}

impl Sums {
    fn new() -> Self {
        Self {
            bins: [Bin::default(); BINS],
        }
    }

    /// Adds the samples of one cycle.
    fn add(&mut self, p: &[f32], cycle: Cycle, scale: Scale) {
        let range = cycle.range(0.0, 1.0);
        let first = range.start;
        let step = 1.0 / cycle.length;
        let Some(samples) = p.get(first..range.end.min(p.len())) else {
            return;
        };
        let start = first as f64 - cycle.start;
        for (i, &x) in samples.iter().enumerate() {
            let r = scale.ratio(x);
            if r.is_nan() {
                continue;
            }
            let at = (start + i as f64) * step;
            let bin = ((at * BINS as f64) as usize).min(BINS - 1);
            let bin = &mut self.bins[bin];
            bin.phase += at;
            bin.ratio += r;
            bin.square += r * r;
            bin.count += 1;
        }
    }
}

/// Averages the channels over the given cycles of one of them, cycle by cycle so that each cycle's
/// samples are still at hand.
pub(crate) fn averages(channels: &[(&[f32], Scale)], cycles: &[Cycle]) -> Vec<Average> {
    let mut sums: Vec<Sums> = channels.iter().map(|_| Sums::new()).collect();
    for &cycle in cycles {
        for (sum, (p, scale)) in sums.iter_mut().zip(channels) {
            sum.add(p, cycle, *scale);
        }
    }
    sums.iter().map(finished).collect()
}

fn finished(sums: &Sums) -> Average {
    let row = |of: fn(&Bin) -> f64| sums.bins.iter().map(of).collect::<Vec<f64>>();
    let (mut phase, mut sum) = (row(|b| b.phase), row(|b| b.ratio));
    let square = row(|b| b.square);
    let count: Vec<u32> = sums.bins.iter().map(|b| b.count).collect();
    let mut band = vec![0.0; BINS];
    for bin in 0..BINS {
        let n = f64::from(count[bin]);
        if count[bin] == 0 {
            phase[bin] = (bin as f64 + 0.5) / BINS as f64;
            sum[bin] = f64::NAN;
            band[bin] = f64::NAN;
        } else {
            phase[bin] /= n;
            sum[bin] /= n;
            band[bin] = (square[bin] / n - sum[bin] * sum[bin]).max(0.0).sqrt();
        }
    }
    fill_empty(&phase, &mut sum);
    fill_empty(&phase, &mut band);
    Average {
        phase,
        ratio: sum,
        band,
        count,
    }
}

/// Fills empty bins between their neighbours, round the cycle; coarse sampling in step with the
/// engine leaves some.
fn fill_empty(phase: &[f64], values: &mut [f64]) {
    let known: Vec<usize> = (0..values.len())
        .filter(|&i| values[i].is_finite())
        .collect();
    let (Some(&first), Some(&last)) = (known.first(), known.last()) else {
        return;
    };
    for i in 0..values.len() {
        if values[i].is_finite() {
            continue;
        }
        let after = known.iter().copied().find(|&k| k > i).unwrap_or(first);
        let before = known.iter().rev().copied().find(|&k| k < i).unwrap_or(last);
        let wrap = |x: f64| x.rem_euclid(1.0);
        let gap = wrap(phase[after] - phase[before]);
        let share = if gap > 0.0 {
            wrap(phase[i] - phase[before]) / gap
        } else {
            0.5
        };
        values[i] = values[before] + share * (values[after] - values[before]);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const SCALE: Scale = Scale {
        zero_pa: 500.0,
        p0_pa: 100_000.0,
        dt_s: 1e-3,
    };

    /// Ten cycles of 45.5 samples of a line in phase; every fourth bin is never met by one cycle.
    fn line() -> (Vec<f32>, Vec<Cycle>) {
        let cycles: Vec<Cycle> = (0..10)
            .map(|i| Cycle {
                start: 3.2 + 45.5 * f64::from(i),
                length: 45.5,
            })
            .collect();
        let p = (0..500)
            .map(|i| {
                let at = ((f64::from(i) - 3.2) / 45.5).rem_euclid(1.0);
                (500.0 + 100_000.0 * (0.3 + 0.5 * at)) as f32
            })
            .collect();
        (p, cycles)
    }

    #[test]
    fn an_average_of_a_line_is_the_line() {
        let (p, cycles) = line();
        let [a] = averages(&[(&p, SCALE)], &cycles).try_into().unwrap();
        for b in 0..BINS {
            if a.count[b] > 0 {
                assert!((a.ratio[b] - (0.3 + 0.5 * a.phase[b])).abs() < 1e-6, "{b}");
                assert!(a.band[b] < 0.004, "{b}: {}", a.band[b]);
            } else {
                // Filled between neighbours; across the jump anything between is right.
                assert!((0.3..=0.8).contains(&a.ratio[b]), "{b}");
            }
        }
        assert!((a.mean_ratio() - 0.55).abs() < 0.01);
        assert_eq!(a.count.iter().sum::<u32>(), 455);
    }

    #[test]
    fn unreadable_and_missing_samples_are_left_out() {
        let (mut p, cycles) = line();
        p[100] = f32::NAN;
        p.truncate(460);
        let [a] = averages(&[(&p, SCALE)], &cycles).try_into().unwrap();
        assert!(a.ratio.iter().all(|r| r.is_finite()));
        let [none] = averages(&[(&[][..], SCALE)], &cycles).try_into().unwrap();
        assert!(none.mean_ratio().is_nan());
    }
}

//! Averages in step with the crank.

use crate::cycles::Cycle;
use crate::refill_clock::{R_LIMIT, Scale, Window};

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
    /// Bins of the refill: inside `window`, readable and below [`R_LIMIT`].
    pub(crate) fn refill_bins(&self, window: Window) -> impl Iterator<Item = usize> {
        (0..self.ratio.len()).filter(move |&b| {
            (window.from..=window.to).contains(&self.phase[b]) && self.ratio[b] < R_LIMIT
        })
    }

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

/// What one bin gathers of one channel, side by side in memory.
#[derive(Debug, Clone, Copy, Default)]
struct Bin {
    ratio: f64,
    square: f64,
}

/// Where the samples of one bin lay.
#[derive(Debug, Clone, Copy, Default)]
struct Place {
    phase: f64,
    count: f64,
}

/// Sums of one channel on their way to an [`Average`]; its places are those of [`Sums::shared`]
/// and its own, from cycles in which a channel has unreadable samples.
struct Lane {
    bins: [Bin; BINS],
    places: [Place; BINS],
}

/// Sums of all channels.
struct Sums {
    /// Places of the samples of cycles that are whole on every channel.
    shared: [Place; BINS],
    lanes: Vec<Lane>,
}

impl Lane {
    fn add(&mut self, samples: &[f32], start: f64, per_length: f64, scale: Scale) {
        for (i, &x) in samples.iter().enumerate() {
            let r = scale.ratio(x);
            if r.is_nan() {
                continue;
            }
            let (at, bin) = place(start + i as f64, per_length);
            self.places[bin].phase += at;
            self.places[bin].count += 1.0;
            self.bins[bin].ratio += r;
            self.bins[bin].square += r * r;
        }
    }
}

/// Phase and bin of a sample so far behind the start of its cycle.
#[inline(always)]
fn place(behind: f64, per_length: f64) -> (f64, usize) {
    let at = behind * per_length;
    // Through `i32`: one instruction where `usize` takes several.
    let bin = (at * BINS as f64) as i32;
    (at, (bin.max(0) as usize).min(BINS - 1))
}

impl Sums {
    fn new(channels: usize) -> Self {
        let lane = || Lane {
            bins: [Bin::default(); BINS],
            places: [Place::default(); BINS],
        };
        Self {
            shared: [Place::default(); BINS],
            lanes: (0..channels).map(|_| lane()).collect(),
        }
    }

    /// Adds the samples of one cycle.
    fn add(&mut self, channels: &[(&[f32], Scale)], cycle: Cycle) {
        let range = cycle.range(0.0, 1.0);
        let start = range.start as f64 - cycle.start;
        let per_length = 1.0 / cycle.length;
        let whole = |p: &[f32]| {
            p.get(range.clone())
                .is_some_and(|p| !p.iter().fold(false, |any, x| any | x.is_nan()))
        };
        if !channels.iter().all(|(p, _)| whole(p)) {
            for (lane, (p, scale)) in self.lanes.iter_mut().zip(channels) {
                if let Some(samples) = p.get(range.start..range.end.min(p.len())) {
                    lane.add(samples, start, per_length, *scale);
                }
            }
            return;
        }
        let mut counted = false;
        for (lane, (p, scale)) in self.lanes.iter_mut().zip(channels) {
            let per_p0 = 1.0 / scale.p0_pa;
            let mut behind = start;
            for &x in &p[range.clone()] {
                let (at, bin) = place(behind, per_length);
                let r = (f64::from(x) - scale.zero_pa) * per_p0;
                lane.bins[bin].ratio += r;
                lane.bins[bin].square += r * r;
                if !counted {
                    self.shared[bin].phase += at;
                    self.shared[bin].count += 1.0;
                }
                behind += 1.0;
            }
            counted = true;
        }
    }
}

/// Averages the channels over the given cycles of one of them, cycle by cycle so that each cycle's
/// samples are still at hand.
pub(crate) fn averages(channels: &[(&[f32], Scale)], cycles: &[Cycle]) -> Vec<Average> {
    let mut sums = Sums::new(channels.len());
    for &cycle in cycles {
        sums.add(channels, cycle);
    }
    let Sums { shared, lanes } = &sums;
    lanes.iter().map(|lane| finished(shared, lane)).collect()
}

/// Cycles that an average of the other bodies is taken over, at most: it only tells what air came
/// through a passage, for which a mean of two thousand is as good as one of all.
const CYCLES_OF_OTHERS: usize = 2_000;

/// At most [`CYCLES_OF_OTHERS`] cycles, spread evenly.
pub(crate) fn thinned(cycles: &[Cycle]) -> Vec<Cycle> {
    let step = cycles.len().div_ceil(CYCLES_OF_OTHERS).max(1);
    cycles.iter().copied().step_by(step).collect()
}

fn finished(shared: &[Place; BINS], lane: &Lane) -> Average {
    let places = || shared.iter().zip(&lane.places);
    let mut phase: Vec<f64> = places().map(|(a, b)| a.phase + b.phase).collect();
    let count: Vec<u32> = places().map(|(a, b)| (a.count + b.count) as u32).collect();
    let mut sum: Vec<f64> = lane.bins.iter().map(|b| b.ratio).collect();
    let square: Vec<f64> = lane.bins.iter().map(|b| b.square).collect();
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
    fn the_cycles_of_others_are_few_and_spread_over_all() {
        let cycles = |n: u32| -> Vec<Cycle> {
            (0..n)
                .map(|i| Cycle {
                    start: f64::from(i) * 45.5,
                    length: 45.5,
                })
                .collect()
        };
        assert_eq!(thinned(&cycles(2_000)), cycles(2_000));
        let few = thinned(&cycles(36_001));
        assert!(
            (1_800..=CYCLES_OF_OTHERS).contains(&few.len()),
            "{}",
            few.len()
        );
        assert!(few.last().is_some_and(|c| c.start > 45.5 * 35_900.0));
        assert!(thinned(&[]).is_empty());
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

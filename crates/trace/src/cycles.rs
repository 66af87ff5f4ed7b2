//! Cycles and engine speed from the pressure alone.
//!
//! Each cylinder pulls its runner down once per 720 degrees. The period comes from the
//! autocorrelation of one channel; each cycle is then cut where the pressure falls through its
//! middle level, the steepest and so the sharpest moment of the trace.

use crate::falls::falls;
use crate::recording::{Channel, Recording};

/// Slowest and fastest engine speed searched [1/min].
pub(crate) const RPM_RANGE: (f64, f64) = (250.0, 16_000.0);

/// Least swing of a live channel [Pa]; an engine at wide open throttle still swings 5 kPa.
pub(crate) const LIVE_SWING_PA: f64 = 1_500.0;

/// Samples looked at for the period; a few tens of cycles decide it.
const PERIOD_SAMPLES: usize = 8_192;

/// Pressure levels of a channel [Pa], from a thinned sample.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Levels {
    /// Fifth percentile.
    pub(crate) low_pa: f64,
    /// Ninety-fifth percentile.
    pub(crate) high_pa: f64,
}

impl Levels {
    /// Levels of a channel; `None` if fewer than 16 samples are readable.
    pub(crate) fn of(channel: &Channel) -> Option<Self> {
        Self::of_samples(&channel.p_pa)
    }

    /// Levels of bare samples [Pa]; `None` as for [`Self::of`].
    pub(crate) fn of_samples(p_pa: &[f32]) -> Option<Self> {
        let stride = (p_pa.len() / 40_000).max(1);
        let mut p: Vec<f32> = p_pa
            .iter()
            .step_by(stride)
            .copied()
            .filter(|p| p.is_finite())
            .collect();
        if p.len() < 16 {
            return None;
        }
        let (i, j) = (p.len() / 20, p.len() - 1 - p.len() / 20);
        let low = *p.select_nth_unstable_by(i, f32::total_cmp).1;
        let high = *p.select_nth_unstable_by(j, f32::total_cmp).1;
        Some(Self {
            low_pa: f64::from(low),
            high_pa: f64::from(high),
        })
    }

    /// Swing between the levels [Pa].
    pub(crate) fn swing_pa(self) -> f64 {
        self.high_pa - self.low_pa
    }
}

/// Period of the cycle in samples, from the autocorrelation of one channel.
///
/// The shortest lag whose correlation reaches 0.9 of the largest is taken: a cross-flow dip at
/// the firing interval correlates less than the whole cycle, two cycles no better than one.
/// `None` if nothing repeats.
pub(crate) fn period_samples(rec: &Recording, channel: &Channel) -> Option<f64> {
    let seg = rec.segments.iter().max_by_key(|s| s.len)?;
    period_of_samples(&channel.p_pa[seg.first..seg.first + seg.len], rec.dt_s)
}

/// [`period_samples`] of one unbroken stretch of samples, `dt_s` [s] apart.
pub(crate) fn period_of_samples(p_pa: &[f32], dt_s: f64) -> Option<f64> {
    // About 1 ms apart is enough for the search and keeps it cheap at any rate; never fewer
    // than eight points in the fastest cycle searched.
    let step = ((0.001 / dt_s) as usize).max(1);
    let p = thinned(p_pa, step);
    let dt = dt_s * step as f64;
    let shortest = ((120.0 / RPM_RANGE.1 / dt) as usize).max(3);
    let longest = ((120.0 / RPM_RANGE.0 / dt) as usize).min(p.len() / 2);
    if longest < shortest + 2 {
        return None;
    }
    let mean = p.iter().sum::<f64>() / p.len() as f64;
    let d: Vec<f64> = p.iter().map(|x| x - mean).collect();
    let energy = d.iter().map(|x| x * x).sum::<f64>() / d.len() as f64;
    let corr: Vec<f64> = (0..=longest)
        .map(|lag| {
            let n = d.len() - lag;
            product(&d[..n], &d[lag..]) / n as f64 / energy
        })
        .collect();
    let peaks = (shortest..longest).filter(|&l| corr[l] >= corr[l - 1] && corr[l] >= corr[l + 1]);
    // The first maximum of a single-dip cycle lies at one period; the correlation before it has
    // fallen below zero at least once, which keeps slow drifts out.
    let best = peaks.clone().map(|l| corr[l]).fold(0.0, f64::max);
    if best < 0.4 {
        return None;
    }
    let lag = peaks.into_iter().find(|&l| corr[l] >= 0.9 * best)?;
    let (a, b, c) = (corr[lag - 1], corr[lag], corr[lag + 1]);
    let bend = a - 2.0 * b + c;
    let shift = if bend < 0.0 {
        0.5 * (a - c) / bend
    } else {
        0.0
    };
    Some((lag as f64 + shift) * step as f64)
}

/// Sum of products, in eight sums side by side: one alone waits for each addition.
fn product(a: &[f64], b: &[f64]) -> f64 {
    let mut sums = [0.0; 8];
    let (a8, a_rest) = a.as_chunks::<8>();
    let (b8, b_rest) = b.as_chunks::<8>();
    for (a, b) in a8.iter().zip(b8) {
        for (sum, (a, b)) in sums.iter_mut().zip(a.iter().zip(b)) {
            *sum += a * b;
        }
    }
    let rest: f64 = a_rest.iter().zip(b_rest).map(|(a, b)| a * b).sum();
    sums.iter().sum::<f64>() + rest
}

/// Block means of `step` samples, at most [`PERIOD_SAMPLES`] of them; gaps repeat the last value.
fn thinned(p: &[f32], step: usize) -> Vec<f64> {
    let mut last = f64::from(p.iter().copied().find(|x| x.is_finite()).unwrap_or(0.0));
    p.chunks_exact(step)
        .take(PERIOD_SAMPLES)
        .map(|block| {
            let (n, sum) = block
                .iter()
                .filter(|x| x.is_finite())
                .fold((0, 0.0), |(n, s), x| (n + 1, s + f64::from(*x)));
            if n > 0 {
                last = sum / f64::from(n);
            }
            last
        })
        .collect()
}

/// One whole cycle of one cylinder: from one fall through the middle level to the next.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Cycle {
    /// Start, in samples from the beginning of the recording, fractional.
    pub(crate) start: f64,
    /// Length in samples, fractional.
    pub(crate) length: f64,
}

impl Cycle {
    /// Sample range `[first, last)` between two phases of the cycle, 0..=1 each.
    pub(crate) fn range(self, from: f64, to: f64) -> std::ops::Range<usize> {
        let first = (self.start + from * self.length).ceil().max(0.0) as usize;
        let last = (self.start + to * self.length).ceil().max(0.0) as usize;
        first..last
    }
}

/// Whole cycles of one channel, in time order, none across a gap.
///
/// `period`: expected length in samples. Cycles more than 25 % off the median length are left out
/// (a missed dip, an engine that stumbled).
pub(crate) fn whole_cycles(
    rec: &Recording,
    channel: &Channel,
    levels: Levels,
    period: f64,
) -> Vec<Cycle> {
    let mut cycles = Vec::new();
    for seg in &rec.segments {
        let p = &channel.p_pa[seg.first..seg.first + seg.len];
        cycles.extend(between(&falls(p, seg.first, levels, period)));
    }
    alike(cycles)
}

/// One cycle from each fall to the next.
pub(crate) fn between(falls: &[f64]) -> impl Iterator<Item = Cycle> {
    falls.windows(2).map(|w| Cycle {
        start: w[0],
        length: w[1] - w[0],
    })
}

/// Leaves out the cycles more than 25 % off the median length.
fn alike(mut cycles: Vec<Cycle>) -> Vec<Cycle> {
    let mut lengths: Vec<f64> = cycles.iter().map(|c| c.length).collect();
    if lengths.is_empty() {
        return cycles;
    }
    let mid = lengths.len() / 2;
    let median = *lengths.select_nth_unstable_by(mid, f64::total_cmp).1;
    cycles.retain(|c| (c.length / median - 1.0).abs() < 0.25);
    cycles
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::falls::tests::dip_pa;
    use crate::recording::Segment;

    /// Sawtooth dips of `period` samples between 30 and 90 kPa, `n` samples, dip at 0.3 of it.
    fn recording(period: f64, n: usize, change: impl Fn(usize, f32) -> f32) -> Recording {
        let p_pa = (0..n)
            .map(|i| change(i, dip_pa(i, period) as f32))
            .collect();
        Recording {
            name: "made".to_owned(),
            dt_s: 1e-3,
            segments: vec![Segment {
                first: 0,
                len: n,
                t0_s: 0.0,
            }],
            channels: vec![Channel {
                body: "left".to_owned(),
                p_pa,
                step_pa: 1.0,
                clipped: 0,
            }],
            assumed: vec![],
            notices: vec![],
        }
    }

    fn cycles_of(rec: &Recording) -> Vec<Cycle> {
        let channel = &rec.channels[0];
        let levels = Levels::of(channel).unwrap();
        let period = period_samples(rec, channel).unwrap();
        whole_cycles(rec, channel, levels, period)
    }

    #[test]
    fn evenly_turning_cycles_are_found_to_the_sample() {
        let rec = recording(93.7, 5_000, |_, p| p);
        let period = period_samples(&rec, &rec.channels[0]).unwrap();
        assert!((period / 93.7 - 1.0).abs() < 0.01, "{period}");
        let cycles = cycles_of(&rec);
        // 5,000 samples hold 54 falls, the last at 53.1 cycles; a cycle lies between two.
        assert_eq!(cycles.len(), 53);
        for c in cycles {
            assert!((c.length - 93.7).abs() < 0.02, "{c:?}");
        }
    }

    /// Ringing of 15 % of the swing at seven times the cycle through the refill: no more cycles.
    #[test]
    fn ringing_makes_no_cycles() {
        let ring = |i: usize, p: f32| {
            p + (9e3 * (std::f64::consts::TAU * 7.0 * i as f64 / 93.7).sin()) as f32
        };
        let cycles = cycles_of(&recording(93.7, 5_000, ring));
        assert_eq!(cycles.len(), 53);
    }

    #[test]
    fn a_missed_dip_costs_its_cycles_only() {
        let filled = |i: usize, p: f32| {
            if (1_000..1_090).contains(&i) {
                p.max(75e3)
            } else {
                p
            }
        };
        let cycles = cycles_of(&recording(93.7, 5_000, filled));
        assert!((51..53).contains(&cycles.len()), "{}", cycles.len());
        assert!(cycles.iter().all(|c| (c.length / 93.7 - 1.0).abs() < 0.25));
    }

    #[test]
    fn no_cycle_spans_a_gap() {
        let mut rec = recording(93.7, 5_000, |_, p| p);
        rec.segments = vec![
            Segment {
                first: 0,
                len: 2_470,
                t0_s: 0.0,
            },
            Segment {
                first: 2_470,
                len: 2_530,
                t0_s: 9.0,
            },
        ];
        let cycles = cycles_of(&rec);
        assert!(
            cycles
                .iter()
                .all(|c| c.start + c.length < 2_470.0 || c.start >= 2_470.0)
        );
        assert_eq!(cycles.len(), 52);
    }

    #[test]
    fn unreadable_samples_hold_the_last_value() {
        let rec = recording(93.7, 5_000, |i, p| if i % 50 == 7 { f32::NAN } else { p });
        assert_eq!(cycles_of(&rec).len(), 53);
    }

    #[test]
    fn noise_alone_has_no_period() {
        // A fixed scramble stands for noise.
        let noise = |i: usize, _: f32| ((i as u64 * 2_654_435_761 % 4_096) as f32) * 10.0 + 40e3;
        let rec = recording(93.7, 5_000, |i, p| noise(i * i % 4_999, p));
        assert_eq!(period_samples(&rec, &rec.channels[0]), None);
    }

    #[test]
    fn a_range_covers_each_sample_once() {
        let (a, b) = (
            Cycle {
                start: 10.3,
                length: 93.7,
            },
            Cycle {
                start: 104.0,
                length: 93.7,
            },
        );
        assert_eq!(a.range(0.0, 1.0).end, b.range(0.0, 1.0).start);
        assert_eq!(a.range(0.0, 0.5).end, a.range(0.5, 1.0).start);
    }
}

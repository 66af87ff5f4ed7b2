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

/// Averages `p` over the given cycles.
pub(crate) fn average(p: &[f32], cycles: &[Cycle], scale: Scale) -> Average {
    let mut phase = vec![0.0; BINS];
    let mut sum = vec![0.0; BINS];
    let mut square = vec![0.0; BINS];
    let mut count = vec![0_u32; BINS];
    for cycle in cycles {
        let range = cycle.range(0.0, 1.0);
        let step = 1.0 / cycle.length;
        for i in range {
            let Some(&x) = p.get(i) else { break };
            let r = scale.ratio(x);
            if r.is_nan() {
                continue;
            }
            let at = (i as f64 - cycle.start) * step;
            let bin = ((at * BINS as f64) as usize).min(BINS - 1);
            phase[bin] += at;
            sum[bin] += r;
            square[bin] += r * r;
            count[bin] += 1;
        }
    }
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

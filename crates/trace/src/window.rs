//! Which part of the cycle is refill.
//!
//! The inlet timing of the profile gives a first window; the averaged cycle then shortens it
//! where its local slope is not yet, or no longer, that of the refill (ringing after the valve
//! shut, gas pushed back before the next intake).

use evenpull_airflow::refill;

use crate::mean_cycle::{Average, BINS};
use crate::refill_clock::{R_LIMIT, Window};

/// Crank angle after the intake stroke's start at which the pressure falls through its middle [deg].
///
/// From the filling model of several engines at idle and hold: 45 to 75 degrees. Hose lag moves
/// the whole trace alike, the fall included, so it does not enter.
pub(crate) const FALL_AT_DEG: f64 = 60.0;

/// Wait after the inlet valve's closing for the gas to settle [deg].
const SETTLE_DEG: f64 = 58.0;

/// Distance kept from the next inlet opening [deg].
const CLEAR_DEG: f64 = 18.0;

/// Local slopes further than this from the median end the window.
const SLOPE_TOLERANCE: f64 = 0.15;

/// Bins over which a local slope is taken; 20 degrees.
const SLOPE_BINS: usize = 5;

/// Window from the valve timing alone.
pub(crate) fn from_timing(opens_btdc_deg: f64, closes_abdc_deg: f64) -> Window {
    Window {
        from: (180.0 + closes_abdc_deg + SETTLE_DEG - FALL_AT_DEG) / 720.0,
        to: (720.0 - opens_btdc_deg - CLEAR_DEG - FALL_AT_DEG) / 720.0,
    }
}

/// Shortens `window` at both ends to where the averaged refill is straight.
///
/// At most a third is taken off each end; what is still bent then shows in the misfit.
pub(crate) fn straight_part(window: Window, average: &Average) -> Window {
    let bin = |at: f64| ((at * BINS as f64) as usize).min(BINS - 1);
    let (first, last) = (bin(window.from), bin(window.to));
    if last < first + 3 * SLOPE_BINS {
        return window;
    }
    let slope = |b: usize| {
        let e = b + SLOPE_BINS;
        (refill(average.ratio[e]) - refill(average.ratio[b]))
            / (average.phase[e] - average.phase[b])
    };
    let starts: Vec<usize> = (first..=last - SLOPE_BINS).collect();
    let third = starts.len() / 3;
    let mut middle: Vec<f64> = starts[third..starts.len() - third]
        .iter()
        .filter(|&&b| average.ratio[b + SLOPE_BINS] < R_LIMIT + 0.05)
        .map(|&b| slope(b))
        .filter(|s| s.is_finite())
        .collect();
    if middle.len() < 3 {
        return window;
    }
    let at = middle.len() / 2;
    let median = *middle.select_nth_unstable_by(at, f64::total_cmp).1;
    let straight = |b: &&usize| (slope(**b) / median - 1.0).abs() <= SLOPE_TOLERANCE;
    let from = starts
        .iter()
        .take(third)
        .find(straight)
        .map_or(third, |b| b - first);
    let to = starts
        .iter()
        .rev()
        .take(third)
        .find(straight)
        .map_or(third, |b| starts[starts.len() - 1] - b);
    Window {
        from: window.from + from as f64 / BINS as f64,
        to: window.to - to as f64 / BINS as f64,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Averaged cycle whose refill is `F = 0.3 + 1.2 phase`, bent by `bend` (phase) in F.
    fn bent(bend: impl Fn(f64) -> f64) -> Average {
        let phase: Vec<f64> = (0..BINS).map(|b| (b as f64 + 0.5) / BINS as f64).collect();
        Average {
            ratio: phase
                .iter()
                .map(|&at| evenpull_airflow::refill_inverse(0.3 + 1.2 * at + bend(at)))
                .collect(),
            band: vec![0.001; BINS],
            count: vec![50; BINS],
            phase,
        }
    }

    #[test]
    fn the_window_lies_between_closing_and_next_opening() {
        let w = from_timing(12.0, 52.0);
        let deg = |share: f64| share * 720.0 + FALL_AT_DEG;
        assert!((deg(w.from) - (180.0 + 52.0 + SETTLE_DEG)).abs() < 1e-9);
        assert!((deg(w.to) - (720.0 - 12.0 - CLEAR_DEG)).abs() < 1e-9);
        let later = from_timing(30.0, 70.0);
        assert!(later.from > w.from && later.to < w.to);
    }

    #[test]
    fn a_straight_refill_keeps_its_window() {
        let w = from_timing(12.0, 52.0);
        assert_eq!(straight_part(w, &bent(|_| 0.0)), w);
    }

    #[test]
    fn bent_ends_are_taken_off() {
        let w = from_timing(12.0, 52.0);
        // Gas pushed back before the next intake: steeper from 0.75 on.
        let cut = straight_part(w, &bent(|at| 1.5 * (at - 0.75).max(0.0)));
        assert_eq!(cut.from, w.from);
        assert!(cut.to < 0.79 && cut.to > 0.7, "{cut:?}");
        // Still settling until 0.4.
        let cut = straight_part(w, &bent(|at| -1.5 * (0.4 - at).max(0.0)));
        assert_eq!(cut.to, w.to);
        assert!(cut.from > 0.36 && cut.from < 0.45, "{cut:?}");
    }
}

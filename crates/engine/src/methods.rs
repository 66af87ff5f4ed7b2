//! One step of either method, over as many slots as the caller has.
//!
//! Both are inlined into their callers: over arrays, whose lengths are known, the loops become straight code.

use std::ops::Range;

use crate::stabilised::Stage;

/// Slots of a state that are integrated.
#[derive(Clone)]
pub(crate) struct Slots {
    /// Those on which slopes depend.
    pub(crate) driving: Range<usize>,
    /// All of them.
    pub(crate) all: Range<usize>,
}

/// Place of a stage in a step of the classical method.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Place {
    Middle,
    End,
}

/// Later stages of the classical method: how far into the step the one before is followed [-], where the slope is
/// taken, and its weight.
const LATER: [(f64, Place, f64); 3] = [
    (0.5, Place::Middle, 2.0),
    (0.5, Place::Middle, 2.0),
    (1.0, Place::End, 1.0),
];

/// One step of the classical Runge-Kutta method of fourth order over `h` [s].
///
/// `k1` holds the slopes at the start; `slope` writes the slopes [per s] at a place of the step for a state. The
/// other arrays are overwritten.
#[inline(always)]
pub(crate) fn classical(
    y: &mut [f64],
    k1: &[f64],
    [k, sum, trial]: [&mut [f64]; 3],
    slots: Slots,
    h: f64,
    mut slope: impl FnMut(Place, &[f64], &mut [f64]),
) {
    let Slots { driving, all } = slots;
    sum[all.clone()].copy_from_slice(&k1[all.clone()]);
    k[driving.clone()].copy_from_slice(&k1[driving.clone()]);
    for (part, place, weight) in LATER {
        add(
            &mut trial[driving.clone()],
            &y[driving.clone()],
            part * h,
            &k[driving.clone()],
        );
        slope(place, trial, k);
        for (sum, k) in sum[all.clone()].iter_mut().zip(&k[all.clone()]) {
            *sum += weight * k;
        }
    }
    let sixth = h / 6.0;
    for (y, sum) in y[all.clone()].iter_mut().zip(&sum[all]) {
        *y += sixth * sum;
    }
}

/// One step of the stabilised method with these stages over `h` [s].
///
/// `f0` holds the slopes at the start; `slope` writes the slopes [per s] at a part of the step for a state. The
/// other arrays are overwritten.
#[inline(always)]
pub(crate) fn chebyshev(
    y: &mut [f64],
    f0: &[f64],
    [f, mut older, mut newer]: [&mut [f64]; 3],
    all: Range<usize>,
    h: f64,
    stages: &[Stage],
    mut slope: impl FnMut(f64, &[f64], &mut [f64]),
) {
    older[all.clone()].copy_from_slice(&y[all.clone()]);
    let first = h * stages[0].mu_slope;
    add(
        &mut newer[all.clone()],
        &y[all.clone()],
        first,
        &f0[all.clone()],
    );
    for pair in stages.windows(2) {
        let (before, stage) = (pair[0], pair[1]);
        slope(before.place, newer, f);
        let (y, out) = (&y[all.clone()], &mut older[all.clone()]);
        let n = y.len();
        let (f0, f) = (&f0[all.clone()][..n], &f[all.clone()][..n]);
        let (out, last) = (&mut out[..n], &newer[all.clone()][..n]);
        let rest = 1.0 - stage.mu - stage.nu;
        let (by_f, by_f0) = (h * stage.mu_slope, h * stage.nu_slope);
        for i in 0..n {
            out[i] =
                rest * y[i] + stage.mu * last[i] + stage.nu * out[i] + by_f * f[i] + by_f0 * f0[i];
        }
        std::mem::swap(&mut older, &mut newer);
    }
    y[all.clone()].copy_from_slice(&newer[all]);
}

/// `out = y + by k`.
#[inline(always)]
fn add(out: &mut [f64], y: &[f64], by: f64, k: &[f64]) {
    for ((out, y), k) in out.iter_mut().zip(y).zip(k) {
        *out = y + by * k;
    }
}

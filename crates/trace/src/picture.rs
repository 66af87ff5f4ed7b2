//! The averaged cycle as a picture, with the refill law through it.

use evenpull_airflow::{psi, refill, refill_inverse};

use crate::mean_cycle::Average;
use crate::reading::MeanCycle;
use crate::refill_clock::Window;
use crate::window::FALL_AT_DEG;

/// Residual of the averaged refill over what noise alone would leave [-].
pub(crate) fn misfit(own: &Average, window: Window, k_per_s: f64, period_s: f64) -> f64 {
    let (mut n, mut sum) = (0, 0.0);
    let anchor = anchor(own, window, k_per_s, period_s);
    for b in own.refill_bins(window).filter(|&b| own.count[b] >= 2) {
        let (at, r) = (own.phase[b], own.ratio[b]);
        let expected = refill_inverse(anchor + k_per_s * at * period_s);
        let noise = own.band[b] / f64::from(own.count[b]).sqrt();
        sum += ((r - expected) / noise.max(1e-6)).powi(2);
        n += 1;
    }
    if n > 2 {
        (sum / f64::from(n - 2)).sqrt()
    } else {
        f64::NAN
    }
}

/// Constant `c` of `F = k t + c` on the averaged cycle.
fn anchor(own: &Average, window: Window, k_per_s: f64, period_s: f64) -> f64 {
    let (mut w0, mut sum) = (0.0, 0.0);
    for b in own.refill_bins(window) {
        let (at, r) = (own.phase[b], own.ratio[b]);
        let w = psi(r).powi(4);
        w0 += w;
        sum += w * (refill(r) - k_per_s * at * period_s);
    }
    sum / w0
}

/// The averaged cycle in kPa, with the refill of rate `k_per_s` through its window.
pub(crate) fn picture(
    own: &Average,
    window: Window,
    k_per_s: Option<f64>,
    p0_pa: f64,
    period_s: f64,
) -> MeanCycle {
    let kpa = p0_pa / 1e3;
    let c = k_per_s.map(|k| (k, anchor(own, window, k, period_s)));
    let fit = |at: f64| match c {
        Some((k, c)) if at >= window.from && at <= window.to => {
            refill_inverse(c + k * at * period_s) * kpa
        }
        _ => f64::NAN,
    };
    // The average starts at the fall; the picture at the intake stroke.
    let crank = |b: usize| (own.phase[b] * 720.0 + FALL_AT_DEG).rem_euclid(720.0);
    let bins = own.phase.len();
    let first = (0..bins)
        .min_by(|&a, &b| crank(a).total_cmp(&crank(b)))
        .unwrap_or(0);
    let order: Vec<usize> = (0..bins).map(|i| (first + i) % bins).collect();
    let in_order = |value: &dyn Fn(usize) -> f64| order.iter().map(|&b| value(b)).collect();
    MeanCycle {
        crank_deg: in_order(&crank),
        p_kpa: in_order(&|b| own.ratio[b] * kpa),
        band_kpa: in_order(&|b| own.band[b] * kpa),
        fit_kpa: in_order(&|b| fit(own.phase[b])),
    }
}

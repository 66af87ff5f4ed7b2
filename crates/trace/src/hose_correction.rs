//! What the hose did to the refill, undone on the averaged cycle.
//!
//! A second-order low-pass `H = 1/(1 - x^2 + 2 i zeta x)`, `x = f/f_n`, delays the trace, which
//! leaves the slope of `F` alone, but it also rounds it and keeps ringing from the intake stroke.
//! The averaged cycle is periodic, so its harmonics are divided by `H`; the change this makes to
//! the slope of `F` and to the mean of `psi` is then applied to the values of the single cycles.

use std::f64::consts::PI;

use evenpull_airflow::SecondOrder;

use crate::mean_cycle::{Average, BINS};

/// Harmonics damped below this are not brought back: they are noise by then.
const WEAKEST: f64 = 0.2;

/// The averaged ratio as it was at the port, before the hose.
///
/// `period_s` [s]: length of the cycle.
pub(crate) fn at_the_port(average: &Average, hose: SecondOrder, period_s: f64) -> Vec<f64> {
    let n = BINS as f64;
    let mut out = vec![0.0; BINS];
    let highest = BINS / 3;
    for h in 0..=highest {
        let (mut re, mut im) = (0.0, 0.0);
        for (b, r) in average.ratio.iter().enumerate() {
            let a = 2.0 * PI * h as f64 * b as f64 / n;
            re += r * a.cos();
            im -= r * a.sin();
        }
        let share = if h == 0 { 1.0 / n } else { 2.0 / n };
        let x = 2.0 * PI * h as f64 / (period_s * hose.omega_rad_s);
        // Multiply by 1/H where H still lets something through, else leave the harmonic out.
        let (gain_re, gain_im) = (1.0 - x * x, 2.0 * hose.zeta * x);
        if gain_re.hypot(gain_im) > 1.0 / WEAKEST {
            break;
        }
        let (re, im) = (re * gain_re - im * gain_im, re * gain_im + im * gain_re);
        for (b, o) in out.iter_mut().enumerate() {
            let a = 2.0 * PI * h as f64 * b as f64 / n;
            *o += share * (re * a.cos() - im * a.sin());
        }
    }
    out
}

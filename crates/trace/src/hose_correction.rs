//! What the hose did to the refill, undone on the averaged cycle.
//!
//! A hose delays the trace, which leaves the slope of `F` alone, but it also rounds it and keeps
//! ringing from the intake stroke. The averaged cycle is periodic, so its harmonics are divided by
//! the hose's own response; the change this makes to the slope of `F` and to the mean of `psi` is
//! then applied to the values of the single cycles. The response is that of the viscous tube: a
//! second-order stand-in is off by up to 7 % below half its natural frequency, which at 3,800 rpm
//! is worth 1 % of a rate.

use std::f64::consts::TAU;

use evenpull_airflow::Hose;

use crate::mean_cycle::{Average, BINS};

/// Harmonics damped below this are not brought back: they are noise by then.
const WEAKEST: f64 = 0.2;

/// Time by which the hose delays the cycle's first harmonic [s].
pub(crate) fn lag_s(hose: Hose, period_s: f64) -> f64 {
    -hose.response(1.0 / period_s).phase_rad * period_s / TAU
}

/// The averaged cycle as it was at the port, before the hose; phases, bands and counts stay.
///
/// `period_s` [s]: length of the cycle.
pub(crate) fn at_the_port(average: &Average, hose: Hose, period_s: f64) -> Average {
    Average {
        ratio: without(&average.ratio, period_s, |f_hz| {
            let r = hose.response(f_hz);
            (r.magnitude, r.phase_rad)
        }),
        ..average.clone()
    }
}

/// Divides the harmonics of one period by `response` (amplitude ratio, phase [rad]) up to the first
/// that it damps below [`WEAKEST`]; the rest is left out.
fn without(ratio: &[f64], period_s: f64, response: impl Fn(f64) -> (f64, f64)) -> Vec<f64> {
    let n = ratio.len();
    let turn: Vec<(f64, f64)> = (0..n)
        .map(|b| (TAU * b as f64 / n as f64).sin_cos())
        .collect();
    let mut out = vec![0.0; n];
    for h in 0..=BINS / 3 {
        let (gain, phase) = response(h as f64 / period_s);
        if gain < WEAKEST || !gain.is_finite() {
            break;
        }
        let (mut re, mut im) = (0.0, 0.0);
        for (b, r) in ratio.iter().enumerate() {
            let (sin, cos) = turn[h * b % n];
            re += r * cos;
            im -= r * sin;
        }
        let share = if h == 0 { 1.0 } else { 2.0 } / (n as f64 * gain);
        let (sin, cos) = (-phase).sin_cos();
        let (re, im) = (share * (re * cos - im * sin), share * (re * sin + im * cos));
        for (b, o) in out.iter_mut().enumerate() {
            let (sin, cos) = turn[h * b % n];
            *o += re * cos - im * sin;
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A filter put on by its formula, `1/(1 - x^2 + 2 i zeta x)`, and taken off again.
    #[test]
    fn a_known_filter_is_undone() {
        let (natural_hz, zeta, period_s) = (250.0, 0.2, 0.032);
        let response = |f_hz: f64| {
            let x = f_hz / natural_hz;
            let (re, im) = (1.0 - x * x, 2.0 * zeta * x);
            (re.hypot(im).recip(), -im.atan2(re))
        };
        let amplitudes = [0.6, 0.2, 0.1, 0.04, 0.02];
        let build = |filtered: bool| -> Vec<f64> {
            (0..BINS)
                .map(|b| {
                    let at = b as f64 / BINS as f64;
                    amplitudes
                        .iter()
                        .enumerate()
                        .map(|(h, a)| {
                            let (gain, phase) = response(h as f64 / period_s);
                            let (gain, phase) = if filtered { (gain, phase) } else { (1.0, 0.0) };
                            a * gain * (TAU * h as f64 * at + phase).cos()
                        })
                        .sum()
                })
                .collect()
        };
        let port = without(&build(true), period_s, response);
        for (got, want) in port.iter().zip(build(false)) {
            assert!((got - want).abs() < 1e-12, "{got} {want}");
        }
    }

    /// Slow harmonics all come late by one delay, far below the time sound takes through the tube
    /// twice; friction's share of it changes with frequency by less than a fifth.
    #[test]
    fn the_lag_is_one_for_slow_changes() {
        let hose = Hose::new(0.25, 4e-3, 0.6e-6, 293.15, 60_000.0).unwrap();
        let (slow, slower) = (lag_s(hose, 0.1), lag_s(hose, 0.2));
        assert!(slow > 0.0 && slow < 2.0 * 0.25 / 343.0, "{slow}");
        assert!((slow / slower - 1.0).abs() < 0.2, "{slow} {slower}");
    }
}

//! Discrete Fourier transform of any length, for the exact response of a hose.

use std::f64::consts::TAU;

use num_complex::Complex64;

/// Forward transform (`exp(-i ...)`), unscaled; splits by the smallest prime factor.
pub(crate) fn transform(x: &[Complex64]) -> Vec<Complex64> {
    let n = x.len();
    if n == 1 {
        return x.to_vec();
    }
    let radix = (2..=n).find(|p| n.is_multiple_of(*p)).unwrap_or(n);
    let m = n / radix;
    let parts: Vec<Vec<Complex64>> = (0..radix)
        .map(|r| {
            let part: Vec<Complex64> = x.iter().skip(r).step_by(radix).copied().collect();
            if m == 1 { part } else { transform(&part) }
        })
        .collect();
    (0..n)
        .map(|k| {
            (0..radix)
                .map(|r| {
                    let turn = Complex64::from_polar(1.0, -TAU * ((k * r) % n) as f64 / n as f64);
                    parts[r][k % m] * turn
                })
                .sum()
        })
        .collect()
}

/// Real row through a filter given by its response at `f_hz`, the row taken as periodic.
pub(crate) fn filtered(
    row: &[f64],
    period_s: f64,
    response: impl Fn(f64) -> Complex64,
) -> Vec<f64> {
    let n = row.len();
    let x: Vec<Complex64> = row.iter().map(|&v| Complex64::from(v)).collect();
    let mut y = transform(&x);
    for (k, v) in y.iter_mut().enumerate() {
        let (h, conjugate) = if 2 * k <= n {
            (k, false)
        } else {
            (n - k, true)
        };
        let r = response(h as f64 / period_s);
        *v = (*v * if conjugate { r.conj() } else { r }).conj();
    }
    transform(&y).iter().map(|v| v.re / n as f64).collect()
}

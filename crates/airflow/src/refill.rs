//! The refill clock: a closed volume filling through a fixed through-area.
//!
//! `dr/dt = k psi(r)`, so with `F(r) = integral_0^r dr'/psi(r')` the filling is the straight line
//! `F(r(t)) = k t + F(r0)`. For gamma = 1.4 the integral is closed: with `w = sqrt(1 - r^(2/7))`,
//!
//! * choked, `r <= r* = 0.52828`: `F = r / psi*`;
//! * up to 0.999: `F = r*/psi* + sqrt(7) (sqrt(1/6) - w)`, and `r = (1 - w^2)^3.5` back;
//! * the linearised strip: `F = F(0.999) + (0.001/psi(0.999)) ln(0.001 / (1 - r))`.
//!
//! (Substitute `s = r^(2/7)` in the subsonic integral: it becomes
//! `sqrt(7)/2 ds / sqrt(1 - s)`.) Limits: fixed ambient, fixed area, gas of gamma = 1.4 coming in,
//! a volume that keeps its size.

use crate::gas::{FlowError, Gas};
use crate::orifice::{
    CRITICAL_RATIO_AIR, LINEAR_ABOVE_RATIO, LINEAR_WIDTH, PSI_AT_LINEAR_AIR, PSI_CHOKED_AIR, psi,
};

/// `F` at the critical ratio [-], exact to `f64`.
const F_CRITICAL: f64 = CRITICAL_RATIO_AIR / PSI_CHOKED_AIR;

/// `F(0.999)` [-], exact to `f64`; a test holds it against the formula.
const F_AT_LINEAR: f64 = 1.806_910_850_185_261_7;

/// `sqrt(7)` [-], exact to `f64`.
const SQRT_7: f64 = 2.645_751_311_064_590_6;

/// `sqrt(1 - r*^(2/7)) = sqrt(1/6)` [-], exact to `f64`.
const W_CRITICAL: f64 = 0.408_248_290_463_863;

/// Refill integral `F(r)` [-], rising, with `F(0) = 0`.
///
/// `r` [-]: runner over ambient pressure. At and above 1 the linearised law never arrives: the
/// result is infinite. `NaN` gives `NaN`. Accuracy: rounding only (below 1e-14 of full scale).
#[inline]
pub fn refill(r: f64) -> f64 {
    if r <= CRITICAL_RATIO_AIR {
        r / PSI_CHOKED_AIR
    } else if r <= LINEAR_ABOVE_RATIO {
        F_CRITICAL + SQRT_7 * (W_CRITICAL - (1.0 - r.powf(2.0 / 7.0)).sqrt())
    } else if r < 1.0 {
        F_AT_LINEAR + LINEAR_WIDTH / PSI_AT_LINEAR_AIR * (LINEAR_WIDTH / (1.0 - r)).ln()
    } else if r.is_nan() {
        r
    } else {
        f64::INFINITY
    }
}

/// Pressure ratio `r` at which the refill integral is `f` [-]; inverse of [`refill`].
///
/// `f` [-]: any; negative values give negative ratios (the choked line carried on), infinity
/// gives 1.
#[inline]
pub fn refill_inverse(f: f64) -> f64 {
    if f <= F_CRITICAL {
        f * PSI_CHOKED_AIR
    } else if f <= F_AT_LINEAR {
        let w = W_CRITICAL - (f - F_CRITICAL) / SQRT_7;
        let s = 1.0 - w * w;
        s * s * s * s.sqrt()
    } else {
        1.0 - LINEAR_WIDTH * (-(f - F_AT_LINEAR) * PSI_AT_LINEAR_AIR / LINEAR_WIDTH).exp()
    }
}

/// Slope `dF/dr = 1/psi(r)` [-]; infinite at `r = 1`.
#[inline]
pub fn drefill_dr(r: f64) -> f64 {
    1.0 / psi(r)
}

/// Refill rate `k = n sqrt(R T0) CdA / V` [1/s].
///
/// `n` [-]: 1 (isothermal) to 1.4 (adiabatic); `t0_k` [K]: temperature of the air outside;
/// `cda_m2` [m2] >= 0: through-area; `volume_m3` [m3] > 0: runner volume.
///
/// # Errors
/// [`FlowError::NotPositive`] naming the quantity that is not finite or not positive (the area may
/// be zero).
pub fn refill_rate_per_s(
    n: f64,
    gas: Gas,
    t0_k: f64,
    cda_m2: f64,
    volume_m3: f64,
) -> Result<f64, FlowError> {
    check("polytropic exponent n", n, "(no unit)", n > 0.0)?;
    check("air temperature", t0_k, "K", t0_k > 0.0)?;
    check("through-area", cda_m2, "m2", cda_m2 >= 0.0)?;
    check("runner volume", volume_m3, "m3", volume_m3 > 0.0)?;
    Ok(n * (gas.r_j_per_kg_k() * t0_k).sqrt() * cda_m2 / volume_m3)
}

/// Through-area `CdA = k V / (n sqrt(R T0))` [m2] from a refill rate; inverse of
/// [`refill_rate_per_s`].
///
/// `volume_over_n_m3` [m3] > 0: the scale V/n; `k_per_s` [1/s] >= 0.
///
/// # Errors
/// [`FlowError::NotPositive`] naming the quantity out of range.
pub fn through_area_m2(
    k_per_s: f64,
    gas: Gas,
    t0_k: f64,
    volume_over_n_m3: f64,
) -> Result<f64, FlowError> {
    check("refill rate", k_per_s, "1/s", k_per_s >= 0.0)?;
    check("air temperature", t0_k, "K", t0_k > 0.0)?;
    check(
        "runner volume over n",
        volume_over_n_m3,
        "m3",
        volume_over_n_m3 > 0.0,
    )?;
    Ok(k_per_s * volume_over_n_m3 / (gas.r_j_per_kg_k() * t0_k).sqrt())
}

/// Pressure ratio after `t_s` [s] of refilling from `r0` [-] at rate `k_per_s` [1/s].
///
/// `r(t) = F^-1(F(r0) + k t)`; exact under the assumptions of this module.
#[inline]
pub fn refilled_ratio(r0: f64, k_per_s: f64, t_s: f64) -> f64 {
    refill_inverse(refill(r0) + k_per_s * t_s)
}

/// Time from `r0` to `r1` at rate `k_per_s` [s]; infinite when `r1 >= 1`.
#[inline]
pub fn refill_time_s(r0: f64, r1: f64, k_per_s: f64) -> f64 {
    (refill(r1) - refill(r0)) / k_per_s
}

fn check(what: &'static str, value: f64, unit: &'static str, ok: bool) -> Result<(), FlowError> {
    if value.is_finite() && ok {
        Ok(())
    } else {
        Err(FlowError::NotPositive { what, value, unit })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn constants_follow_from_the_formulas() {
        assert!((SQRT_7 - 7.0_f64.sqrt()).abs() < 1e-15);
        assert!((W_CRITICAL - (1.0_f64 / 6.0).sqrt()).abs() < 1e-15);
        let w = (1.0 - 0.999_f64.powf(2.0 / 7.0)).sqrt();
        assert!((F_AT_LINEAR - F_CRITICAL - SQRT_7 * (W_CRITICAL - w)).abs() < 1e-13);
    }

    /// F against its own definition: composite Simpson quadrature of 1/psi, error below 1e-10.
    #[test]
    fn integral_matches_quadrature() {
        for (lo, hi) in [(0.0, 0.5), (0.53, 0.8), (0.53, 0.95), (0.9, 0.999)] {
            let n = 20_000;
            let h = (hi - lo) / f64::from(n);
            let mut sum = 1.0 / psi(lo) + 1.0 / psi(hi);
            for i in 1..n {
                let weight = if i % 2 == 1 { 4.0 } else { 2.0 };
                sum += weight / psi(lo + h * f64::from(i));
            }
            let quadrature = sum * h / 3.0;
            let closed = refill(hi) - refill(lo);
            assert!(
                (closed - quadrature).abs() < 1e-9,
                "{lo}..{hi}: {closed} {quadrature}"
            );
        }
    }

    #[test]
    fn ends_of_the_scale() {
        assert_eq!(refill(0.0), 0.0);
        assert_eq!(refill(1.0), f64::INFINITY);
        assert!(refill(f64::NAN).is_nan());
        assert_eq!(refill_inverse(f64::INFINITY), 1.0);
        assert!(refill_rate_per_s(1.4, Gas::AIR, 300.0, -1e-6, 1e-4).is_err());
        assert!(through_area_m2(5.0, Gas::AIR, 300.0, 0.0).is_err());
    }

    proptest! {
        /// Round trip; near r = 1 the inverse is flat, so r is kept to 1e-12 throughout.
        #[test]
        fn prop_inverse_undoes_the_integral(r in 0.0..0.99999_f64) {
            prop_assert!((refill_inverse(refill(r)) - r).abs() < 1e-12);
        }

        /// dF/dr is 1/psi.
        #[test]
        fn prop_slope_is_reciprocal_flow(r in 0.01..0.99_f64) {
            let h = 1e-6;
            let numeric = (refill(r + h) - refill(r - h)) / (2.0 * h);
            prop_assert!((numeric * psi(r) - 1.0).abs() < 1e-5);
        }

        /// Filling for t1 and then t2 is filling for t1 + t2.
        #[test]
        fn prop_filling_composes(r0 in 0.1..0.9_f64, t1 in 0.0..0.2_f64, t2 in 0.0..0.2_f64) {
            let two = refilled_ratio(refilled_ratio(r0, 4.0, t1), 4.0, t2);
            prop_assert!((two - refilled_ratio(r0, 4.0, t1 + t2)).abs() < 1e-11);
        }

        /// Area and rate undo each other.
        #[test]
        fn prop_area_round_trip(cda_mm2 in 0.1..100.0_f64, n in 1.0..1.4_f64) {
            let (v, t) = (2.6e-4, 293.15);
            let k = refill_rate_per_s(n, Gas::AIR, t, cda_mm2 * 1e-6, v).unwrap();
            let back = through_area_m2(k, Gas::AIR, t, v / n).unwrap();
            prop_assert!((back * 1e6 / cda_mm2 - 1.0).abs() < 1e-12);
        }
    }
}

//! Compressible flow through an opening: the law every other part builds on.
//!
//! `m' = CdA p0 / sqrt(R T0) psi(r)`, `r = p / p0`. The fast functions [`psi`], [`dpsi_dr`] and
//! [`mass_flow_kg_s`] hold for gamma = 1.4 and allocate nothing; [`OrificeLaw`] serves any gamma.
//! Limits: steady, one-dimensional, isentropic up to the throat, constant gamma.

use crate::gas::FlowError;

/// Critical pressure ratio for gamma = 1.4, `(5/6)^3.5` [-], exact to `f64`.
pub const CRITICAL_RATIO_AIR: f64 = 0.528_281_787_717_174;

/// Flow function of the choked throat for gamma = 1.4, `sqrt(1.4) (5/6)^3` [-], exact to `f64`.
pub const PSI_CHOKED_AIR: f64 = 0.684_731_456_377_270_4;

/// Pressure ratio above which the flow function is linearised [-], a choice of this project.
///
/// The true law has an infinite slope at `r = 1`, which no integrator or fit survives. The
/// straight line from here through `psi(1) = 0` changes a flow only inside the last 0.1 % of
/// ambient, about 100 Pa.
pub const LINEAR_ABOVE_RATIO: f64 = 0.999;

/// `psi(0.999)` for gamma = 1.4 [-], exact to `f64`; a test holds it against the formula.
pub(crate) const PSI_AT_LINEAR_AIR: f64 = 0.044_697_395_258_407_62;

/// Width of the linearised strip below `r = 1` [-].
pub(crate) const LINEAR_WIDTH: f64 = 1.0 - LINEAR_ABOVE_RATIO;

/// Slope magnitude of the linearised strip for gamma = 1.4 [-].
const LINEAR_SLOPE_AIR: f64 = PSI_AT_LINEAR_AIR / LINEAR_WIDTH;

/// Cells of [`ROOTLESS_AIR`] to one unit of the pressure ratio; a power of two, so that places are exact.
const CELLS_PER_UNIT: f64 = 1024.0;
/// Cells of [`ROOTLESS_AIR`], over the ratios 0.5 to 1; a power of two.
const CELLS: usize = 512;

/// Added to a number from 0 to 2^31 it leaves none of its fraction: 2^52.
const WHOLE: f64 = 4_503_599_627_370_496.0;

/// `psi(r) / sqrt(1 - r)` for gamma = 1.4, one cubic to a cell, by rising powers of the place in it.
///
/// Without the root the law is smooth up to `r = 1`, so cubics through values and slopes are good to
/// `3e-14` and cost a fraction of a power.
static ROOTLESS_AIR: [[f64; 4]; CELLS] = rootless_air();

const fn rootless_air() -> [[f64; 4]; CELLS] {
    let mut cubics = [[0.0; 4]; CELLS];
    let mut i = 0;
    let mut left = rootless_at(0.5);
    while i < CELLS {
        let right = rootless_at(0.5 + (i + 1) as f64 / CELLS_PER_UNIT);
        let rise = right.0 - left.0;
        cubics[i] = [
            left.0,
            left.1,
            3.0 * rise - 2.0 * left.1 - right.1,
            left.1 + right.1 - 2.0 * rise,
        ];
        left = right;
        i += 1;
    }
    cubics
}

/// `psi(r) / sqrt(1 - r)` and its slope per cell.
///
/// With `s = r^(2/7)` and `1 - r^2 = 1 - s^7 = (1 - s) P`, `P = 1 + s + .. + s^6`, the square of it is
/// `7 s^5 (1 + r) / P`, which has no small differences.
const fn rootless_at(r: f64) -> (f64, f64) {
    let s = newton_root(7, r * r);
    let (mut sum, mut slope, mut k) = (0.0, 0.0, 7);
    while k > 0 {
        slope = slope * s + sum;
        sum = sum * s + 1.0;
        k -= 1;
    }
    let value = newton_root(2, 7.0 * s * s * s * s * s * (1.0 + r) / sum);
    let ds_dr = 2.0 * s / (7.0 * r);
    let log_slope = 5.0 * ds_dr / s + 1.0 / (1.0 + r) - slope * ds_dr / sum;
    (value, 0.5 * value * log_slope / CELLS_PER_UNIT)
}

/// `x^(1/degree)` for `x` between 0.2 and 3, by Newton's method from 1.
const fn newton_root(degree: u32, x: f64) -> f64 {
    let (mut root, mut step) = (1.0, 0);
    while step < 12 {
        let (mut power, mut k) = (1.0, 1);
        while k < degree {
            power *= root;
            k += 1;
        }
        root -= (root - x / power) / degree as f64;
        step += 1;
    }
    root
}

/// `(gamma - 1) / gamma` for gamma = 1.4 [-].
const S_EXPONENT_AIR: f64 = 2.0 / 7.0;

/// Critical pressure ratio `p*/p0` of an ideal gas [-].
///
/// `r = (2 / (gamma + 1))^(gamma / (gamma - 1))`; the throat is sonic at or below it.
/// `gamma` [-]: ratio of specific heats, finite, > 1.
///
/// # Errors
/// [`FlowError::Gamma`] if `gamma` is outside that range.
///
/// # Source
/// `naca1135`, isentropic relations at M = 1.
pub fn critical_ratio(gamma: f64) -> Result<f64, FlowError> {
    check_gamma(gamma)?;
    Ok((2.0 / (gamma + 1.0)).powf(gamma / (gamma - 1.0)))
}

/// Flow function `psi(r)` for gamma = 1.4 [-], signed.
///
/// * `r <= 0.52828`: 0.684731, choked, independent of `r` (also for `r < 0`);
/// * up to 0.999: `s^2 sqrt(7 s (1 - s))` with `s = r^(2/7)`, which is the usual
///   `r^(1/gamma) sqrt(2 gamma/(gamma-1) (1 - r^((gamma-1)/gamma)))`, from a table good to 3e-14;
/// * up to 1: straight line to zero, see [`LINEAR_ABOVE_RATIO`];
/// * above 1: the same law mirrored, `-r psi(1/r)`, for gas of the same temperature coming back.
///
/// `r` [-]: downstream over upstream pressure; `NaN` gives `NaN`.
///
/// # Source
/// `naca1135`, mass-flow relation; numbers in `validation`.
#[inline]
pub fn psi(r: f64) -> f64 {
    if r > 1.0 {
        -r * psi_forward(1.0 / r)
    } else {
        psi_forward(r)
    }
}

/// [`psi`] for ratios up to 1, where the gas flows forward; above 1 it has no meaning.
#[inline]
pub fn psi_forward(r: f64) -> f64 {
    if r <= CRITICAL_RATIO_AIR {
        PSI_CHOKED_AIR
    } else if r <= LINEAR_ABOVE_RATIO {
        rootless(r) * (1.0 - r).sqrt()
    } else {
        // `NaN` comes here too and stays.
        LINEAR_SLOPE_AIR * (1.0 - r)
    }
}

/// Mass flux for gamma = 1.4 [kg/(m2 s)] out of gas of `up_pa` [Pa] and `up_kg_m3` [kg/m3], both positive, to
/// where `down_pa` [Pa], not above `up_pa`, prevails.
///
/// `m'/A = psi(p_down / p_up) sqrt(p_up rho_up)`, the law of [`psi`] with `p/sqrt(R T) = sqrt(p rho)`. Below the
/// straight strip both roots are one, `sqrt((1 - r) p_up rho_up)`: a root is the dearest part of the law.
/// Ranges are not checked on this hot path; nonsense in gives `NaN` out, never a panic.
#[inline]
pub fn flux_kg_m2_s(up_pa: f64, down_pa: f64, up_kg_m3: f64) -> f64 {
    let r = down_pa / up_pa;
    if r <= CRITICAL_RATIO_AIR {
        PSI_CHOKED_AIR * (up_pa * up_kg_m3).sqrt()
    } else if r <= LINEAR_ABOVE_RATIO {
        rootless(r) * ((up_pa - down_pa) * up_kg_m3).sqrt()
    } else {
        LINEAR_SLOPE_AIR * (1.0 - r) * (up_pa * up_kg_m3).sqrt()
    }
}

/// `psi(r) / sqrt(1 - r)` for `r` from 0.5 to 1, from [`ROOTLESS_AIR`].
#[inline(always)]
fn rootless(r: f64) -> f64 {
    let place = (r - 0.5) * CELLS_PER_UNIT;
    // The whole part in the low bits of a large number: a cast takes several times as long. A place on
    // the border of two cells may come out as the end of the lower one, which is the same value.
    let whole = (place - 0.5) + WHOLE;
    let cell = whole.to_bits() as usize;
    let t = place - (whole - WHOLE);
    // The mask keeps what is in range anyway, and spares the check.
    let [c0, c1, c2, c3] = ROOTLESS_AIR[cell & (CELLS - 1)];
    (c0 + c1 * t) + (c2 + c3 * t) * (t * t)
}

/// Slope `d psi / d r` for gamma = 1.4 [-].
///
/// Zero when choked, `-psi(0.999)/0.001` in the linearised strip, and the derivative of
/// `-r psi(1/r)` above 1. It doubles, from about -22 to -45, where the strip begins.
/// `r` [-] as in [`psi`].
#[inline]
pub fn dpsi_dr(r: f64) -> f64 {
    if r <= CRITICAL_RATIO_AIR {
        0.0
    } else if r <= LINEAR_ABOVE_RATIO {
        let s = r.powf(S_EXPONENT_AIR);
        // psi^2 = 7 (s^5 - s^6); ds/dr = (2/7) s / r.
        let value = s * s * (7.0 * s * (1.0 - s)).sqrt();
        s.powi(5) * (5.0 - 6.0 * s) / (r * value)
    } else if r <= 1.0 {
        -LINEAR_SLOPE_AIR
    } else if r > 1.0 {
        let q = 1.0 / r;
        -psi(q) + q * dpsi_dr(q)
    } else {
        r // NaN
    }
}

/// Air mass flow from side 1 to side 2 for gamma = 1.4 [kg/s], negative when it runs back.
///
/// `m' = CdA p_up / sqrt(R T_up) psi(p_down / p_up)`, the upstream side being the one of higher
/// pressure. `cda_m2` [m2] >= 0, pressures [Pa] > 0, temperatures [K] > 0, `r_j_per_kg_k` the gas
/// constant. Ranges are not checked on this hot path; nonsense in gives `NaN` out, never a panic.
///
/// # Source
/// `heywood1988`, appendix C (from memory).
#[inline]
pub fn mass_flow_kg_s(
    cda_m2: f64,
    p1_pa: f64,
    t1_k: f64,
    p2_pa: f64,
    t2_k: f64,
    r_j_per_kg_k: f64,
) -> f64 {
    signed_flow(cda_m2, (p1_pa, t1_k), (p2_pa, t2_k), r_j_per_kg_k, psi)
}

/// Flow from side 1 to side 2, each a pressure and a temperature, by a flow function.
#[inline]
fn signed_flow(
    cda_m2: f64,
    (p1_pa, t1_k): (f64, f64),
    (p2_pa, t2_k): (f64, f64),
    r_j_per_kg_k: f64,
    psi: impl Fn(f64) -> f64,
) -> f64 {
    if p2_pa <= p1_pa {
        cda_m2 * p1_pa / (r_j_per_kg_k * t1_k).sqrt() * psi(p2_pa / p1_pa)
    } else {
        -cda_m2 * p2_pa / (r_j_per_kg_k * t2_k).sqrt() * psi(p1_pa / p2_pa)
    }
}

/// The flow law for any ratio of specific heats, its powers and limits worked out once.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct OrificeLaw {
    gamma: f64,
    critical_ratio: f64,
    psi_choked: f64,
    linear_slope: f64,
}

impl OrificeLaw {
    /// Law for `gamma` [-], finite, > 1.
    ///
    /// # Errors
    /// [`FlowError::Gamma`] if `gamma` is outside that range.
    pub fn new(gamma: f64) -> Result<Self, FlowError> {
        let critical_ratio = critical_ratio(gamma)?;
        Ok(Self {
            gamma,
            critical_ratio,
            psi_choked: psi_subsonic(critical_ratio, gamma),
            linear_slope: psi_subsonic(LINEAR_ABOVE_RATIO, gamma) / LINEAR_WIDTH,
        })
    }

    /// Ratio of specific heats [-].
    pub fn gamma(&self) -> f64 {
        self.gamma
    }

    /// Pressure ratio at and below which the throat is sonic [-].
    pub fn critical_ratio(&self) -> f64 {
        self.critical_ratio
    }

    /// Flow function of the choked throat [-].
    pub fn psi_choked(&self) -> f64 {
        self.psi_choked
    }

    /// Flow function [-], with the same pieces and sign as [`psi`].
    pub fn psi(&self, r: f64) -> f64 {
        if r <= self.critical_ratio {
            self.psi_choked
        } else if r <= LINEAR_ABOVE_RATIO {
            psi_subsonic(r, self.gamma)
        } else if r <= 1.0 {
            self.linear_slope * (1.0 - r)
        } else if r > 1.0 {
            -r * self.psi(1.0 / r)
        } else {
            r // NaN
        }
    }

    /// Mass flow from side 1 to side 2 [kg/s]; arguments as in [`mass_flow_kg_s`].
    pub fn mass_flow_kg_s(
        &self,
        cda_m2: f64,
        p1_pa: f64,
        t1_k: f64,
        p2_pa: f64,
        t2_k: f64,
        r_j_per_kg_k: f64,
    ) -> f64 {
        let psi = |r| self.psi(r);
        signed_flow(cda_m2, (p1_pa, t1_k), (p2_pa, t2_k), r_j_per_kg_k, psi)
    }
}

/// State of an isentropic stream at one Mach number, relative to rest and to the throat.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct IsentropicState {
    /// Static over stagnation pressure [-].
    pub p_ratio: f64,
    /// Static over stagnation temperature [-].
    pub t_ratio: f64,
    /// Area over sonic throat area [-]; infinite at rest.
    pub area_ratio: f64,
    /// `m' sqrt(R T0) / (A p0)` [-].
    pub flow_function: f64,
}

/// Isentropic relations at Mach number `mach` [-], >= 0, for `gamma` [-], > 1.
///
/// `T/T0 = 1 / (1 + (gamma-1)/2 M^2)`, `p/p0 = (T/T0)^(gamma/(gamma-1))`,
/// `m' sqrt(R T0)/(A p0) = sqrt(gamma) M (T/T0)^((gamma+1)/(2(gamma-1)))`.
///
/// # Errors
/// [`FlowError::Gamma`], or [`FlowError::NotPositive`] for a negative or non-finite Mach number.
///
/// # Source
/// `naca1135`, isentropic relations.
pub fn isentropic(mach: f64, gamma: f64) -> Result<IsentropicState, FlowError> {
    check_gamma(gamma)?;
    if !(mach.is_finite() && mach >= 0.0) {
        return Err(FlowError::NotPositive {
            what: "Mach number",
            value: mach,
            unit: "(Mach)",
        });
    }
    let t_ratio = 1.0 / (1.0 + 0.5 * (gamma - 1.0) * mach * mach);
    let exponent = (gamma + 1.0) / (2.0 * (gamma - 1.0));
    let flow_function = gamma.sqrt() * mach * t_ratio.powf(exponent);
    let flow_sonic = gamma.sqrt() * (2.0 / (gamma + 1.0)).powf(exponent);
    Ok(IsentropicState {
        p_ratio: t_ratio.powf(gamma / (gamma - 1.0)),
        t_ratio,
        area_ratio: flow_sonic / flow_function,
        flow_function,
    })
}

/// Subsonic branch of the flow function for any gamma [-].
fn psi_subsonic(r: f64, gamma: f64) -> f64 {
    let s = r.powf((gamma - 1.0) / gamma);
    s.powf(1.0 / (gamma - 1.0)) * (2.0 * gamma / (gamma - 1.0) * (1.0 - s)).sqrt()
}

fn check_gamma(gamma: f64) -> Result<(), FlowError> {
    if gamma.is_finite() && gamma > 1.0 {
        Ok(())
    } else {
        Err(FlowError::Gamma { gamma })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn constants_follow_from_the_formulas() {
        assert!((CRITICAL_RATIO_AIR - (5.0_f64 / 6.0).powf(3.5)).abs() < 1e-15);
        assert!((PSI_CHOKED_AIR - 1.4_f64.sqrt() * (5.0_f64 / 6.0).powi(3)).abs() < 1e-15);
        assert!((PSI_AT_LINEAR_AIR - psi_subsonic(0.999, 1.4)).abs() < 1e-14);
    }

    #[test]
    fn edges_do_not_panic() {
        assert!(psi(f64::NAN).is_nan());
        assert!((psi(-1.0) - PSI_CHOKED_AIR).abs() < 1e-15);
        assert_eq!(psi(1.0), 0.0);
        assert_eq!(mass_flow_kg_s(1e-6, 1e5, 300.0, 1e5, 300.0, 287.0), 0.0);
        assert!(matches!(critical_ratio(1.0), Err(FlowError::Gamma { .. })));
        assert!(OrificeLaw::new(f64::INFINITY).is_err());
        assert!(isentropic(-0.1, 1.4).is_err());
    }

    proptest! {
        /// The fast law and the general one are the same function.
        #[test]
        fn prop_fast_law_equals_general_law(r in 0.0..3.0_f64) {
            let law = OrificeLaw::new(1.4).unwrap();
            prop_assert!((psi(r) - law.psi(r)).abs() < 1e-13);
        }

        /// The flux is the flow through one square metre, whatever the ratio.
        #[test]
        fn prop_flux_is_the_flow_of_an_area(p1 in 2e4..2e5_f64, r in 0.0..=1.0_f64, t in 250.0..2500.0_f64) {
            let want = mass_flow_kg_s(1.0, p1, t, r * p1, t, 287.0);
            let got = flux_kg_m2_s(p1, r * p1, p1 / (287.0 * t));
            prop_assert!((got - want).abs() <= 1e-12 * want + 1e-11 * p1 / (287.0 * t).sqrt());
        }

        /// Never more flow for less pressure difference.
        #[test]
        fn prop_psi_does_not_rise(r in 0.0..3.0_f64, step in 0.0..0.5_f64) {
            prop_assert!(psi(r + step) <= psi(r) + 1e-12);
        }

        /// Swapping the sides changes the sign only.
        #[test]
        fn prop_flow_is_antisymmetric(
            p1 in 2e4..2e5_f64,
            p2 in 2e4..2e5_f64,
            t in 250.0..400.0_f64,
        ) {
            let there = mass_flow_kg_s(3e-6, p1, t, p2, t, 287.0);
            let back = mass_flow_kg_s(3e-6, p2, t, p1, t, 287.0);
            prop_assert!((there + back).abs() <= 1e-15 * there.abs().max(1.0));
        }

        /// Slope against central differences, away from the two joints of the law.
        #[test]
        fn prop_slope_matches_differences(r in 0.54..1.8_f64) {
            let h = 1e-7;
            prop_assume!((r - 0.999).abs() > 1e-5 && (r - 1.0 / 0.999).abs() > 1e-5);
            prop_assume!((r - 1.0).abs() > 1e-5);
            let numeric = (psi(r + h) - psi(r - h)) / (2.0 * h);
            // Truncation grows with the third derivative towards r = 1; 1e-5 relative covers it.
            prop_assert!((numeric - dpsi_dr(r)).abs() < 1e-5 * (1.0 + numeric.abs()));
        }
    }
}

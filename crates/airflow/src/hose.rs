//! Hose between stub and sensor: resonance, damping and the second-order equivalent.
//!
//! A tube of one bore ending in a dead volume, filled with air at rest, small oscillations. The
//! full response is the viscous-tube formula of Bergh and Tijdeman with one element; the fitted
//! pair keeps its -90 degree point. Limits: rigid walls, no restrictor, no steps in bore; a soft
//! hose resonates lower and flatter than this.

use std::f64::consts::{FRAC_PI_2, FRAC_PI_4, PI};

use num_complex::Complex64;

use crate::bracket::rising_root;
use crate::gas::{Gas, air_viscosity_pa_s};

/// Prandtl number of air [-], measured, from memory; it varies by 1 % between 250 and 330 K.
const PRANDTL_AIR: f64 = 0.71;

/// Corner frequency a hose should have at [`REFERENCE_RPM`] [Hz].
///
/// Seen in an independent prototype: below it the refill rate is biased by 5 to 25 %.
pub const REFERENCE_CORNER_HZ: f64 = 100.0;

/// Engine speed [`REFERENCE_CORNER_HZ`] belongs to [1/min].
pub const REFERENCE_RPM: f64 = 3_800.0;

/// What a hose refuses.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum HoseError {
    /// A quantity outside the range in which the formula means anything.
    #[error("{what} must be within {lo} to {hi} {unit}, got {value}")]
    Range {
        /// Name of the quantity.
        what: &'static str,
        /// The refused value, in `unit`.
        value: f64,
        /// Lower limit, in `unit`.
        lo: f64,
        /// Upper limit, in `unit`.
        hi: f64,
        /// Unit of the numbers.
        unit: &'static str,
    },
    /// The phase never passes -90 degrees in the range searched.
    #[error(
        "no -90 degree point below {limit_hz} Hz: the hose is too tight to describe by two numbers"
    )]
    NoCorner {
        /// Highest frequency searched [Hz].
        limit_hz: f64,
    },
}

/// Hose with the dead volume at its end, and the air in it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Hose {
    length_m: f64,
    bore_m: f64,
    dead_volume_m3: f64,
    sound_m_s: f64,
    nu_m2_s: f64,
}

/// Sensor-side over runner-side pressure at one frequency.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Response {
    /// Amplitude ratio [-].
    pub magnitude: f64,
    /// Phase [rad], principal value; negative = sensor late.
    pub phase_rad: f64,
}

/// Second-order low-pass `x'' + 2 zeta w x' + w^2 x = w^2 p`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SecondOrder {
    /// Natural frequency w [rad/s].
    pub omega_rad_s: f64,
    /// Damping ratio zeta [-].
    pub zeta: f64,
}

impl SecondOrder {
    /// Response at `f_hz` [Hz] >= 0.
    pub fn response(&self, f_hz: f64) -> Response {
        let x = 2.0 * PI * f_hz / self.omega_rad_s;
        let h = Complex64::new(1.0 - x * x, 2.0 * self.zeta * x).inv();
        Response {
            magnitude: h.norm(),
            phase_rad: h.arg(),
        }
    }

    /// Delay of slow changes, `2 zeta / w` [s].
    pub fn lag_s(&self) -> f64 {
        2.0 * self.zeta / self.omega_rad_s
    }

    /// Natural frequency [Hz].
    pub fn natural_hz(&self) -> f64 {
        self.omega_rad_s / (2.0 * PI)
    }

    /// Frequency where the amplitude ratio has fallen to `1/sqrt(2)` [Hz].
    pub fn half_power_hz(&self) -> f64 {
        let b = 1.0 - 2.0 * self.zeta * self.zeta;
        self.natural_hz() * (b + (b * b + 1.0).sqrt()).sqrt()
    }

    /// Corner [Hz]: the lower of natural frequency and half-power frequency.
    ///
    /// A lightly damped hose distorts from its resonance, a heavily damped one from its fall.
    pub fn corner_hz(&self) -> f64 {
        self.natural_hz().min(self.half_power_hz())
    }
}

impl Hose {
    /// Hose of `length_m` [m] (0.01 to 5) and `bore_m` [m] (0.0005 to 0.02) into a dead volume of
    /// `dead_volume_m3` [m3] (0 to 1e-4), with air at `t_k` [K] (233 to 373) and a mean pressure
    /// of `p_pa` [Pa] (1e4 to 1.5e5); thinner air damps more.
    ///
    /// # Errors
    /// [`HoseError::Range`] naming the argument.
    pub fn new(
        length_m: f64,
        bore_m: f64,
        dead_volume_m3: f64,
        t_k: f64,
        p_pa: f64,
    ) -> Result<Self, HoseError> {
        check("hose length", length_m, 0.01, 5.0, "m")?;
        check("hose bore", bore_m, 5e-4, 0.02, "m")?;
        check("dead volume", dead_volume_m3, 0.0, 1e-4, "m3")?;
        check("hose air temperature", t_k, 233.0, 373.0, "K")?;
        check("mean hose pressure", p_pa, 1e4, 1.5e5, "Pa")?;
        Ok(Self {
            length_m,
            bore_m,
            dead_volume_m3,
            sound_m_s: Gas::AIR.sound_speed_m_s(t_k),
            nu_m2_s: air_viscosity_pa_s(t_k) / Gas::AIR.density_kg_m3(p_pa, t_k),
        })
    }

    /// Volume of the tube alone [m3].
    pub fn tube_volume_m3(&self) -> f64 {
        FRAC_PI_4 * self.bore_m * self.bore_m * self.length_m
    }

    /// First resonance without friction [Hz]: `x tan x = Vt/V`, `f = x a / (2 pi L)`.
    ///
    /// # Source
    /// Lossless limit of `bergh1965`; numbers in `validation`.
    pub fn lossless_peak_hz(&self) -> f64 {
        let (tube, dead) = (self.tube_volume_m3(), self.dead_volume_m3);
        let x = rising_root(
            |x: f64| {
                let (s, c) = x.sin_cos();
                (dead * x * s - tube * c, dead * (s + x * c) + tube * s)
            },
            0.0,
            FRAC_PI_2,
        );
        x * self.sound_m_s / (2.0 * PI * self.length_m)
    }

    /// Helmholtz estimate with half the tube added to the dead volume [Hz].
    ///
    /// `f = a/(2 pi) sqrt(A / (L (V + Vt/2)))`; 7 to 10 % below the lossless resonance when tube
    /// and dead volume are alike.
    pub fn helmholtz_hz(&self) -> f64 {
        let area = FRAC_PI_4 * self.bore_m * self.bore_m;
        let volume = self.dead_volume_m3 + 0.5 * self.tube_volume_m3();
        self.sound_m_s / (2.0 * PI) * (area / (self.length_m * volume)).sqrt()
    }

    /// Sensor-side over runner-side pressure at `f_hz` [Hz] >= 0.
    ///
    /// `1/H = cosh(phi L) + (V/Vt)(n/gamma) phi L sinh(phi L)`,
    /// `phi = (w/a) sqrt(J0(al)/J2(al)) sqrt(gamma/n)`, `al = i^1.5 R sqrt(w/nu)`,
    /// `1/n = 1 + (gamma-1)/gamma J2(al sqrt(Pr))/J0(al sqrt(Pr))`; the dead volume is adiabatic
    /// and its walls rigid.
    ///
    /// # Source
    /// `bergh1965`, one element, from memory; numbers in `validation`.
    pub fn response(&self, f_hz: f64) -> Response {
        if f_hz <= 0.0 {
            return Response {
                magnitude: 1.0,
                phase_rad: 0.0,
            };
        }
        let h = self.inverse_transfer(f_hz).inv();
        Response {
            magnitude: h.norm(),
            phase_rad: h.arg(),
        }
    }

    /// Frequency [Hz] and amplitude ratio [-] of the first resonance with friction; `None` for a
    /// hose so tight that it has none.
    pub fn viscous_peak(&self) -> Option<(f64, f64)> {
        /// Golden section.
        const G: f64 = 0.618_033_988_749_894_9;
        let f0 = self.lossless_peak_hz();
        let (mut lo, mut hi) = (0.02 * f0, 1.1 * f0);
        let loudness = |f: f64| self.response(f).magnitude;
        // 60 sections shrink the bracket by 1e-12.
        for _ in 0..60 {
            let (a, b) = (hi - G * (hi - lo), lo + G * (hi - lo));
            if loudness(a) > loudness(b) {
                hi = b;
            } else {
                lo = a;
            }
        }
        let f = 0.5 * (lo + hi);
        let magnitude = loudness(f);
        (magnitude > 1.0 && f > 0.03 * f0).then_some((f, magnitude))
    }

    /// Second-order low-pass with the hose's own -90 degree point.
    ///
    /// There a second-order system has `w` = its natural frequency and `|H| = 1/(2 zeta)`.
    /// Below half the natural frequency magnitude agrees with the full response to 7 % (2 % below
    /// a quarter) and phase to 0.07 rad, see the tests; where that is not enough use
    /// [`Hose::response`].
    ///
    /// # Errors
    /// [`HoseError::NoCorner`] if the phase never gets there below twice the lossless resonance.
    pub fn second_order(&self) -> Result<SecondOrder, HoseError> {
        let f0 = self.lossless_peak_hz();
        let real = |f: f64| self.inverse_transfer(f).re;
        let step = 0.02 * f0;
        let limit_hz = 2.0 * f0;
        let mut lo = step;
        while lo < limit_hz && real(lo + step) > 0.0 {
            lo += step;
        }
        if lo >= limit_hz {
            return Err(HoseError::NoCorner { limit_hz });
        }
        let mut hi = lo + step;
        for _ in 0..60 {
            let mid = 0.5 * (lo + hi);
            if real(mid) > 0.0 {
                lo = mid;
            } else {
                hi = mid;
            }
        }
        Ok(SecondOrder {
            omega_rad_s: 2.0 * PI * hi,
            zeta: 0.5 * self.inverse_transfer(hi).norm(),
        })
    }

    fn inverse_transfer(&self, f_hz: f64) -> Complex64 {
        let omega = 2.0 * PI * f_hz;
        let gamma = Gas::AIR.gamma();
        // i^1.5 = exp(i 3 pi / 4).
        let direction = Complex64::from_polar(1.0, 3.0 * FRAC_PI_4);
        let al = direction * (0.5 * self.bore_m * (omega / self.nu_m2_s).sqrt());
        let heat = bessel_j2_over_j0(al * PRANDTL_AIR.sqrt());
        let n = (Complex64::from(1.0) + heat * ((gamma - 1.0) / gamma)).inv();
        let phi_l = (bessel_j2_over_j0(al).inv()).sqrt()
            * (Complex64::from(gamma) / n).sqrt()
            * (omega / self.sound_m_s * self.length_m);
        let volumes = self.dead_volume_m3 / self.tube_volume_m3();
        phi_l.cosh() + n * phi_l * phi_l.sinh() * (volumes / gamma)
    }
}

/// Corner frequency a hose should have at `rpm` [1/min] > 0 [Hz]; in proportion to the speed.
pub fn required_corner_hz(rpm: f64) -> f64 {
    REFERENCE_CORNER_HZ * rpm / REFERENCE_RPM
}

/// `J2(z)/J0(z)` by downward recurrence of the ratios `J_m/J_(m-1) = 1/(2m/z - J_(m+1)/J_m)`.
///
/// Stable for every z off the real axis, where J0 has no zeros.
fn bessel_j2_over_j0(z: Complex64) -> Complex64 {
    // Past |z| + 40 the start value no longer matters to f64; 400 covers the ranges of a hose.
    let top = (z.norm() as u32).min(2_000) + 40;
    let mut ratio = Complex64::from(0.0);
    let mut above = Complex64::from(0.0);
    for m in (1..=top).rev() {
        above = ratio;
        ratio = (Complex64::from(2.0 * f64::from(m)) / z - ratio).inv();
    }
    // `ratio` is J1/J0, `above` is J2/J1.
    ratio * above
}

fn check(
    what: &'static str,
    value: f64,
    lo: f64,
    hi: f64,
    unit: &'static str,
) -> Result<(), HoseError> {
    if value >= lo && value <= hi {
        Ok(())
    } else {
        Err(HoseError::Range {
            what,
            value,
            lo,
            hi,
            unit,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn hose() -> Hose {
        Hose::new(0.25, 0.004, 0.6e-6, 293.15, 101_325.0).unwrap()
    }

    /// Power series of J0 and J2, good for small arguments, as an independent route.
    fn series_ratio(z: Complex64) -> Complex64 {
        let q = -z * z / 4.0;
        let (mut j0, mut j2) = (Complex64::from(0.0), Complex64::from(0.0));
        let mut term = Complex64::from(1.0);
        for k in 0..60_u32 {
            let k1 = f64::from(k) + 1.0;
            j0 += term;
            // (z/2)^2 = -q; term_k / ((k+1)(k+2)) turns k!^2 into k!(k+2)!.
            j2 += -q * term / (k1 * (k1 + 1.0));
            term *= q / (k1 * k1);
        }
        j2 / j0
    }

    #[test]
    fn bessel_ratio_matches_its_series() {
        for size in [0.1, 1.0, 3.0, 8.0] {
            let z = Complex64::from_polar(size, 3.0 * FRAC_PI_4);
            let (a, b) = (bessel_j2_over_j0(z), series_ratio(z));
            assert!((a - b).norm() < 1e-11 * b.norm(), "{size}: {a} {b}");
        }
    }

    #[test]
    fn slow_changes_come_through() {
        let r = hose().response(0.01);
        assert!(
            (r.magnitude - 1.0).abs() < 1e-4 && r.phase_rad.abs() < 1e-3,
            "{r:?}"
        );
    }

    /// The pair against the full response below half the natural frequency.
    #[test]
    fn second_order_pair_follows_the_hose() {
        for (l, d, v) in [(0.25, 4e-3, 0.6e-6), (0.5, 3e-3, 1e-6), (1.0, 2e-3, 1e-6)] {
            let hose = Hose::new(l, d, v, 293.15, 70_000.0).unwrap();
            let pair = hose.second_order().unwrap();
            for i in 1..=10 {
                let f = 0.05 * f64::from(i) * pair.natural_hz();
                let (full, two) = (hose.response(f), pair.response(f));
                let magnitude = two.magnitude / full.magnitude - 1.0;
                let late = (two.phase_rad - full.phase_rad).abs();
                // A tube is no mass on a spring: without friction and dead volume the pair is
                // cos(pi/4)/0.75 - 1 = -6 % at half the natural frequency. Seen here: 6.8 % and
                // 0.064 rad.
                assert!(magnitude.abs() < 0.07, "{l} {f}: {magnitude}");
                assert!(late < 0.07, "{l} {f}: {late}");
            }
        }
    }

    #[test]
    fn a_tight_hose_has_no_peak_but_a_corner() {
        let tight = Hose::new(2.0, 0.6e-3, 2e-6, 293.15, 60_000.0).unwrap();
        assert_eq!(tight.viscous_peak(), None);
        let pair = tight.second_order().unwrap();
        assert!(pair.zeta > 1.0);
        assert!(pair.corner_hz() < required_corner_hz(1_250.0));
        assert!(hose().second_order().unwrap().corner_hz() > required_corner_hz(3_800.0));
    }

    #[test]
    fn refuses_what_is_no_hose() {
        assert!(Hose::new(0.25, 4.0, 0.6e-6, 293.15, 101_325.0).is_err());
        assert!(Hose::new(f64::NAN, 4e-3, 0.6e-6, 293.15, 101_325.0).is_err());
        let message = Hose::new(25.0, 4e-3, 0.0, 293.15, 1e5)
            .unwrap_err()
            .to_string();
        assert!(
            message.contains("hose length") && message.contains("25"),
            "{message}"
        );
    }

    proptest! {
        /// Friction lowers the resonance and never makes a passive hose silent at low frequency.
        #[test]
        fn prop_friction_lowers_the_peak(
            l in 0.1..1.5_f64,
            d in 1.5e-3..8e-3_f64,
            v in 1e-7..5e-6_f64,
        ) {
            let hose = Hose::new(l, d, v, 293.15, 101_325.0).unwrap();
            if let Some((f, magnitude)) = hose.viscous_peak() {
                prop_assert!(f < hose.lossless_peak_hz());
                prop_assert!(magnitude > 1.0);
            }
        }
    }
}

//! Open area of an elliptic throttle plate with a spindle.
//!
//! The plate shuts against the bore at the angle `psi0` between its normal and the bore's axis;
//! `opening = psi - psi0` counts from there. Limits: geometric area only (see
//! [`crate::discharge`] for CdA), no wall gap when shut, spindle wholly inside the plate.

use std::f64::consts::{FRAC_2_PI, FRAC_PI_4};

/// What a plate refuses.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum PlateError {
    /// The bore is not a positive length.
    #[error("bore must be finite and positive, got {bore_m} m")]
    Bore {
        /// The refused value [m].
        bore_m: f64,
    },
    /// The spindle does not fit the bore.
    #[error("spindle must be at least 0 and below the bore of {bore_m} m, got {spindle_m} m")]
    Spindle {
        /// The refused value [m].
        spindle_m: f64,
        /// The bore [m].
        bore_m: f64,
    },
    /// The shut angle is outside 0 to 45 degrees.
    #[error("shut angle must be within 0 to 45 degrees, got {} degrees", shut_rad.to_degrees())]
    ShutAngle {
        /// The refused value [rad].
        shut_rad: f64,
    },
    /// The area asked for cannot be reached.
    #[error("area must be within 0 and {max_m2} m2 (wide open), got {area_m2} m2")]
    Area {
        /// The refused value [m2].
        area_m2: f64,
        /// The largest area that exists [m2].
        max_m2: f64,
    },
}

/// An elliptic throttle plate on a spindle in a round bore.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Plate {
    bore_m: f64,
    spindle_m: f64,
    shut_rad: f64,
    /// `a = d / D` [-].
    a: f64,
    /// `a sqrt(1 - a^2) + asin a` [-].
    spindle_term: f64,
    /// Plate angle at which the spindle alone blocks the bore [rad].
    open_rad: f64,
}

impl Plate {
    /// Plate in a bore of `bore_m` [m] > 0, on a spindle of `spindle_m` [m], 0 to below the bore,
    /// shut at `shut_rad` [rad], 0 to 45 degrees, between plate normal and bore axis.
    ///
    /// # Errors
    /// [`PlateError`] naming the argument out of range.
    pub fn new(bore_m: f64, spindle_m: f64, shut_rad: f64) -> Result<Self, PlateError> {
        if !(bore_m.is_finite() && bore_m > 0.0) {
            return Err(PlateError::Bore { bore_m });
        }
        if !(spindle_m >= 0.0 && spindle_m < bore_m) {
            return Err(PlateError::Spindle { spindle_m, bore_m });
        }
        if !(0.0..=FRAC_PI_4).contains(&shut_rad) {
            return Err(PlateError::ShutAngle { shut_rad });
        }
        let a = spindle_m / bore_m;
        Ok(Self {
            bore_m,
            spindle_m,
            shut_rad,
            a,
            spindle_term: a * (1.0 - a * a).sqrt() + a.asin(),
            open_rad: (a * shut_rad.cos()).acos(),
        })
    }

    /// Bore D [m].
    pub fn bore_m(&self) -> f64 {
        self.bore_m
    }

    /// Spindle diameter d [m].
    pub fn spindle_m(&self) -> f64 {
        self.spindle_m
    }

    /// Angle between plate normal and bore axis when shut, psi0 [rad].
    pub fn shut_rad(&self) -> f64 {
        self.shut_rad
    }

    /// Opening above shut from which the area no longer grows [rad].
    pub fn full_open_rad(&self) -> f64 {
        self.open_rad - self.shut_rad
    }

    /// Largest open area, bore less spindle [m2].
    ///
    /// `A = pi D^2/4 - (D^2/2) (a sqrt(1 - a^2) + asin a)`.
    pub fn full_area_m2(&self) -> f64 {
        self.bore_area_m2() * (1.0 - FRAC_2_PI * self.spindle_term)
    }

    /// Open area at `opening_rad` above shut [m2]; zero below shut, constant past fully open.
    ///
    /// `4A/(pi D^2) = (1 - c/c0) + (2/pi) [ a sqrt(1 - q^2) + (c/c0) asin q - a sqrt(1 - a^2)
    /// - asin a ]` with `c = cos psi`, `c0 = cos psi0`, `q = a c0/c`, while `q <= 1`.
    ///
    /// # Source
    /// `heywood1988`, throttle-plate geometry, signs as confirmed by quadrature of the projected
    /// plate, spindle and bore (a widely printed form has both arcsines flipped and is 0.4 % low
    /// at 20 degrees).
    pub fn area_m2(&self, opening_rad: f64) -> f64 {
        if opening_rad <= 0.0 {
            return 0.0;
        }
        if opening_rad >= self.full_open_rad() {
            return self.full_area_m2();
        }
        let c0 = self.shut_rad.cos();
        let c_over_c0 = (self.shut_rad + opening_rad).cos() / c0;
        let q = (self.a / c_over_c0).min(1.0);
        let bracket = self.a * (1.0 - q * q).sqrt() + c_over_c0 * q.asin() - self.spindle_term;
        // 1 - c/c0 without cancellation: small openings are where the tool works.
        let uncovered =
            2.0 * (self.shut_rad + 0.5 * opening_rad).sin() * (0.5 * opening_rad).sin() / c0;
        self.bore_area_m2() * (uncovered + FRAC_2_PI * bracket)
    }

    /// Slope of the open area, `dA/d(opening)` [m2/rad]; zero below shut and past fully open.
    ///
    /// `(pi D^2/4) sin psi [ 1/c0 - (2/pi) (asin q / c0 - (a/c) sqrt(1 - q^2)) ]`, symbols as in
    /// [`Plate::area_m2`]. At shut it is the slope towards open.
    pub fn darea_m2_per_rad(&self, opening_rad: f64) -> f64 {
        if opening_rad < 0.0 || opening_rad >= self.full_open_rad() {
            return 0.0;
        }
        let psi = self.shut_rad + opening_rad;
        let (c, c0) = (psi.cos(), self.shut_rad.cos());
        let q = (self.a * c0 / c).min(1.0);
        let spindle = FRAC_2_PI * (q.asin() / c0 - self.a / c * (1.0 - q * q).sqrt());
        self.bore_area_m2() * psi.sin() * (1.0 / c0 - spindle)
    }

    /// Area [m2] with its slopes by the opening and by the shut angle at that opening [m2/rad].
    ///
    /// With `x = c/c0` the area changes by `-(pi D^2/4) [1 - (2/pi) (asin q - q sqrt(1 - q^2))]`
    /// per `x`, `x` by `-sin psi / c0` per opening and by `-sin(opening) / c0^2` per shut angle.
    /// Symbols and range as in [`Plate::area_m2`]; all but the area are zero outside it.
    pub fn area_and_slopes(&self, opening_rad: f64) -> (f64, f64, f64) {
        let area = self.area_m2(opening_rad);
        if opening_rad < 0.0 || opening_rad >= self.full_open_rad() {
            return (area, 0.0, 0.0);
        }
        let (sin, c) = (self.shut_rad + opening_rad).sin_cos();
        let c0 = self.shut_rad.cos();
        let q = (self.a * c0 / c).min(1.0);
        let per_x = self.bore_area_m2() * (FRAC_2_PI * (q.asin() - q * (1.0 - q * q).sqrt()) - 1.0);
        let by_opening = per_x * -sin / c0;
        let by_shut = per_x * -opening_rad.sin() / (c0 * c0);
        (area, by_opening, by_shut)
    }

    /// Small-angle form of the area, `(pi D^2/4) (tan psi0 d + d^2/2)` [m2].
    ///
    /// `opening_rad` = d [rad] >= 0. Leaves the spindle out; the exact form is lower by
    /// `(2/pi)(asin a - a sqrt(1 - a^2))` of it (0.3 % at a = 0.2) plus terms of third order.
    pub fn small_angle_area_m2(&self, opening_rad: f64) -> f64 {
        let d = opening_rad.max(0.0);
        self.bore_area_m2() * (self.shut_rad.tan() * d + 0.5 * d * d)
    }

    /// Opening above shut that gives `area_m2` [rad]; inverse of [`Plate::area_m2`].
    ///
    /// `area_m2` [m2]: 0 to [`Plate::full_area_m2`], which gives [`Plate::full_open_rad`].
    ///
    /// # Errors
    /// [`PlateError::Area`] outside that range.
    pub fn opening_rad(&self, area_m2: f64) -> Result<f64, PlateError> {
        let max_m2 = self.full_area_m2();
        if !(area_m2 >= 0.0 && area_m2 <= max_m2) {
            return Err(PlateError::Area { area_m2, max_m2 });
        }
        let upper = self.full_open_rad();
        Ok(crate::bracket::rising_root(
            |x| (self.area_m2(x) - area_m2, self.darea_m2_per_rad(x)),
            0.0,
            upper,
        ))
    }

    fn bore_area_m2(&self) -> f64 {
        FRAC_PI_4 * self.bore_m * self.bore_m
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn plate() -> Plate {
        Plate::new(0.046, 0.009, 6.0_f64.to_radians()).unwrap()
    }

    #[test]
    fn refuses_impossible_plates() {
        assert!(matches!(
            Plate::new(0.0, 0.0, 0.1),
            Err(PlateError::Bore { .. })
        ));
        assert!(matches!(
            Plate::new(0.04, 0.04, 0.1),
            Err(PlateError::Spindle { .. })
        ));
        assert!(matches!(
            Plate::new(0.04, 0.01, 0.9),
            Err(PlateError::ShutAngle { .. })
        ));
        assert!(matches!(
            plate().opening_rad(1.0),
            Err(PlateError::Area { .. })
        ));
        assert!(plate().opening_rad(f64::NAN).is_err());
    }

    #[test]
    fn shut_and_wide_open() {
        let p = plate();
        assert_eq!(p.area_m2(0.0), 0.0);
        assert_eq!(p.area_m2(-0.1), 0.0);
        assert_eq!(p.area_m2(2.0), p.full_area_m2());
        let just_before = p.area_m2(p.full_open_rad() - 1e-9);
        assert!((just_before / p.full_area_m2() - 1.0).abs() < 1e-9);
        assert!((p.opening_rad(p.full_area_m2()).unwrap() - p.full_open_rad()).abs() < 1e-6);
    }

    /// A plate without spindle has the elementary area `1 - cos psi / cos psi0`.
    #[test]
    fn no_spindle_is_elementary() {
        let p = Plate::new(0.04, 0.0, 0.1).unwrap();
        let want = FRAC_PI_4 * 0.04 * 0.04 * (1.0 - 0.5_f64.cos() / 0.1_f64.cos());
        assert!((p.area_m2(0.4) - want).abs() < 1e-15);
    }

    /// Within 1 % at openings up to 5 degrees, as its doc says.
    #[test]
    fn small_angle_form_is_close() {
        let p = plate();
        for deg in [0.5_f64, 1.0, 2.0, 5.0] {
            let x = deg.to_radians();
            assert!(
                (p.small_angle_area_m2(x) / p.area_m2(x) - 1.0).abs() < 0.01,
                "{deg}"
            );
        }
    }

    proptest! {
        #[test]
        fn prop_inverse_undoes_area(x in 1e-4..1.2_f64) {
            let p = plate();
            prop_assert!((p.opening_rad(p.area_m2(x)).unwrap() - x).abs() < 1e-9);
        }

        /// Central differences; 1e-6 relative is their truncation at this step.
        #[test]
        fn prop_slope_matches_differences(x in 1e-3..1.3_f64) {
            let p = plate();
            let h = 1e-6;
            let numeric = (p.area_m2(x + h) - p.area_m2(x - h)) / (2.0 * h);
            let full = p.full_area_m2();
            prop_assert!((numeric - p.darea_m2_per_rad(x)).abs() < 1e-6 * full);
        }

        /// Central differences by opening and by shut angle; tolerance as above.
        #[test]
        fn prop_both_slopes_match_differences(x in 1e-3..1.3_f64, shut in 0.02..0.2_f64) {
            let at = |shut: f64, x: f64| Plate::new(0.046, 0.009, shut).unwrap().area_m2(x);
            let p = Plate::new(0.046, 0.009, shut).unwrap();
            let h = 1e-6;
            let (area, by_opening, by_shut) = p.area_and_slopes(x);
            let limit = 1e-6 * p.full_area_m2();
            let opening = (at(shut, x + h) - at(shut, x - h)) / (2.0 * h);
            let angle = (at(shut + h, x) - at(shut - h, x)) / (2.0 * h);
            prop_assert_eq!(area, p.area_m2(x));
            prop_assert!((opening - by_opening).abs() < limit);
            // Where the plate is within a step of fully open the difference straddles a corner.
            let near_full = (x - p.full_open_rad()).abs() < 1e-5;
            prop_assert!(near_full || (angle - by_shut).abs() < limit, "{} {}", angle, by_shut);
        }
    }
}

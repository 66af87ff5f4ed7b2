//! From geometric area to through-area: discharge coefficients over the opening.
//!
//! Coefficients are measured, rise with the opening and carry an uncertain scale; nothing here
//! knows that scale, the caller does.

use crate::plate::{Plate, PlateError};

/// What a discharge table refuses.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum DischargeError {
    /// A coefficient outside (0, 1].
    #[error("discharge coefficient must be above 0 and at most 1, got {value} (entry {index})")]
    Coefficient {
        /// Zero-based place in the table; 0 for a constant.
        index: usize,
        /// The refused value [-].
        value: f64,
    },
    /// A table without entries.
    #[error("discharge table is empty")]
    Empty,
    /// Openings that do not rise.
    #[error("openings of a discharge table must be finite and rise, entry {index} does not")]
    Order {
        /// Zero-based place of the entry that is not above the one before it.
        index: usize,
    },
}

/// Opening above shut [deg] and coefficient [-], as attributed to a University of Michigan study.
///
/// # Source
/// `harrington1968`, seen second-hand; that the angle counts from shut is our reading.
pub const HARRINGTON_DEG: [(f64, f64); 12] = [
    (0.0, 0.60),
    (2.47, 0.61),
    (4.95, 0.64),
    (7.42, 0.72),
    (9.89, 0.79),
    (12.36, 0.82),
    (14.84, 0.84),
    (19.78, 0.86),
    (29.92, 0.89),
    (39.81, 0.91),
    (59.84, 0.94),
    (89.88, 0.95),
];

/// Discharge coefficient of a throttle plate over its opening.
#[derive(Debug, Clone, PartialEq)]
pub struct Discharge {
    /// Openings above shut [rad] and coefficients [-], rising; one entry is a constant.
    points: Vec<(f64, f64)>,
}

impl Discharge {
    /// One coefficient `cd` [-], above 0 and at most 1, for every opening.
    ///
    /// # Errors
    /// [`DischargeError::Coefficient`] outside that range.
    pub fn constant(cd: f64) -> Result<Self, DischargeError> {
        Self::table_rad(vec![(0.0, cd)])
    }

    /// Table of (opening above shut [rad], coefficient [-]), openings rising; linear between the
    /// entries, level outside.
    ///
    /// # Errors
    /// [`DischargeError`] naming the entry at fault.
    pub fn table_rad(points: Vec<(f64, f64)>) -> Result<Self, DischargeError> {
        if points.is_empty() {
            return Err(DischargeError::Empty);
        }
        for (index, &(opening, cd)) in points.iter().enumerate() {
            if !(cd > 0.0 && cd <= 1.0) {
                return Err(DischargeError::Coefficient { index, value: cd });
            }
            if !opening.is_finite() || (index > 0 && opening <= points[index - 1].0) {
                return Err(DischargeError::Order { index });
            }
        }
        Ok(Self { points })
    }

    /// Table of (opening above shut [deg], coefficient [-]), as profiles write it.
    ///
    /// # Errors
    /// As for [`Discharge::table_rad`].
    pub fn table_deg(points: &[(f64, f64)]) -> Result<Self, DischargeError> {
        Self::table_rad(
            points
                .iter()
                .map(|&(deg, cd)| (deg.to_radians(), cd))
                .collect(),
        )
    }

    /// The table attributed to Harrington, see [`HARRINGTON_DEG`].
    pub fn harrington() -> Self {
        Self {
            points: HARRINGTON_DEG
                .iter()
                .map(|&(deg, cd)| (deg.to_radians(), cd))
                .collect(),
        }
    }

    /// The same table with every coefficient times `factor` [-], none above 1.
    ///
    /// # Errors
    /// [`DischargeError::Coefficient`] if a coefficient is no longer above 0.
    pub fn scaled(&self, factor: f64) -> Result<Self, DischargeError> {
        Self::table_rad(
            self.points
                .iter()
                .map(|&(opening, cd)| (opening, (cd * factor).min(1.0)))
                .collect(),
        )
    }

    /// Coefficient at `opening_rad` above shut [-].
    pub fn at(&self, opening_rad: f64) -> f64 {
        self.value_and_slope(opening_rad).0
    }

    /// Coefficient [-] and its slope [1/rad] at `opening_rad` above shut; at an entry the slope is
    /// that of the stretch above it.
    pub fn value_and_slope(&self, opening_rad: f64) -> (f64, f64) {
        let above = self.points.partition_point(|&(x, _)| x <= opening_rad);
        if above == 0 {
            return (self.points[0].1, 0.0);
        }
        let (x0, y0) = self.points[above - 1];
        let Some(&(x1, y1)) = self.points.get(above) else {
            return (y0, 0.0);
        };
        let slope = (y1 - y0) / (x1 - x0);
        (y0 + slope * (opening_rad - x0), slope)
    }
}

/// A plate with its discharge coefficient: opening to through-area and back.
#[derive(Debug, Clone, PartialEq)]
pub struct Throttle {
    /// Geometry.
    pub plate: Plate,
    /// Discharge coefficient over the opening.
    pub discharge: Discharge,
}

impl Throttle {
    /// Through-area `Cd A` of the plate alone [m2] at `opening_rad` above shut.
    pub fn through_area_m2(&self, opening_rad: f64) -> f64 {
        self.discharge.at(opening_rad) * self.plate.area_m2(opening_rad)
    }

    /// Slope of the through-area [m2/rad].
    pub fn dthrough_area_m2_per_rad(&self, opening_rad: f64) -> f64 {
        let (cd, slope) = self.discharge.value_and_slope(opening_rad);
        cd * self.plate.darea_m2_per_rad(opening_rad) + slope * self.plate.area_m2(opening_rad)
    }

    /// Opening above shut that gives a through-area of `cda_m2` [rad].
    ///
    /// `cda_m2` [m2]: 0 to the through-area fully open. With a table whose coefficient falls so
    /// steeply that the product falls, any one of the solutions is returned.
    ///
    /// # Errors
    /// [`PlateError::Area`] outside that range.
    pub fn opening_rad(&self, cda_m2: f64) -> Result<f64, PlateError> {
        let upper = self.plate.full_open_rad();
        let max_m2 = self.through_area_m2(upper);
        if !(cda_m2 >= 0.0 && cda_m2 <= max_m2) {
            return Err(PlateError::Area {
                area_m2: cda_m2,
                max_m2,
            });
        }
        Ok(crate::bracket::rising_root(
            |x| {
                (
                    self.through_area_m2(x) - cda_m2,
                    self.dthrough_area_m2_per_rad(x),
                )
            },
            0.0,
            upper,
        ))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn throttle() -> Throttle {
        Throttle {
            plate: Plate::new(0.046, 0.009, 0.105).unwrap(),
            discharge: Discharge::harrington(),
        }
    }

    #[test]
    fn table_is_linear_between_and_level_outside() {
        let d = Discharge::table_deg(&[(0.0, 0.6), (10.0, 0.8)]).unwrap();
        assert!((d.at(5.0_f64.to_radians()) - 0.7).abs() < 1e-12);
        assert!((d.at(-1.0) - 0.6).abs() < 1e-12);
        assert!((d.at(2.0) - 0.8).abs() < 1e-12);
    }

    #[test]
    fn refuses_bad_tables() {
        assert_eq!(Discharge::table_deg(&[]), Err(DischargeError::Empty));
        assert!(matches!(
            Discharge::table_deg(&[(0.0, 0.6), (0.0, 0.7)]),
            Err(DischargeError::Order { index: 1 })
        ));
        assert!(matches!(
            Discharge::constant(1.2),
            Err(DischargeError::Coefficient { .. })
        ));
        assert!(Discharge::constant(f64::NAN).is_err());
    }

    #[test]
    fn the_published_table_passes_its_own_checks() {
        assert_eq!(
            Discharge::table_deg(&HARRINGTON_DEG),
            Ok(Discharge::harrington())
        );
    }

    #[test]
    fn too_large_an_area_is_refused() {
        assert!(matches!(
            throttle().opening_rad(1.0),
            Err(PlateError::Area { .. })
        ));
    }

    proptest! {
        #[test]
        fn prop_opening_undoes_through_area(x in 1e-4..1.2_f64) {
            let t = throttle();
            prop_assert!((t.opening_rad(t.through_area_m2(x)).unwrap() - x).abs() < 1e-9);
        }
    }
}

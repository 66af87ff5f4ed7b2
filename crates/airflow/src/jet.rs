//! Bores of jets to areas.
//!
//! Geometric areas; the discharge coefficient of a jet is the caller's to state.

use std::f64::consts::FRAC_PI_4;

use crate::gas::FlowError;

/// Largest bore taken for a jet [m]; above it a unit was mixed up.
const MAX_BORE_M: f64 = 0.02;

/// Area `pi d^2 / 4` [m2] of a jet with bore `bore_m` [m], above 0 to 0.02.
///
/// # Errors
/// [`FlowError::NotPositive`] outside that range.
pub fn jet_area_m2(bore_m: f64) -> Result<f64, FlowError> {
    if !(bore_m > 0.0 && bore_m <= MAX_BORE_M) {
        return Err(FlowError::NotPositive {
            what: "jet bore, at most 0.02 m,",
            value: bore_m,
            unit: "m",
        });
    }
    Ok(FRAC_PI_4 * bore_m * bore_m)
}

/// Area [mm2] of a jet with bore `bore_mm` [mm], above 0 to 20.
///
/// # Errors
/// As for [`jet_area_m2`].
pub fn jet_area_mm2_from_mm(bore_mm: f64) -> Result<f64, FlowError> {
    Ok(jet_area_m2(bore_mm * 1e-3)? * 1e6)
}

/// Area [mm2] of a jet stamped with its bore in hundredths of a millimetre, above 0 to 2,000.
///
/// # Errors
/// As for [`jet_area_m2`].
pub fn jet_area_mm2_from_hundredths(stamp: f64) -> Result<f64, FlowError> {
    jet_area_mm2_from_mm(stamp * 1e-2)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn millimetres_and_hundredths_agree() {
        let a = jet_area_mm2_from_mm(1.2).unwrap();
        let b = jet_area_mm2_from_hundredths(120.0).unwrap();
        assert!((a - b).abs() < 1e-12);
    }

    #[test]
    fn refuses_nonsense() {
        for bore in [0.0, -1.0, 120.0, f64::NAN] {
            assert!(jet_area_mm2_from_mm(bore).is_err(), "{bore}");
        }
    }
}

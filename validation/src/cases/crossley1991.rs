//! Flow of a whole throttle against its angle (`crossley1991`).
//!
//! The throttle's bore, shut angle and leak are not stated. They are fitted, and what is left
//! tells whether plate geometry times the discharge table grows with the angle as a measured
//! throttle does.

use evenpull_airflow::gas::Gas;
use evenpull_airflow::orifice::PSI_CHOKED_AIR;
use evenpull_airflow::{Discharge, Plate, Throttle};
use evenpull_fit::LeastSquares;

use crate::case::{Case, Deviation};

/// Polynomial of the source [g/s], `theta_deg` from shut [deg], choked at one atmosphere.
fn flow_g_s(theta_deg: f64) -> f64 {
    /// Coefficients of rising powers of the angle in degrees [g/s].
    const C: [f64; 4] = [2.821, -0.05231, 0.10299, -0.00063];
    C.iter().rev().fold(0.0, |sum, c| sum * theta_deg + c)
}

/// Spindle over bore [-]; not stated, and of no weight: 0.15 and 0.25 leave the same residual.
const SPINDLE_RATIO: f64 = 0.2;

/// Flow of our throttle [g/s]: `p` holds bore [mm], shut angle [deg], leak [mm2].
fn our_flow_g_s(p: &[f64], theta_deg: f64) -> f64 {
    let bore_m = p[0] * 1e-3;
    let plate = Plate::new(bore_m, SPINDLE_RATIO * bore_m, p[1].to_radians())
        .expect("bounds of the fit keep the plate possible");
    let throttle = Throttle {
        plate,
        discharge: Discharge::harrington(),
    };
    let cda_m2 = throttle.through_area_m2(theta_deg.to_radians()) + p[2] * 1e-6;
    let (p0_pa, t0_k) = (101_325.0, 298.15);
    1e3 * cda_m2 * p0_pa / (Gas::AIR.r_j_per_kg_k() * t0_k).sqrt() * PSI_CHOKED_AIR
}

pub(super) fn throttle_shape() -> Case {
    let angles: Vec<f64> = (2..=16).map(|i| 2.5 * f64::from(i)).collect();
    let fit = LeastSquares::new(angles.len(), &[50.0, 5.0, 5.0])
        .bounds(&[20.0, 0.0, 0.0], &[120.0, 15.0, 40.0])
        .solve(|p, r| {
            for (r, &theta) in r.iter_mut().zip(&angles) {
                *r = our_flow_g_s(p, theta) / flow_g_s(theta) - 1.0;
            }
        })
        .expect("a fit of three parameters to fifteen flows");
    let mut case = Case::new(
        "throttle_shape",
        "crossley1991",
        Deviation::Relative,
        0.05,
        "discharge coefficients of throttle plates differ by about 5 % between rigs (from memory)",
    );
    for theta in angles {
        case.push(
            format!("{theta} deg"),
            our_flow_g_s(&fit.params, theta),
            flow_g_s(theta),
        );
    }
    case
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::data::Table;

    /// The polynomial as we typed it, against the source's values; half of the last digit
    /// (at 5 degrees exactly that half, 5.05545, hence the rounding of a float on top).
    #[test]
    fn val_crossley_polynomial() {
        let t = Table::parse(include_str!("../../data/crossley1991_throttle.csv"));
        for (deg, want) in t.column("theta_deg").into_iter().zip(t.column("flow_g_s")) {
            assert!(
                (flow_g_s(deg) - want).abs() <= 0.5e-4 + 1e-12,
                "{deg}: {} {want}",
                flow_g_s(deg)
            );
        }
    }

    #[test]
    fn val_throttle_shape() {
        throttle_shape().assert_passes();
    }
}

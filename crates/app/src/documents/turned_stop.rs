//! What a quarter turn of one stop does, by the geometry of the profile.

use evenpull_airflow::{Plate, Throttle};
use evenpull_job::Profile;
use evenpull_report::TurnedStop;

/// A turn that a careless hand makes.
const TURN: f64 = 0.25;
/// Openings the fuel computer believes in, counted from the stop [deg].
const OPENINGS_DEG: [f64; 5] = [2.0, 5.0, 12.0, 25.0, 40.0];

/// The figures of the page for owners.
///
/// The stop of the plate that the sensor sits on is turned in, and the fuel computer learns the new
/// volts as closed. It then believes every opening to be smaller by what the turn gave, under either
/// coupling law, so at an opening d it believes in the air error is `A(d + e)/A(d) - 1`, A the
/// through-area of the plate, e what the turn gave.
pub(crate) fn turned_stop(profile: &Profile) -> TurnedStop {
    let body = &profile.body;
    let plate = Plate::new(
        body.bore_mm * 1e-3,
        body.spindle_mm * 1e-3,
        body.shut_angle_deg.to_radians(),
    );
    let Ok(plate) = plate else {
        // A profile that was read has such a plate.
        return TurnedStop::default();
    };
    let throttle = Throttle {
        plate,
        discharge: body.discharge.clone(),
    };
    let area_mm2 = |deg: f64| 1e6 * throttle.through_area_m2(deg.to_radians());
    let opened_deg = TURN * profile.stop_deg_per_turn;
    let stop = body.stop_opening_deg;
    let error = |deg: f64| {
        let at = stop + deg;
        100.0 * (area_mm2(at + opened_deg) / area_mm2(at) - 1.0)
    };
    TurnedStop {
        opened_deg,
        before_mm2: area_mm2(stop),
        after_mm2: area_mm2(stop + opened_deg),
        air_error_percent: OPENINGS_DEG.map(|deg| (deg, error(deg))).into(),
    }
}

//! Values as they would have been in the standard atmosphere.
//!
//! An idling engine asks for one air mass per second, `m' = CdA p0 / sqrt(R T0) psi`, and its runners
//! stand below the critical ratio for most of the cycle, so psi stays and the area goes by
//! `sqrt(T0) / p0`. A depression is divided by the ambient pressure (common practice, no source).

use evenpull_job::Profile;
use evenpull_trace::Notice;

use super::{PastVisit, Quantity, Series, Standing};

/// Standard atmosphere at sea level (ISO 2533) [kPa].
const STANDARD_KPA: f64 = 101.325;

/// The same [K].
const STANDARD_K: f64 = 288.15;

/// Idle-valve steps at the standard atmosphere.
///
/// `steps` as read at `ambient_kpa` [kPa] and `ambient_c` [C]; `idle_area_mm2` the through-area of all
/// bodies together then [mm2]; `mm2_per_step` of the valve. The valve makes up the difference of the
/// area asked for: `A_std = A (p0 / p_std) sqrt(T_std / T0)`.
pub fn steps_at_standard(
    steps: f64,
    idle_area_mm2: f64,
    mm2_per_step: f64,
    ambient_kpa: f64,
    ambient_c: f64,
) -> f64 {
    let ratio = ambient_kpa / STANDARD_KPA * (STANDARD_K / (ambient_c + 273.15)).sqrt();
    steps + idle_area_mm2 * (ratio - 1.0) / mm2_per_step
}

/// Depression at the standard pressure [kPa], read at `ambient_kpa` [kPa].
pub fn depression_at_standard_kpa(depression_kpa: f64, ambient_kpa: f64) -> f64 {
    depression_kpa * STANDARD_KPA / ambient_kpa
}

/// The value that the history fits.
pub(super) fn corrected(profile: &Profile, visit: &PastVisit, own: &Standing) -> f64 {
    match own.quantity {
        Quantity::IdleSteps => match (profile.idle_valve, visit.idle_area_mm2) {
            (Some(valve), Some(area)) => steps_at_standard(
                own.value,
                area,
                valve.area_mm2_per_step,
                visit.ambient_kpa,
                visit.ambient_c,
            ),
            _ => own.value,
        },
        Quantity::Depression => depression_at_standard_kpa(own.value, visit.ambient_kpa),
        _ => own.value,
    }
}

/// Says so where corrected steps lie beyond the travel of the idle valve.
///
/// They stay as they are: wear shows in the air asked for, and a number held at the end of the travel
/// would hide it.
pub(super) fn beyond_travel(
    profile: &Profile,
    visits: &[PastVisit],
    series: &[Series],
) -> Option<Notice> {
    let travel = f64::from(profile.idle_valve?.steps);
    let dots = series
        .iter()
        .filter(|s| s.quantity == Quantity::IdleSteps)
        .flat_map(|s| &s.dots);
    let beyond: Vec<(f64, &str)> = dots
        .map(|dot| (dot.read.value, visits[dot.visit].label.as_str()))
        .filter(|(steps, _)| !(0.0..=travel).contains(&steps.round()))
        .collect();
    let worst = beyond.iter().map(|(steps, _)| *steps).max_by(|a, b| {
        (a - 0.5 * travel)
            .abs()
            .total_cmp(&(b - 0.5 * travel).abs())
    })?;
    let named: Vec<String> = beyond
        .iter()
        .map(|(steps, label)| format!("{steps:.0} in {label}"))
        .collect();
    let outcome = if worst < 0.0 {
        "shut, and the engine idles faster than asked"
    } else {
        "wide open, and the engine idles slower than asked"
    };
    Some(Notice::new(
        "steps-beyond-travel",
        format!(
            "in the standard atmosphere the idle valve would stand beyond its travel of 0 to {travel:.0} steps \
             ({}): no valve can; at sea level it is {outcome}. The numbers are kept, since the air that \
             is asked for, and with it the wear, is counted by them",
            named.join(", ")
        ),
    ))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn thin_air_asks_for_more_area() {
        assert!((steps_at_standard(40.0, 20.0, 0.1, 101.325, 15.0) - 40.0).abs() < 1e-9);
        // 1,000 m: 89.8746 kPa, 281.65 K (ISO 2533): area over 0.8970, so 20 mm2 there are 17.94 at
        // sea level and the valve stands 20.6 steps of 0.1 mm2 lower.
        let steps = steps_at_standard(60.0, 20.0, 0.1, 89.874_562_9, 8.5);
        assert!((steps - 39.43).abs() < 0.05, "{steps}");
        assert!((depression_at_standard_kpa(22.9, 89.874_562_9) - 25.82).abs() < 0.01);
    }
}

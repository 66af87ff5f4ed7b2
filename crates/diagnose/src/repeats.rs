//! Gauges read twice in one state that do not say the same.
//!
//! The fit takes a pair of gauges to repeat to 0.3 kPa; a spindle that scatters is one of its hypotheses, a needle that
//! swings is none. So what does not repeat is told, and no standard deviation is widened by it.

use evenpull_job::{Condition, Profile};
use evenpull_trace::Notice;

use crate::evidence::{Evidence, GAUGE_SD_KPA, Point};

/// Standard deviations of a change between two readings from which it is no repeat.
const FAR_SD: f64 = 3.0;

/// Speeds of one state, relative; assumed.
const SAME_SPEED: f64 = 0.05;

/// The first two readings by gauges of one state that do not repeat.
pub(crate) fn not_repeated(profile: &Profile, evidence: &Evidence) -> Option<Notice> {
    let gauges: Vec<(usize, &Point)> = (evidence.points.iter().enumerate())
        .filter(|(_, p)| p.recorded_kpa.is_none() && p.gauge_kpa.is_some())
        .collect();
    gauges.iter().enumerate().find_map(|(i, &(second, b))| {
        let before = gauges[..i].iter().rev();
        let &(first, a) = before
            .into_iter()
            .find(|(first, a)| one_state(evidence, (*first, a), (second, b)))?;
        let ([low, high], kpa) = changed(a.gauge_kpa.as_ref()?, b.gauge_kpa.as_ref()?)?;
        let limit_kpa = FAR_SD * std::f64::consts::SQRT_2 * GAUGE_SD_KPA;
        let bodies = profile.bodies();
        (kpa > limit_kpa).then(|| {
            Notice::new(
                "gauges-not-repeated",
                format!(
                    "readings {} and {} are of one state, and what {} and {} are apart changed by {kpa:.1} kPa between \
                     them, where gauges repeat to {GAUGE_SD_KPA} kPa: look for a needle that swings, a hose that is wet, \
                     kinked or loose, and rock the spindles; read again until it repeats before a screw is turned",
                    first + 1,
                    second + 1,
                    bodies[low],
                    bodies[high]
                ),
            )
        })
    })
}

/// True if nothing was turned, swapped or pinched between two readings of one condition and speed.
fn one_state(
    evidence: &Evidence,
    (first, a): (usize, &Point),
    (second, b): (usize, &Point),
) -> bool {
    let turned = |turn: &crate::evidence::Turn| (first + 1..=second).contains(&turn.before);
    a.condition == b.condition
        && a.condition != Condition::Sweep
        && (a.rpm / b.rpm - 1.0).abs() < SAME_SPEED
        && (a.swapped, a.valve_pinched) == (b.swapped, b.valve_pinched)
        && a.bleed_turns == b.bleed_turns
        && !evidence.turns.iter().any(turned)
}

/// The two bodies whose difference changed most, in their order, and by how much [kPa].
fn changed(a: &[f64], b: &[f64]) -> Option<([usize; 2], f64)> {
    let by: Vec<f64> = a.iter().zip(b).map(|(a, b)| b - a).collect();
    let order = |x: &usize, y: &usize| by[*x].total_cmp(&by[*y]);
    let low = (0..by.len()).min_by(order)?;
    let high = (0..by.len()).max_by(order)?;
    Some(([low.min(high), low.max(high)], by[high] - by[low]))
}

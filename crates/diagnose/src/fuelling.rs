//! What a fault does to the mixture across the throttle.
//!
//! The ECU knows the throttle sensor and the speed. At an opening it believes in it fuels for a
//! sound machine; the air that really comes differs by offset, link error, leak and a zero that was
//! learned at the wrong place. `error = M(A_real)/M(A_fuelled) - 1`; positive is lean.

use crate::assessment::Fuelling;
use crate::breathing::Breathing;
use crate::evidence::Evidence;
use crate::model::{Model, SOUND_LEAK_MM2, Space};
use crate::summary::{Draw, interval, last_turns};
use crate::verdict::learned_v;

/// Openings the ECU believes in [deg above closed].
const OPENINGS_DEG: [f64; 10] = [0.5, 1.0, 2.0, 3.0, 5.0, 8.0, 12.0, 20.0, 40.0, 70.0];

/// Speed of the curve [1/min]: steady riding.
const RPM: f64 = 3_000.0;

/// Draws used; enough for 90 % intervals.
const DRAWS: usize = 240;

/// Mixture error of every body over the openings, ascending per body.
pub(crate) fn curve(
    model: &Model<'_>,
    evidence: &Evidence,
    draws: &[Draw],
    breathing: Breathing,
) -> Vec<Fuelling> {
    let step = (draws.len() / DRAWS).max(1);
    let some: Vec<&Draw> = draws.iter().step_by(step).collect();
    let turns = last_turns(evidence, model.space.bodies);
    let learned = learned_v(model, evidence);
    let table = breathing.air_table(RPM);
    let mut out = Vec::new();
    for (b, &turns) in turns.iter().enumerate() {
        for opening_deg in OPENINGS_DEG {
            let errors = some
                .iter()
                .map(|(_, p)| {
                    let real = real_mm2(model, p, b, turns, opening_deg, learned);
                    let fuelled = fuelled_mm2(model, p, turns, opening_deg);
                    let air = |mm2: f64| table.air_kg(mm2 * 1e-6);
                    100.0 * (air(real) / air(fuelled) - 1.0)
                })
                .collect();
            if let Some(air_error_percent) = interval(errors) {
                out.push(Fuelling {
                    body: model.profile.bodies()[b].clone(),
                    opening_deg,
                    rpm: RPM,
                    air_error_percent,
                });
            }
        }
    }
    out
}

/// Area of body `b` when the ECU believes in `opening_deg` [mm2].
fn real_mm2(
    model: &Model<'_>,
    p: &[f64],
    b: usize,
    turns: f64,
    opening_deg: f64,
    learned: Option<f64>,
) -> f64 {
    let base = model.profile.body.stop_opening_deg;
    let sensed = match (model.profile.sensor, learned) {
        (Some(s), Some(v)) => {
            base + opening_deg + (v - s.volts_at_stop - p[Space::ZERO_V]) / s.volts_per_deg
        }
        _ => base + opening_deg,
    };
    let at = |command| {
        let open = model.openings_for(p, Some(command));
        (open[model.profile.sensor.map_or(0, |s| s.body)], open[b])
    };
    // The cable moves the undriven plate; find the command that puts the sensed plate there.
    let shift = at(sensed + 10.0).0 - sensed - 10.0;
    let open = at(sensed - shift).1;
    model.plate_mm2(p, open) + p[model.space.leak(b)] + model.bleed_mm2(p, b, turns)
}

/// Area of a sound body at that opening [mm2]; bleed as it stands, for it is set to make idle even.
fn fuelled_mm2(model: &Model<'_>, p: &[f64], turns: f64, opening_deg: f64) -> f64 {
    let base = model.profile.body.stop_opening_deg;
    let per_turn = model.profile.bleed.map_or(0.0, |x| x.area_mm2_per_turn);
    model.plate_mm2(p, base + opening_deg) + SOUND_LEAK_MM2.0 + turns * per_turn
}

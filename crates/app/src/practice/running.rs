//! The practice engine for a live session: it runs by itself, the faults are in it.

use evenpull_job::{AmbientData, HoseData};
use evenpull_live::{Bleed, PracticeSetup, Spindle, ThrottleSense};
use rand::RngExt;

use super::bench::{Bench, HOSE, IDLE_SHARE};
use super::{Individual, PracticeRequest};
use crate::error::AppError;

/// Samples per second of the practice engine's sensors [Hz].
const RATE_HZ: f64 = 2_000.0;
/// Inertia for each litre of the whole engine [kg m2 / l]: about 0.04 for a 1.1 l twin; assumed.
const INERTIA_PER_LITRE: f64 = 0.036;
/// Scatter of the burns of a warm idle [-]; assumed.
const BURN_SCATTER: f64 = 0.04;
/// Largest change of a worn spindle's leak over its standard deviation, as in a written job.
const SPINDLE_CHANGE: f64 = 1.7;

/// A practice engine ready to be started.
#[derive(Debug, Clone)]
pub(crate) struct Running {
    /// Engine with its faults.
    pub(crate) engine: PracticeSetup,
    /// Hose in front of each of its sensors.
    pub(crate) hose: HoseData,
    /// The faults in words.
    pub(crate) described: Vec<String>,
    /// Sealed parts whose seals show that they were touched.
    pub(crate) disturbed: Vec<String>,
}

/// Sets up the engine that `request` describes, in the air given or in air of its own.
///
/// # Errors
/// [`AppError::Fault`] for a fault the engine cannot show, [`AppError::Engine`] or
/// [`AppError::Practice`] for numbers it cannot use.
pub(crate) fn running(
    request: &PracticeRequest<'_>,
    given: Option<&AmbientData>,
) -> Result<Running, AppError> {
    let profile = &request.profile.profile;
    let own = Individual::none(profile);
    let mut bench = Bench::new(profile, &own, request.seed)?;
    for fault in request.faults {
        bench.put_in(fault)?;
    }
    // As a barometer and a thermometer show it, so that a stored reading is read with the same air.
    let air = &mut bench.setting;
    air.ambient_pa = (air.ambient_pa / 10.0).round() * 10.0;
    air.ambient_k = 273.15 + ((air.ambient_k - 273.15) * 10.0).round() / 10.0;
    if let Some(given) = given {
        air.ambient_pa = 1e3 * given.pressure_kpa;
        air.ambient_k = 273.15 + given.temperature_c;
    }
    let per_turn = profile.bleed.map(|b| b.area_mm2_per_turn * 1e-6);
    let bleeds = per_turn.map_or_else(Vec::new, |m2| {
        let turns = bench.bleed_turns.iter().zip(&bench.own.bleed);
        turns
            .enumerate()
            .map(|(i, (turns, scale))| Bleed {
                turns: *turns,
                m2_per_turn: m2 * scale,
                blocked: bench.bleed_blocked == Some(i),
            })
            .collect()
    });
    let mut chains = bench.chains()?;
    for chain in &mut chains {
        // A fault of a sensor comes after its zero was taken.
        chain.offset_pa = 0.0;
    }
    let litres = profile.engine.displacement_cc * profile.bodies().len() as f64 / 1e3;
    let steps = profile.idle_valve.map_or(1.0, |v| f64::from(v.steps));
    let engine = PracticeSetup {
        bodies: profile.bodies().to_vec(),
        sense: sense(&bench)?,
        spindle: bench.scatter.map(|s| Spindle {
            body: s.body,
            mean_m2: s.mean_m2,
            change_m2: SPINDLE_CHANGE * s.sd_m2,
        }),
        idle_rpm: profile.engine.idle_rpm,
        idle_steps: bench.stuck_steps.unwrap_or(IDLE_SHARE * steps),
        valve_stuck: bench.stuck_steps.is_some(),
        inertia_kg_m2: INERTIA_PER_LITRE * litres,
        scatter: BURN_SCATTER,
        bleeds,
        chains,
        late_offset_pa: bench.chain_offset_pa.clone(),
        crossed: bench.crossed,
        rate_hz: RATE_HZ,
        seed: bench.rng.random(),
        spec: bench.spec,
        setting: bench.setting,
    };
    Ok(Running {
        engine,
        hose: HOSE,
        described: bench.described,
        disturbed: bench.disturbed,
    })
}

/// The throttle sensor, learned where the plates rest now.
fn sense(bench: &Bench<'_>) -> Result<Option<ThrottleSense>, AppError> {
    let Some(sensor) = bench.profile.sensor else {
        return Ok(None);
    };
    let mut sense = ThrottleSense {
        body: sensor.body,
        volts_per_deg: sensor.volts_per_deg * bench.own.sensor_slope,
        volts_at_stop: sensor.volts_at_stop,
        stop_deg: bench.profile.body.stop_opening_deg,
        shift_v: bench.sensor_shift_v,
        learned_v: 0.0,
    };
    let rest = bench.setting.linkage.openings_deg(0.0)?;
    let rest_deg = rest.get(sensor.body).copied().unwrap_or(sense.stop_deg);
    sense.learned_v = bench.learned_v.unwrap_or_else(|| sense.volts(rest_deg));
    Ok(Some(sense))
}

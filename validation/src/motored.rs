//! The published motored cycle: one cylinder, one throttle, adiabatic, constant specific heats.
//!
//! Bore 70, stroke 60, rod 120 mm, compression ratio 11, 1,500 rpm; runner 0.10 l fed through 6 mm2;
//! intake 200 mm2 half-sine from 0 to 220 degrees, exhaust 180 mm2 half-sine from 500 to 720 degrees;
//! ambient 101,325 Pa and 300 K, gas constant 287.0; cycle 30 from rest (`cantera320`, `scipy117`).

use evenpull_airflow::{Discharge, Plate, Throttle};
use evenpull_engine::{
    CylinderSpec, EngineError, EngineSpec, Exhaust, Friction, IdleCircuit, LiftShape, Setting,
    Simulation, SliderCrank, Valve, WorkingGas,
};

/// Cycles run before the one that is looked at.
const SETTLING_CYCLES: usize = 29;
/// Engine speed [1/min].
pub const RPM: f64 = 1500.0;
/// Area that feeds the runner [m2].
pub const THROTTLE_M2: f64 = 6e-6;

/// Crank angle [deg] and runner pressure [Pa] of cycle 30, from Cantera 3.2.0 and scipy 1.17.1,
/// which agree to 0.01 Pa.
pub const RUNNER_PA: [(usize, f64); 12] = [
    (0, 101_325.0),
    (30, 87_364.52),
    (60, 60_073.29),
    (90, 42_719.41),
    (120, 34_302.57),
    (150, 31_103.30),
    (180, 31_241.96),
    (220, 36_197.90),
    (300, 51_398.66),
    (400, 70_056.46),
    (500, 86_150.76),
    (600, 97_150.15),
];

/// The engine; the plate is never used, its area is set straight.
///
/// # Panics
/// Never: plate and discharge are in range.
pub fn spec() -> EngineSpec {
    let plate = Plate::new(0.040, 0.008, 0.1).expect("a plate in range");
    let discharge = Discharge::constant(0.8).expect("a coefficient in range");
    EngineSpec {
        cylinders: vec![CylinderSpec {
            intake_start_deg: 0.0,
            crank: SliderCrank {
                bore_m: 0.070,
                stroke_m: 0.060,
                rod_m: 0.120,
                compression_ratio: 11.0,
            },
            intake: Valve {
                opens_deg: 0.0,
                closes_deg: 220.0,
                max_area_m2: 200e-6,
                shape: LiftShape::HalfSine,
            },
            exhaust: Valve {
                opens_deg: 500.0,
                closes_deg: 720.0,
                max_area_m2: 180e-6,
                shape: LiftShape::HalfSine,
            },
            runner_m3: 0.10e-3,
            column: None,
            runner_wall: None,
            cylinder_wall: None,
            heat: None,
            body: Throttle { plate, discharge },
        }],
        gas: WorkingGas::constant(287.0),
        idle: IdleCircuit {
            steps: 0.0,
            area_per_step_m2: 0.0,
            chamber_m3: 1e-4,
        },
        friction: Friction::CITED,
        exhaust: Exhaust {
            back_pressure_pa: 0.0,
            t_k: 300.0,
            burned: 0.0,
        },
    }
}

/// Runs cycle 30 at `steps_per_cycle`, 90 or more; the runner pressure [Pa] at every step goes
/// into `runner_pa`, which is emptied first.
///
/// # Errors
/// [`EngineError`] when the number of steps is out of range or the run diverges.
pub fn run(
    spec: &EngineSpec,
    steps_per_cycle: usize,
    runner_pa: &mut Vec<f64>,
) -> Result<Simulation, EngineError> {
    let mut setting = Setting::healthy(spec, 0.0);
    setting.ambient_k = 300.0;
    let mut simulation = Simulation::new(spec, &setting, steps_per_cycle, 0.0, 1)?;
    simulation.set_rpm(RPM);
    simulation.set_own_area_m2(0, THROTTLE_M2);
    for _ in 0..SETTLING_CYCLES {
        simulation.run_cycle(None)?;
    }
    runner_pa.clear();
    simulation.run_cycle(Some(runner_pa))?;
    Ok(simulation)
}

/// Largest relative error [-] of a recorded cycle at the angles of [`RUNNER_PA`].
///
/// `None` when the steps do not meet every one of these angles, as they do for multiples of 72.
pub fn error(runner_pa: &[f64]) -> Option<f64> {
    let mut worst = 0.0_f64;
    for (deg, want_pa) in RUNNER_PA {
        if !(deg * runner_pa.len()).is_multiple_of(720) {
            return None;
        }
        let got_pa = runner_pa.get(deg * runner_pa.len() / 720)?;
        worst = worst.max((got_pa / want_pa - 1.0).abs());
    }
    Some(worst)
}

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

/// Crank angles [deg] at which a valve opens or shuts: pressures are smooth between them.
const EVENTS_DEG: [usize; 4] = [0, 220, 500, 720];

/// Rows that a pressure between rows is read from.
const NODES: usize = 6;

/// Largest relative error [-] of a recorded cycle at the angles of [`RUNNER_PA`].
///
/// `None` when the rows miss an angle at which a valve opens or shuts: they meet all of these where there are a
/// multiple of 36, 108 or more.
pub fn error(runner_pa: &[f64]) -> Option<f64> {
    let rows = runner_pa.len();
    if rows < 108 || !rows.is_multiple_of(36) {
        return None;
    }
    let off = |(deg, want_pa): (usize, f64)| (at(runner_pa, deg) / want_pa - 1.0).abs();
    Some(RUNNER_PA.into_iter().map(off).fold(0.0, f64::max))
}

/// Pressure [Pa] at an angle: of its row, else by the polynomial through the nearest [`NODES`] rows that no valve
/// event lies between; the peers of the benchmark give theirs between steps as well.
fn at(runner_pa: &[f64], deg: usize) -> f64 {
    let row_of = |deg: usize| deg * runner_pa.len() / 720;
    let row = row_of(deg);
    if (deg * runner_pa.len()).is_multiple_of(720) {
        return runner_pa[row];
    }
    let place = deg as f64 * runner_pa.len() as f64 / 720.0;
    let next = EVENTS_DEG.iter().position(|&event| event > deg);
    let next = next.expect("an angle within the cycle");
    let [first, last] =
        [EVENTS_DEG[next - 1], EVENTS_DEG[next]].map(|deg| row_of(deg).min(runner_pa.len() - 1));
    let from = (row + 1)
        .saturating_sub(NODES / 2)
        .clamp(first, last + 1 - NODES);
    let nodes = from..from + NODES;
    let share = |i: usize| -> f64 {
        let others = nodes.clone().filter(|&j| j != i);
        others
            .map(|j| (place - j as f64) / (i as f64 - j as f64))
            .product()
    };
    nodes.clone().map(|i| share(i) * runner_pa[i]).sum()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn between_rows_the_curve_goes_on_up_to_a_kink() {
        let curve = |deg: f64| {
            let x = deg / 720.0;
            let kinks = 40.0 * (deg - 220.0).abs() + 60.0 * (deg - 500.0).abs();
            3e4 * (x - x.powi(3) + x.powi(5)) + kinks
        };
        for rows in [108_u32, 180, 252] {
            let step_deg = 720.0 / f64::from(rows);
            let row_pa: Vec<f64> = (0..rows).map(|k| curve(f64::from(k) * step_deg)).collect();
            for deg in 0..720 {
                let (got, want) = (at(&row_pa, deg), curve(deg as f64));
                assert!(
                    (got - want).abs() < 1e-6,
                    "{rows} rows, {deg} deg: {got}, {want}"
                );
            }
        }
    }

    #[test]
    fn rows_that_miss_an_event_are_refused() {
        assert!(error(&[1e5; 200]).is_none() && error(&[1e5; 72]).is_none());
        assert!(error(&[1e5; 180]).is_some());
    }
}

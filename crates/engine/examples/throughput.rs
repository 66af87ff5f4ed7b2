//! Simulated cycles per second of one cylinder at one degree of crank.

#![expect(clippy::print_stdout, reason = "a measurement prints its result")]

use std::time::Instant;

use evenpull_engine::{Basics, EngineError, EngineSpec, Setting, Simulation};

fn main() -> Result<(), EngineError> {
    let one = Basics {
        intake_start_deg: vec![0.0],
        ..Basics::default()
    };
    let spec = EngineSpec::from_basics(&one)?;
    for cells in [1, 2, 4] {
        let spec = if cells > 1 {
            spec.clone().with_gas_columns(cells)
        } else {
            spec.clone()
        };
        for (rpm, area_m2) in [(1250.0, 8e-6), (3800.0, 25e-6)] {
            let mut sim = Simulation::new(&spec, &Setting::healthy(&spec, 2.2), 720, 0.0, 1)?;
            sim.set_rpm(rpm);
            sim.set_own_area_m2(0, area_m2);
            let start = Instant::now();
            let cycles = 2000;
            for _ in 0..cycles {
                sim.run_cycle(None)?;
            }
            let per_s = f64::from(cycles) / start.elapsed().as_secs_f64();
            println!("{cells} runner volumes, {rpm:.0} rpm: {per_s:.0} cycles/s");
        }
    }
    Ok(())
}

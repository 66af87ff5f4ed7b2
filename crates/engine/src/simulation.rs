//! The running engine: state, integrator and per-cycle results.
//!
//! Classical Runge-Kutta of fourth order over the crank angle. A step never crosses a valve event
//! or the start of a burn, and is cut where a volume equalises faster than the step (open valve,
//! little pressure difference). No allocation once built.

use rand::SeedableRng;
use rand::rngs::Xoshiro256PlusPlus;
use rand_distr::{Distribution, StandardNormal};

use crate::error::EngineError;
use crate::model::Model;
use crate::rates::{TOTALS, VOLUME_SLOTS, total};
use crate::setting::Setting;
use crate::spec::EngineSpec;
use crate::stepper::{Rows, Stepper};

/// What one cycle did to one cylinder.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CylinderCycle {
    /// Unburned air from runner into the cylinder, net [kg].
    pub fresh_kg: f64,
    /// Air from ambient through the plate, leak, bleed and idle share, net [kg].
    pub own_kg: f64,
    /// Air from the idle-air chamber and from neighbours, net [kg].
    pub across_kg: f64,
    /// Mass from runner to cylinder, net [kg].
    pub valve_kg: f64,
    /// Mass to the exhaust and past the rings, net [kg].
    pub out_kg: f64,
    /// Mean absolute runner pressure [Pa].
    pub mean_pa: f64,
    /// Integral of `psi(p_runner / p_ambient)` over the cycle [s].
    pub psi_s: f64,
    /// Indicated work [J].
    pub work_j: f64,
    /// Enthalpy in less enthalpy out [J].
    pub enthalpy_j: f64,
    /// Heat released and from walls [J].
    pub heat_j: f64,
    /// Burned share of the charge when the last burn started [-].
    pub residual: f64,
}

/// An engine being run, cycle by cycle. Speed and areas may change between cycles.
#[derive(Debug, Clone)]
pub struct Simulation {
    pub(crate) model: Model,
    pub(crate) stepper: Stepper,
    steps_per_cycle: usize,
    cycle: usize,
    combustion_scale: Vec<f64>,
    residual: Vec<f64>,
    scatter: f64,
    rng: Xoshiro256PlusPlus,
}

impl Simulation {
    /// An engine at rest, all gas at ambient.
    ///
    /// `steps_per_cycle` >= 90 steps of equal crank angle over 720 degrees. `scatter` [-]: standard
    /// deviation of the heat of each burn over its mean, from `seed`; 0 to 0.5.
    ///
    /// # Errors
    /// [`EngineError`] when the specification, the setting or these numbers are out of range.
    pub fn new(
        spec: &EngineSpec,
        setting: &Setting,
        steps_per_cycle: usize,
        scatter: f64,
        seed: u64,
    ) -> Result<Self, EngineError> {
        spec.check()?;
        setting.check(spec)?;
        if !(0.0..=0.5).contains(&scatter) {
            let (what, expected) = ("combustion scatter", "between 0 and 0.5");
            return Err(EngineError::Range {
                what,
                value: scatter,
                unit: "",
                expected,
            });
        }
        if steps_per_cycle < 90 {
            let (what, expected) = ("steps per cycle", "90 or more");
            let value = steps_per_cycle as f64;
            return Err(EngineError::Range {
                what,
                value,
                unit: "",
                expected,
            });
        }
        let mut model = Model::new(spec, setting);
        model.set_rows(steps_per_cycle);
        let n = spec.cylinders.len();
        let mut simulation = Self {
            stepper: Stepper::new(&model),
            steps_per_cycle,
            cycle: 0,
            combustion_scale: setting.bodies.iter().map(|b| b.combustion_scale).collect(),
            residual: vec![0.0; n],
            scatter,
            rng: Xoshiro256PlusPlus::seed_from_u64(seed),
            model,
        };
        simulation.set_rpm(1000.0);
        Ok(simulation)
    }

    /// Sets the engine speed from the next cycle on; `rpm` [1/min] > 0.
    pub fn set_rpm(&mut self, rpm: f64) {
        self.model.set_rpm(rpm);
        self.stepper.set_events(&self.model);
    }

    /// Engine speed [1/min].
    pub fn rpm(&self) -> f64 {
        self.model.deg_per_s / 6.0
    }

    /// Sets plate plus leak plus bleed of body `cylinder` [m2] from the next cycle on.
    pub fn set_own_area_m2(&mut self, cylinder: usize, area_m2: f64) {
        self.model.cylinders[cylinder].own_area_m2 = area_m2;
    }

    /// Sets the idle valve's area, all cylinders together [m2], from the next cycle on.
    pub fn set_idle_valve_m2(&mut self, area_m2: f64) {
        self.model.set_idle_valve_m2(area_m2);
    }

    /// Sets plates, leaks, bleeds, faults and weather from `setting` at a cable asking for
    /// `command_deg` [deg above shut], and the idle valve at `idle_steps` [steps, 0 to its end].
    ///
    /// Returns the opening of every plate [deg above shut]. `spec` must be the one built with.
    ///
    /// # Errors
    /// [`EngineError`] when the setting does not fit the engine.
    pub fn apply(
        &mut self,
        spec: &EngineSpec,
        setting: &Setting,
        command_deg: f64,
        idle_steps: f64,
    ) -> Result<Vec<f64>, EngineError> {
        setting.check(spec)?;
        let plate_deg = setting.linkage.openings_deg(command_deg)?;
        self.model.apply(spec, setting);
        if self.stepper.is_coupled() != self.model.is_coupled() {
            self.stepper.regroup(&self.model);
        }
        for (i, body) in setting.bodies.iter().enumerate() {
            let plate_m2 = spec.cylinders[i]
                .body
                .through_area_m2(plate_deg[i].to_radians());
            self.set_own_area_m2(i, plate_m2 + body.leak_m2 + body.bleed_m2);
            self.combustion_scale[i] = body.combustion_scale;
        }
        self.set_idle_valve_m2(spec.idle.area_m2(idle_steps));
        Ok(plate_deg)
    }

    /// Area feeding a runner straight from ambient [m2]: plate, leak, bleed and, without a real
    /// chamber, its share of the idle valve.
    pub fn direct_area_m2(&self, cylinder: usize) -> f64 {
        self.model.direct_area_m2(cylinder)
    }

    /// Plate plus leak plus bleed of body `cylinder` [m2].
    pub fn own_area_m2(&self, cylinder: usize) -> f64 {
        self.model.cylinders[cylinder].own_area_m2
    }

    /// Sets the scatter of the burns [-] and gives back the one before.
    pub(crate) fn set_scatter(&mut self, scatter: f64) -> f64 {
        std::mem::replace(&mut self.scatter, scatter)
    }

    /// Steps of equal crank angle in a cycle.
    pub fn steps_per_cycle(&self) -> usize {
        self.steps_per_cycle
    }

    /// Runs one cycle of 720 degrees.
    ///
    /// `record` gets the runner pressures [Pa] at the start of every step, cylinder by cylinder in
    /// one row per step: `steps_per_cycle x cylinders` values are pushed. Pass `None` to skip.
    ///
    /// # Errors
    /// [`EngineError::Diverged`] when a mass or an energy is no longer positive.
    pub fn run_cycle(&mut self, mut record: Option<&mut Vec<f64>>) -> Result<(), EngineError> {
        self.stepper.start_cycle(&self.model);
        let step_deg = 720.0 / self.steps_per_cycle as f64;
        for row in 0..self.steps_per_cycle {
            let start_deg = row as f64 * step_deg;
            if let Some(rows) = record.as_deref_mut() {
                for cylinder in 0..self.model.cylinders.len() {
                    rows.push(self.stepper.runner_pa(&self.model, cylinder, start_deg));
                }
            }
            let rows = Rows {
                row,
                step_deg,
                of: self.steps_per_cycle,
                recorded: record.is_some(),
            };
            let mut moved = false;
            for group in 0..self.stepper.groups() {
                // A long step may have covered this row already.
                if self.stepper.is_past(group, row) {
                    continue;
                }
                moved = true;
                while let Some(cylinder) = self.stepper.advance(&self.model, group, rows) {
                    self.spark(cylinder);
                }
            }
            if moved {
                self.check_state(start_deg + step_deg)?;
            }
        }
        self.cycle += 1;
        Ok(())
    }

    /// Results of the cycle run last.
    pub fn cylinder_cycle(&self, cylinder: usize) -> CylinderCycle {
        let at = self.model.cylinders[cylinder].totals_at();
        let t = &self.stepper.state[at..at + TOTALS];
        CylinderCycle {
            fresh_kg: t[total::FRESH_KG],
            own_kg: t[total::OWN_KG],
            across_kg: t[total::ACROSS_KG],
            valve_kg: t[total::VALVE_KG],
            out_kg: t[total::OUT_KG],
            mean_pa: t[total::P_PA_S] * self.model.deg_per_s / 720.0,
            psi_s: t[total::PSI_S],
            work_j: t[total::WORK_J],
            enthalpy_j: t[total::ENTHALPY_J],
            heat_j: t[total::HEAT_J],
            residual: self.residual[cylinder],
        }
    }

    /// Absolute pressure at the stub of a runner now [Pa]: next to the body, where the runner is
    /// split into several volumes.
    pub fn runner_pa(&self, cylinder: usize) -> f64 {
        let c = &self.model.cylinders[cylinder];
        let gas = [self.stepper.state[c.at], self.stepper.state[c.at + 1]];
        c.runner_pa(self.model.gas, gas)
    }

    /// Gas mass in runner and in cylinder now [kg].
    pub fn masses_kg(&self, cylinder: usize) -> (f64, f64) {
        let c = &self.model.cylinders[cylinder];
        let runner = &self.stepper.state[c.at..c.cylinder_at()];
        (
            runner.iter().step_by(VOLUME_SLOTS).sum(),
            self.stepper.state[c.cylinder_at()],
        )
    }

    /// Internal energy of all gas in the engine now [J].
    pub fn stored_energy_j(&self) -> f64 {
        let chamber_j = self.stepper.state[self.model.chamber_at + 1];
        let volumes = self
            .model
            .cylinders
            .iter()
            .map(|c| &self.stepper.state[c.at..c.flows_at()]);
        let gas_j: f64 = volumes
            .flat_map(|v| v.iter().skip(1).step_by(VOLUME_SLOTS))
            .sum();
        gas_j + chamber_j
    }

    /// Mean indicated torque of the cycle run last, all cylinders [Nm].
    pub fn indicated_nm(&self) -> f64 {
        let work: f64 = (0..self.model.cylinders.len())
            .map(|i| self.cylinder_cycle(i).work_j)
            .sum();
        work / (4.0 * std::f64::consts::PI)
    }

    /// The burn of `cylinder` starts: its heat follows the air trapped now.
    fn spark(&mut self, cylinder: usize) {
        let at = self.model.cylinders[cylinder].cylinder_at();
        let (m, burned) = (self.stepper.state[at], self.stepper.state[at + 2]);
        let c = &mut self.model.cylinders[cylinder];
        let Some(law) = c.spec.heat else { return };
        self.residual[cylinder] = burned / m;
        c.burn_air_kg = (m - burned).max(0.0);
        let scatter = if self.scatter > 0.0 {
            let draw: f64 = StandardNormal.sample(&mut self.rng);
            // Three deviations either way keep the heat positive.
            1.0 + self.scatter * draw.clamp(-3.0, 3.0)
        } else {
            1.0
        };
        c.burn_heat_j = c.burn_air_kg
            * law.heat_at_j_per_kg(self.model.deg_per_s / 6.0)
            * self.combustion_scale[cylinder]
            * scatter.max(0.0);
    }

    fn check_state(&self, theta_deg: f64) -> Result<(), EngineError> {
        for (cylinder, c) in self.model.cylinders.iter().enumerate() {
            let volumes = self.stepper.state[c.at..c.flows_at()].chunks_exact(VOLUME_SLOTS);
            let good = |x: f64| x.is_finite() && x > 0.0;
            if !volumes.into_iter().all(|v| good(v[0]) && good(v[1])) {
                return Err(EngineError::Diverged {
                    theta_deg,
                    cycle: self.cycle,
                    cylinder,
                });
            }
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::spec::Basics;

    /// Runner at 60 kPa with both valves shut, refilled over 230 degrees in `n` plain steps: the
    /// flow law is smooth there, so halving the step divides the error by sixteen.
    #[test]
    fn order_is_four_where_the_flow_is_smooth() {
        let spec = EngineSpec::from_basics(&Basics {
            intake_start_deg: vec![0.0],
            baseline: None,
            ..Basics::default()
        })
        .unwrap();
        let setting = Setting::healthy(&spec, 2.2);
        let refill = |n: usize| {
            let mut sim = Simulation::new(&spec, &setting, 720, 0.0, 1).unwrap();
            sim.set_rpm(1250.0);
            sim.set_own_area_m2(0, 8e-6);
            let scale = 60.0e3 / sim.runner_pa(0);
            sim.stepper.state[0] *= scale;
            sim.stepper.state[1] *= scale;
            let step = 230.0 / n as f64;
            for k in 0..n {
                let from = 240.0 + step * k as f64;
                sim.stepper.classical_step(&sim.model, from, from + step);
            }
            sim.runner_pa(0)
        };
        let exact = refill(4096);
        let error = |n: usize| (refill(n) - exact).abs();
        for n in [8, 16, 32] {
            let order = (error(n) / error(2 * n)).log2();
            println!("{n} steps: error {:.3e} Pa, order {order:.2}", error(n));
            assert!((3.6..=4.5).contains(&order), "{n}: {order}");
        }
    }

    /// Runner of eight volumes shut at both ends, excited in its first mode: the chain of masses
    /// and springs swings at `w = (2 c / d) sin(pi / 16)`, `d` the spacing (closed form).
    #[test]
    fn closed_gas_column_rings_at_its_own_frequency() {
        let mut spec = EngineSpec::from_basics(&Basics {
            intake_start_deg: vec![0.0],
            baseline: None,
            ..Basics::default()
        })
        .unwrap()
        .with_gas_columns(8);
        let c = &mut spec.cylinders[0];
        c.runner_wall = None;
        let column = c.column.as_mut().unwrap();
        column.loss = 0.0;
        let spacing_m = column.length_m / 8.0;
        let setting = Setting::healthy(&spec, 2.2);
        let cv = spec.gas.c0_j_per_kg_k + spec.gas.c1_j_per_kg_k2 * setting.ambient_k;
        let h_over_u =
            spec.gas.h_j_per_kg(setting.ambient_k) / spec.gas.u_j_per_kg(setting.ambient_k);
        let gamma = 1.0 + spec.gas.r_j_per_kg_k / cv;
        let sound = (gamma * spec.gas.r_j_per_kg_k * setting.ambient_k).sqrt();
        let omega = 2.0 * sound / spacing_m * (std::f64::consts::PI / 16.0).sin();
        let mode = |cell: usize| (std::f64::consts::PI * (cell as f64 + 0.5) / 8.0).cos();

        let projection = |periods: f64| {
            let mut sim = Simulation::new(&spec, &setting, 720, 0.0, 1).unwrap();
            sim.set_rpm(1250.0);
            for cell in 0..8 {
                let at = VOLUME_SLOTS * cell;
                // Isentropic: density by the mode, energy with h/u of it.
                sim.stepper.state[at] *= 1.0 + 1e-4 * mode(cell);
                sim.stepper.state[at + 1] *= 1.0 + h_over_u * 1e-4 * mode(cell);
            }
            let end_s = periods * std::f64::consts::TAU / omega;
            let end_deg = 240.0 + end_s * sim.model.deg_per_s;
            assert!(end_deg < 490.0, "the valves must stay shut");
            let n = (end_deg - 240.0).ceil() as usize * 4;
            for k in 0..n {
                let at = |k: usize| 240.0 + (end_deg - 240.0) * k as f64 / n as f64;
                sim.stepper.cross(&sim.model, 0, at(k), at(k + 1));
            }
            let rest = sim.model.rest_state();
            let sum: f64 = (0..8)
                .map(|cell| (sim.stepper.state[VOLUME_SLOTS * cell] / rest[0] - 1.0) * mode(cell))
                .sum();
            sum / (4.0 * 1e-4)
        };
        // Ten periods in step to a hundredth of a period; the gas is linear to 1e-4.
        for (periods, want) in [(0.5, -1.0), (1.0, 1.0), (10.0, 1.0), (10.5, -1.0)] {
            let got = projection(periods);
            assert!((got - want).abs() < 0.005, "{periods}: {got}");
        }
        assert!(projection(10.25).abs() < 0.06);
    }
}

//! The running engine: state, integrator and per-cycle results.
//!
//! Classical Runge-Kutta of fourth order over the crank angle. A step never crosses a valve event
//! or the start of a burn, and is cut where a volume equalises faster than the step (open valve,
//! little pressure difference). No allocation once built.

use rand::SeedableRng;
use rand::rngs::Xoshiro256PlusPlus;
use rand_distr::{Distribution, StandardNormal};

use crate::error::EngineError;
use crate::model::{Geometry, Model};
use crate::rates::{TOTALS, VOLUME_SLOTS, total};
use crate::setting::Setting;
use crate::spec::EngineSpec;
use crate::stabilised::{self, Stage};
use crate::valve::wrap_720;

/// Longest step times fastest rate [-]; the method is stable to 2.78 on the real axis.
const STIFFNESS_LIMIT: f64 = 2.0;
/// The stabilised method takes over above this step times rate [-]: below, two steps of the classical
/// method do, and are two orders better.
const STABILISED_ABOVE: f64 = 4.0;
/// Room for the rates to grow within a step of the stabilised method [-].
const SAFETY: f64 = 1.3;
/// Angles closer than this are one event [deg].
const SAME_ANGLE_DEG: f64 = 1e-9;

/// What happens at an angle beyond a kink in the areas.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Event {
    /// A valve opens or shuts, a burn ends: the step ends here, nothing else.
    Kink,
    /// A burn starts: the trapped air decides its heat.
    Spark(usize),
}

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
    state: Vec<f64>,
    work: [Vec<f64>; 5],
    geometry: [Vec<Geometry>; 3],
    events: Vec<(f64, Event)>,
    steps_per_cycle: usize,
    /// Where the last of `geometry` stands, if it is of use to the next step [deg].
    geometry_at_deg: Option<f64>,
    /// Whether the stabilised method may be used: not with gas columns, which swing.
    stabilised: bool,
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
        let model = Model::new(spec, setting);
        let state = model.rest_state();
        let n = spec.cylinders.len();
        let mut simulation = Self {
            work: std::array::from_fn(|_| vec![0.0; state.len()]),
            geometry: std::array::from_fn(|_| vec![Geometry::default(); n]),
            events: Vec::new(),
            steps_per_cycle,
            geometry_at_deg: None,
            stabilised: spec.cylinders.iter().all(|c| c.column.is_none()),
            cycle: 0,
            combustion_scale: setting.bodies.iter().map(|b| b.combustion_scale).collect(),
            residual: vec![0.0; n],
            scatter,
            rng: Xoshiro256PlusPlus::seed_from_u64(seed),
            state,
            model,
        };
        simulation.set_rpm(1000.0);
        Ok(simulation)
    }

    /// Sets the engine speed from the next cycle on; `rpm` [1/min] > 0.
    pub fn set_rpm(&mut self, rpm: f64) {
        self.model.deg_per_s = 6.0 * rpm;
        self.events.clear();
        for (i, c) in self.model.cylinders.iter_mut().enumerate() {
            let s = &c.spec;
            let mut push = |deg: f64, event: Event| {
                self.events
                    .push((wrap_720(s.intake_start_deg + deg), event));
            };
            for valve in [&s.intake, &s.exhaust] {
                push(valve.opens_deg, Event::Kink);
                push(valve.closes_deg, Event::Kink);
            }
            if let Some(law) = s.heat {
                c.burn_start_deg = law.start_deg(rpm);
                push(360.0 + c.burn_start_deg, Event::Spark(i));
                push(360.0 + c.burn_start_deg + law.duration_deg, Event::Kink);
            }
        }
        self.events.sort_by(|a, b| a.0.total_cmp(&b.0));
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
        let totals = self.model.totals_at();
        self.state[totals..].fill(0.0);
        // Speed, areas or faults may have changed since.
        self.geometry_at_deg = None;
        let step_deg = 720.0 / self.steps_per_cycle as f64;
        let mut next_event = 0;
        for step in 0..self.steps_per_cycle {
            let start = step as f64 * step_deg;
            let end = (step + 1) as f64 * step_deg;
            if let Some(rows) = record.as_deref_mut() {
                for cylinder in 0..self.model.cylinders.len() {
                    rows.push(self.runner_pa(cylinder));
                }
            }
            let mut theta = start;
            while next_event < self.events.len() && self.events[next_event].0 < end {
                let (at, event) = self.events[next_event];
                if at > theta + SAME_ANGLE_DEG {
                    self.advance(theta, at);
                    theta = at;
                }
                if let Event::Spark(cylinder) = event {
                    self.spark(cylinder);
                }
                next_event += 1;
            }
            self.advance(theta, end);
            self.check_state(end)?;
        }
        self.cycle += 1;
        Ok(())
    }

    /// Results of the cycle run last.
    pub fn cylinder_cycle(&self, cylinder: usize) -> CylinderCycle {
        let at = self.model.totals_at() + TOTALS * cylinder;
        let t = &self.state[at..at + TOTALS];
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
        let (m, u) = (self.state[c.at], self.state[c.at + 1]);
        let t_k = self.model.gas.t_k(u / m);
        m * self.model.gas.r_j_per_kg_k * t_k / c.cell_m3
    }

    /// Gas mass in runner and in cylinder now [kg].
    pub fn masses_kg(&self, cylinder: usize) -> (f64, f64) {
        let c = &self.model.cylinders[cylinder];
        let runner = &self.state[c.at..c.cylinder_at()];
        (
            runner.iter().step_by(VOLUME_SLOTS).sum(),
            self.state[c.cylinder_at()],
        )
    }

    /// Internal energy of all gas in the engine now [J].
    pub fn stored_energy_j(&self) -> f64 {
        let chamber_j = self.state[self.model.chamber_at + 1];
        let volumes = self
            .model
            .cylinders
            .iter()
            .map(|c| &self.state[c.at..c.flows_at()]);
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
        let (m, burned) = (self.state[at], self.state[at + 2]);
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

    /// Integrates from `from_deg` to `to_deg`, no event between.
    fn advance(&mut self, from_deg: f64, to_deg: f64) {
        let mut theta = from_deg;
        while to_deg - theta > SAME_ANGLE_DEG {
            let left_deg = to_deg - theta;
            let fastest = self.first_slope(theta);
            let z = fastest * left_deg / self.model.deg_per_s;
            let mut next = to_deg;
            if z > STIFFNESS_LIMIT {
                if self.stabilised && z > STABILISED_ABOVE {
                    if let Some(stages) = stabilised::method(SAFETY * z) {
                        self.runge_kutta_chebyshev(theta, to_deg, stages);
                        theta = to_deg;
                        continue;
                    }
                }
                next = theta + left_deg / (z / STIFFNESS_LIMIT).ceil().min(1e4);
            }
            self.runge_kutta(theta, next);
            theta = next;
        }
    }

    /// Slope at `theta_deg` into `work[0]`; returns the fastest rate of any volume [1/s].
    fn first_slope(&mut self, theta_deg: f64) -> f64 {
        let [g0, _, g_end] = &mut self.geometry;
        if self.geometry_at_deg == Some(theta_deg) {
            std::mem::swap(g0, g_end);
        } else {
            self.model.geometry(theta_deg, g0);
        }
        self.model.rates::<true>(g0, &self.state, &mut self.work[0])
    }

    /// One step of the stabilised method; the first slope is in `work[0]` already.
    fn runge_kutta_chebyshev(&mut self, from_deg: f64, to_deg: f64, stages: &[Stage]) {
        let model = &self.model;
        let [_, g, _] = &mut self.geometry;
        let [f0, f, older, newer, _] = &mut self.work;
        let n = self.state.len();
        let (y, f0, f) = (&mut self.state[..n], &f0[..n], &mut f[..n]);
        let (mut older, mut newer) = (&mut older[..n], &mut newer[..n]);
        let h = (to_deg - from_deg) / model.deg_per_s;
        let first = h * stages[0].mu_slope;
        for i in 0..n {
            older[i] = y[i];
            newer[i] = y[i] + first * f0[i];
        }
        for pair in stages.windows(2) {
            let (before, stage) = (pair[0], pair[1]);
            model.geometry(from_deg + before.place * (to_deg - from_deg), g);
            model.rates::<false>(g, newer, f);
            let rest = 1.0 - stage.mu - stage.nu;
            let (by_f, by_f0) = (h * stage.mu_slope, h * stage.nu_slope);
            for i in 0..n {
                older[i] = rest * y[i]
                    + stage.mu * newer[i]
                    + stage.nu * older[i]
                    + by_f * f[i]
                    + by_f0 * f0[i];
            }
            std::mem::swap(&mut older, &mut newer);
        }
        y.copy_from_slice(newer);
        self.geometry_at_deg = None;
    }

    /// One step of the classical method; the first slope is in `work[0]` already.
    fn runge_kutta(&mut self, from_deg: f64, to_deg: f64) {
        let model = &self.model;
        let [_, g_half, g_end] = &mut self.geometry;
        let [k1, k2, k3, k4, trial] = &mut self.work;
        let h = (to_deg - from_deg) / model.deg_per_s;
        model.geometry(0.5 * (from_deg + to_deg), g_half);
        model.geometry(to_deg, g_end);
        self.geometry_at_deg = Some(to_deg);
        let n = self.state.len();
        let (y, trial) = (&mut self.state[..n], &mut trial[..n]);
        let (k1, k2, k3, k4) = (&k1[..n], &mut k2[..n], &mut k3[..n], &mut k4[..n]);
        // The slopes do not depend on the totals, so those need no trial values.
        let volumes = model.totals_at();
        let shift = |trial: &mut [f64], k: &[f64], by: f64, y: &[f64]| {
            for i in 0..volumes {
                trial[i] = y[i] + by * k[i];
            }
        };
        shift(trial, k1, 0.5 * h, y);
        model.rates::<false>(g_half, trial, k2);
        shift(trial, k2, 0.5 * h, y);
        model.rates::<false>(g_half, trial, k3);
        shift(trial, k3, h, y);
        model.rates::<false>(g_end, trial, k4);
        let sixth = h / 6.0;
        for i in 0..n {
            y[i] += sixth * (k1[i] + 2.0 * (k2[i] + k3[i]) + k4[i]);
        }
    }

    fn check_state(&self, theta_deg: f64) -> Result<(), EngineError> {
        for (cylinder, c) in self.model.cylinders.iter().enumerate() {
            let volumes = self.state[c.at..c.flows_at()].chunks_exact(VOLUME_SLOTS);
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
            sim.state[0] *= scale;
            sim.state[1] *= scale;
            let step = 230.0 / n as f64;
            for k in 0..n {
                let from = 240.0 + step * k as f64;
                let [g0, _, _] = &mut sim.geometry;
                sim.model.geometry(from, g0);
                sim.model.rates::<true>(g0, &sim.state, &mut sim.work[0]);
                sim.runge_kutta(from, from + step);
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
                sim.state[at] *= 1.0 + 1e-4 * mode(cell);
                sim.state[at + 1] *= 1.0 + h_over_u * 1e-4 * mode(cell);
            }
            let end_s = periods * std::f64::consts::TAU / omega;
            let end_deg = 240.0 + end_s * sim.model.deg_per_s;
            assert!(end_deg < 490.0, "the valves must stay shut");
            let n = (end_deg - 240.0).ceil() as usize * 4;
            for k in 0..n {
                let at = |k: usize| 240.0 + (end_deg - 240.0) * k as f64 / n as f64;
                sim.advance(at(k), at(k + 1));
            }
            let rest = sim.model.rest_state();
            let sum: f64 = (0..8)
                .map(|cell| (sim.state[VOLUME_SLOTS * cell] / rest[0] - 1.0) * mode(cell))
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

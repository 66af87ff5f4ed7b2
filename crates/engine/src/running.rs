//! The free-running engine: speed follows the work of each cycle, the idle valve follows the speed.
//!
//! For practice at the bench, where adjusters are turned while it runs. Speed is constant within a
//! cycle and changes between cycles by the work left over. Limits: no change of speed within a
//! cycle, one rotating inertia, no load.

use crate::error::EngineError;
use crate::setting::Setting;
use crate::simulation::Simulation;
use crate::spec::EngineSpec;

/// Idle-speed control acting on the idle valve once per cycle.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct IdleControl {
    /// Speed to hold [1/min].
    pub target_rpm: f64,
    /// Steps per cycle for each revolution a minute of error [steps min].
    pub integral: f64,
    /// Steps for each revolution a minute the error grows in a cycle [steps min].
    pub proportional: f64,
    /// Most steps the valve moves in a cycle.
    pub most_steps: f64,
}

impl IdleControl {
    /// A sluggish control as idle valves have, assumed: 0.02 and 0.05 steps per rpm, 2 a cycle.
    pub fn at(target_rpm: f64) -> Self {
        Self {
            target_rpm,
            integral: 0.02,
            proportional: 0.05,
            most_steps: 2.0,
        }
    }
}

/// Speed below which the engine has stalled [1/min].
const STALL_RPM: f64 = 400.0;

/// An engine running by itself.
#[derive(Debug, Clone)]
pub struct RunningEngine {
    spec: EngineSpec,
    setting: Setting,
    sim: Simulation,
    /// Idle control; `None` leaves the valve where it is.
    pub control: Option<IdleControl>,
    inertia_kg_m2: f64,
    command_deg: f64,
    /// Valve position before rounding to whole steps.
    valve_steps: f64,
    /// The idle-air hose is pinched shut: the valve stands where it was and gives no air.
    idle_air_pinched: bool,
    plate_deg: Vec<f64>,
    last_rpm: f64,
    stalled: bool,
}

impl RunningEngine {
    /// Starts at the control's target speed with the valve at `idle_steps` [steps].
    ///
    /// `inertia_kg_m2` [kg m2] > 0: crank, flywheel and clutch; about 0.04 for a 1.1 l twin
    /// (assumed). `scatter` [-] and `seed` as in [`Simulation::new`].
    ///
    /// # Errors
    /// [`EngineError`] when a number is out of range.
    pub fn new(
        spec: EngineSpec,
        setting: Setting,
        control: IdleControl,
        inertia_kg_m2: f64,
        idle_steps: f64,
        scatter: f64,
        seed: u64,
    ) -> Result<Self, EngineError> {
        for (what, value, unit, ok) in [
            ("inertia", inertia_kg_m2, "kg m2", inertia_kg_m2 > 0.0),
            (
                "idle target",
                control.target_rpm,
                "1/min",
                control.target_rpm > STALL_RPM,
            ),
        ] {
            if !(value.is_finite() && ok) {
                let expected = "positive, the target above 400 rpm";
                return Err(EngineError::Range {
                    what,
                    value,
                    unit,
                    expected,
                });
            }
        }
        let mut sim = Simulation::new(&spec, &setting, 720, scatter, seed)?;
        sim.set_rpm(control.target_rpm);
        let plate_deg = sim.apply(&spec, &setting, 0.0, idle_steps)?;
        Ok(Self {
            last_rpm: control.target_rpm,
            valve_steps: idle_steps.clamp(0.0, spec.idle.steps),
            control: Some(control),
            spec,
            setting,
            sim,
            inertia_kg_m2,
            command_deg: 0.0,
            plate_deg,
            idle_air_pinched: false,
            stalled: false,
        })
    }

    /// The adjusters and faults as they are.
    pub fn setting(&self) -> &Setting {
        &self.setting
    }

    /// Replaces adjusters and faults from the next cycle on.
    ///
    /// # Errors
    /// [`EngineError`] when the setting does not fit the engine; the old one then stays.
    pub fn set_setting(&mut self, setting: Setting) -> Result<(), EngineError> {
        setting.check(&self.spec)?;
        self.setting = setting;
        Ok(())
    }

    /// Sets the opening the cable asks for [deg above shut], 0 = slack, from the next cycle on.
    pub fn set_command_deg(&mut self, command_deg: f64) {
        self.command_deg = command_deg.clamp(0.0, 90.0);
    }

    /// Pinches the idle-air hose shut from the next cycle on, or lets it go; the control rests
    /// meanwhile.
    pub fn pinch_idle_air(&mut self, pinched: bool) {
        self.idle_air_pinched = pinched;
    }

    /// Engine speed of the next cycle [1/min]; zero once stalled.
    pub fn rpm(&self) -> f64 {
        if self.stalled { 0.0 } else { self.sim.rpm() }
    }

    /// True once the speed has fallen too low to go on.
    pub fn stalled(&self) -> bool {
        self.stalled
    }

    /// Idle valve position in whole steps.
    pub fn idle_steps(&self) -> f64 {
        self.valve_steps.round()
    }

    /// Opening of every plate in the cycle run last [deg above shut].
    pub fn plate_deg(&self) -> &[f64] {
        &self.plate_deg
    }

    /// The simulation, for the results of the cycle run last.
    pub fn simulation(&self) -> &Simulation {
        &self.sim
    }

    /// Runs one cycle and returns its duration [s]; `record` as in [`Simulation::run_cycle`].
    ///
    /// A stalled engine stands still: nothing is run or recorded and the duration is zero.
    ///
    /// # Errors
    /// [`EngineError`] when the gas state breaks down.
    pub fn run_cycle(&mut self, record: Option<&mut Vec<f64>>) -> Result<f64, EngineError> {
        if self.stalled {
            return Ok(0.0);
        }
        let open_steps = if self.idle_air_pinched {
            0.0
        } else {
            self.idle_steps()
        };
        self.plate_deg = self
            .sim
            .apply(&self.spec, &self.setting, self.command_deg, open_steps)?;
        self.sim.run_cycle(record)?;
        let rpm = self.sim.rpm();
        let net_nm = self.sim.indicated_nm() - self.spec.friction_nm(rpm);
        // Work of a cycle goes into the rotation: J (w2^2 - w1^2) / 2 = 4 pi M.
        let omega = rpm * std::f64::consts::PI / 30.0;
        let squared = omega * omega + 8.0 * std::f64::consts::PI * net_nm / self.inertia_kg_m2;
        let next_rpm = squared.max(0.0).sqrt() * 30.0 / std::f64::consts::PI;
        if next_rpm < STALL_RPM {
            self.stalled = true;
        } else {
            self.control_idle(next_rpm);
            self.sim.set_rpm(next_rpm);
        }
        Ok(120.0 / rpm)
    }

    /// Moves the valve towards the target; off idle it stays where it is.
    fn control_idle(&mut self, rpm: f64) {
        let resting = self
            .setting
            .linkage
            .rests(self.command_deg)
            .unwrap_or(false);
        if let (Some(c), true) = (self.control, resting && !self.idle_air_pinched) {
            let error = c.target_rpm - rpm;
            let growth = self.last_rpm - rpm;
            let step = c.integral * error + c.proportional * growth;
            let moved = self.valve_steps + step.clamp(-c.most_steps, c.most_steps);
            self.valve_steps = moved.clamp(0.0, self.spec.idle.steps);
        }
        self.last_rpm = rpm;
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::operating::{Options, Run, run};
    use crate::spec::Basics;

    fn start(stop_deg: f64, scatter: f64) -> Result<RunningEngine, EngineError> {
        let spec = EngineSpec::from_basics(&Basics::default())?;
        let setting = Setting::healthy(&spec, stop_deg);
        RunningEngine::new(
            spec,
            setting,
            IdleControl::at(1250.0),
            0.04,
            60.0,
            scatter,
            7,
        )
    }

    /// Mean speed and valve position over `n` cycles.
    fn means(engine: &mut RunningEngine, n: usize) -> Result<(f64, f64), EngineError> {
        let (mut rpm, mut steps) = (0.0, 0.0);
        for _ in 0..n {
            engine.run_cycle(None)?;
            rpm += engine.rpm() / n as f64;
            steps += engine.idle_steps() / n as f64;
        }
        Ok((rpm, steps))
    }

    #[test]
    fn idle_control_settles_where_the_balance_says() {
        let mut engine = start(2.2, 0.06).unwrap();
        means(&mut engine, 400).unwrap();
        let (rpm, steps) = means(&mut engine, 400).unwrap();
        let options = Options {
            scatter: 0.0,
            cycles: 1,
            ..Options::default()
        };
        let idle = Run::Idle { target_rpm: 1250.0 };
        let want = run(&engine.spec, &engine.setting, idle, &options)
            .unwrap()
            .truth
            .idle_steps;
        println!("mean {rpm:.1} rpm, {steps:.1} steps against {want:.1}");
        assert!((rpm - 1250.0).abs() < 10.0, "{rpm} rpm");
        assert!((steps - want).abs() < 5.0, "{steps} against {want} steps");
    }

    #[test]
    fn leak_turned_in_while_running_shuts_the_valve() {
        let mut engine = start(2.2, 0.0).unwrap();
        let (_, before) = means(&mut engine, 300).unwrap();
        let mut setting = engine.setting().clone();
        setting.bodies[0].leak_m2 = 2e-6;
        engine.set_setting(setting).unwrap();
        means(&mut engine, 300).unwrap();
        let (rpm, after) = means(&mut engine, 100).unwrap();
        assert!(after < before - 20.0, "{before} {after}");
        assert!((rpm - 1250.0).abs() < 10.0, "{rpm}");
    }

    #[test]
    fn a_pinched_idle_hose_takes_the_air_and_leaves_the_valve() {
        let mut engine = start(2.2, 0.0).unwrap();
        let (before_rpm, before) = means(&mut engine, 300).unwrap();
        engine.pinch_idle_air(true);
        means(&mut engine, 100).unwrap();
        assert!(engine.rpm() < before_rpm - 100.0, "{}", engine.rpm());
        assert!((engine.idle_steps() - before).abs() < 3.0);
    }

    #[test]
    fn opened_throttle_runs_up_to_its_balance() {
        let mut engine = start(2.2, 0.0).unwrap();
        engine.control = None;
        engine.set_command_deg(5.0);
        means(&mut engine, 1500).unwrap();
        let options = Options {
            scatter: 0.0,
            cycles: 1,
            ..Options::default()
        };
        let point = Run::Balance {
            command_deg: 5.0,
            idle_steps: 60.0,
        };
        let want = run(&engine.spec, &engine.setting, point, &options)
            .unwrap()
            .rpm;
        assert!(
            (engine.rpm() / want - 1.0).abs() < 0.01,
            "{} {want}",
            engine.rpm()
        );
    }

    #[test]
    fn starved_engine_stalls_and_stands_still() {
        let mut engine = start(0.1, 0.0).unwrap();
        engine.spec.idle.steps = 5.0;
        means(&mut engine, 400).unwrap();
        assert!(engine.stalled() && engine.rpm() <= 0.0);
        assert!(engine.run_cycle(None).unwrap() <= 0.0);
    }
}

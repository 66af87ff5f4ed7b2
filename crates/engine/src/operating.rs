//! Operating points: fixed speed, idle under the idle valve, steady hold, free balance.

use crate::error::EngineError;
use crate::setting::Setting;
use crate::simulation::Simulation;
use crate::spec::{EngineSpec, IdleBaseline};
use crate::trace::{Trace, Truth};

/// What is held and what is left to the torque balance.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Run {
    /// Speed, opening and idle valve all given; the net torque is what it is.
    FixedRpm {
        /// Engine speed [1/min].
        rpm: f64,
        /// Opening asked for by the cable [deg above shut].
        command_deg: f64,
        /// Idle valve position [steps].
        idle_steps: f64,
    },
    /// Cable slack; the idle valve holds `target_rpm`. With the valve at an end the speed gives.
    Idle {
        /// Speed the idle control asks for [1/min].
        target_rpm: f64,
    },
    /// Speed given; the common opening that needs no outside torque is found.
    Hold {
        /// Engine speed [1/min].
        rpm: f64,
        /// Idle valve position [steps].
        idle_steps: f64,
    },
    /// Opening and idle valve given; the speed that needs no outside torque is found.
    Balance {
        /// Opening asked for by the cable [deg above shut].
        command_deg: f64,
        /// Idle valve position [steps].
        idle_steps: f64,
    },
}

/// How long and how finely to run.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Options {
    /// Cycles to record, at least 1.
    pub cycles: usize,
    /// Cycles run with scatter before recording.
    pub settle_cycles: usize,
    /// Steps of equal crank angle per cycle, at least 90.
    pub steps_per_cycle: usize,
    /// Standard deviation of the heat of a burn over its mean [-], 0 to 0.5.
    pub scatter: f64,
    /// Seed of the scatter.
    pub seed: u64,
}

impl Default for Options {
    /// Sixty cycles at one degree, 6 % scatter (assumed for idle).
    fn default() -> Self {
        Self {
            cycles: 60,
            settle_cycles: 8,
            steps_per_cycle: 720,
            scatter: 0.06,
            seed: 1,
        }
    }
}

/// Torque left over that counts as balanced, per litre of the whole engine [Nm/m3]; 0.01 Nm at 1 l.
const BALANCED_NM_PER_M3: f64 = 10.0;
/// Change of mean runner pressure from cycle to cycle that counts as settled [-].
const SETTLED: f64 = 2e-6;
/// Cycles after which an unscattered engine is taken as it is.
const SETTLE_LIMIT: usize = 80;
/// Cycles run at least after a change.
const SETTLE_LEAST: usize = 4;
/// Speeds between which a free balance is sought [1/min].
const RPM_RANGE: (f64, f64) = (350.0, 9000.0);
/// Rounds of the search for a balance.
const SEARCH_LIMIT: usize = 60;

/// Runs the engine at an operating point and records it.
///
/// The balance is found without scatter; `options.settle_cycles` and the recorded cycles then run
/// with it, at constant speed.
///
/// # Errors
/// [`EngineError`] when a number is out of range, the gas state breaks down or nothing within the
/// range of the valve, the plates or the speed balances the torque.
pub fn run(
    spec: &EngineSpec,
    setting: &Setting,
    run: Run,
    options: &Options,
) -> Result<Trace, EngineError> {
    check(run, options)?;
    let mut bench = Bench::new(spec, setting, options)?;
    bench.find(run)?;
    bench.record(options)
}

/// Friction mean effective pressure to add so that the healthy engine idles as `baseline` [Pa].
pub(crate) fn missing_fmep_pa(
    spec: &EngineSpec,
    baseline: &IdleBaseline,
) -> Result<f64, EngineError> {
    let options = Options::default();
    let run = Run::FixedRpm {
        rpm: baseline.rpm,
        command_deg: 0.0,
        idle_steps: baseline.idle_steps,
    };
    check(run, &options)?;
    let mut setting = Setting::healthy(spec, baseline.stop_deg);
    for body in &mut setting.bodies {
        body.bleed_m2 = baseline.bleed_m2;
    }
    let mut bench = Bench::new(spec, &setting, &options)?;
    bench.find(run)?;
    Ok(bench.net_torque_nm() * 4.0 * std::f64::consts::PI / spec.swept_m3())
}

fn check(run: Run, options: &Options) -> Result<(), EngineError> {
    let (rpm, command_deg, idle_steps) = match run {
        Run::FixedRpm {
            rpm,
            command_deg,
            idle_steps,
        } => (rpm, command_deg, idle_steps),
        Run::Idle { target_rpm } => (target_rpm, 0.0, 0.0),
        Run::Hold { rpm, idle_steps } => (rpm, 0.0, idle_steps),
        Run::Balance {
            command_deg,
            idle_steps,
        } => (1000.0, command_deg, idle_steps),
    };
    for (what, value, unit, ok, expected) in [
        (
            "engine speed",
            rpm,
            "1/min",
            (100.0..=20_000.0).contains(&rpm),
            "between 100 and 20,000",
        ),
        (
            "opening",
            command_deg,
            "deg",
            (0.0..=90.0).contains(&command_deg),
            "between 0 and 90",
        ),
        (
            "idle valve position",
            idle_steps,
            "steps",
            idle_steps >= 0.0,
            "not negative",
        ),
        (
            "recorded cycles",
            options.cycles as f64,
            "",
            options.cycles >= 1,
            "at least 1",
        ),
    ] {
        if !(value.is_finite() && ok) {
            return Err(EngineError::Range {
                what,
                value,
                unit,
                expected,
            });
        }
    }
    Ok(())
}

/// Which of the three is varied to reach a balance.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Unknown {
    IdleSteps,
    Command,
    Rpm,
}

impl Unknown {
    fn name(self) -> (&'static str, &'static str) {
        match self {
            Self::IdleSteps => ("idle valve position", "steps"),
            Self::Command => ("opening", "deg"),
            Self::Rpm => ("engine speed", "1/min"),
        }
    }
}

/// The simulation with its knobs.
struct Bench<'a> {
    spec: &'a EngineSpec,
    setting: &'a Setting,
    sim: Simulation,
    command_deg: f64,
    idle_steps: f64,
    plate_deg: Vec<f64>,
}

impl<'a> Bench<'a> {
    fn new(
        spec: &'a EngineSpec,
        setting: &'a Setting,
        options: &Options,
    ) -> Result<Self, EngineError> {
        let steps = options.steps_per_cycle;
        let sim = Simulation::new(spec, setting, steps, options.scatter, options.seed)?;
        Ok(Self {
            spec,
            setting,
            sim,
            command_deg: 0.0,
            idle_steps: 0.0,
            plate_deg: Vec::new(),
        })
    }

    /// Sets the knobs of `run` and searches the one left open.
    fn find(&mut self, run: Run) -> Result<(), EngineError> {
        match run {
            Run::FixedRpm {
                rpm,
                command_deg,
                idle_steps,
            } => {
                self.sim.set_rpm(rpm);
                self.command_deg = command_deg;
                self.idle_steps = idle_steps;
                self.settled_torque_nm().map(|_| ())
            }
            Run::Hold { rpm, idle_steps } => {
                self.sim.set_rpm(rpm);
                self.idle_steps = idle_steps;
                self.balance(Unknown::Command, 0.0, 60.0)
            }
            Run::Balance {
                command_deg,
                idle_steps,
            } => {
                self.command_deg = command_deg;
                self.idle_steps = idle_steps;
                self.balance(Unknown::Rpm, RPM_RANGE.0, RPM_RANGE.1)
            }
            Run::Idle { target_rpm } => self.find_idle(target_rpm),
        }
    }

    /// Idle: the valve holds the speed until it meets an end, then the speed gives.
    fn find_idle(&mut self, target_rpm: f64) -> Result<(), EngineError> {
        self.sim.set_rpm(target_rpm);
        if self.torque_at(Unknown::IdleSteps, 0.0)? > 0.0 {
            return self.balance(Unknown::Rpm, target_rpm, RPM_RANGE.1);
        }
        if self.torque_at(Unknown::IdleSteps, self.spec.idle.steps)? < 0.0 {
            return self.balance(Unknown::Rpm, RPM_RANGE.0.min(target_rpm), target_rpm);
        }
        self.balance(Unknown::IdleSteps, 0.0, self.spec.idle.steps)
    }

    /// Regula falsi (Illinois) on the settled torque between `low` and `high`.
    fn balance(&mut self, unknown: Unknown, low: f64, high: f64) -> Result<(), EngineError> {
        let swept: f64 = self.spec.cylinders.iter().map(|c| c.crank.swept_m3()).sum();
        let limit_nm = BALANCED_NM_PER_M3 * swept;
        let (mut a, mut b) = (low, high);
        let mut torque_a = self.torque_at(unknown, a)?;
        let mut torque_b = self.torque_at(unknown, b)?;
        if torque_a * torque_b > 0.0 {
            let (name, unit) = unknown.name();
            return Err(EngineError::NoBalance {
                unknown: name,
                low,
                high,
                unit,
                torque_low_nm: torque_a,
                torque_high_nm: torque_b,
            });
        }
        for _ in 0..SEARCH_LIMIT {
            let x = (a * torque_b - b * torque_a) / (torque_b - torque_a);
            let torque = self.torque_at(unknown, x)?;
            if torque.abs() <= limit_nm || (b - a).abs() <= 1e-9 * (a.abs() + b.abs()) {
                break;
            }
            if torque * torque_b < 0.0 {
                (a, torque_a) = (b, torque_b);
            } else {
                torque_a *= 0.5;
            }
            (b, torque_b) = (x, torque);
        }
        Ok(())
    }

    fn torque_at(&mut self, unknown: Unknown, x: f64) -> Result<f64, EngineError> {
        match unknown {
            Unknown::IdleSteps => self.idle_steps = x,
            Unknown::Command => self.command_deg = x,
            Unknown::Rpm => self.sim.set_rpm(x),
        }
        self.settled_torque_nm()
    }

    /// Applies the knobs, runs without scatter until nothing moves and gives the torque left over.
    fn settled_torque_nm(&mut self) -> Result<f64, EngineError> {
        self.plate_deg =
            self.sim
                .apply(self.spec, self.setting, self.command_deg, self.idle_steps)?;
        let scatter = self.sim.set_scatter(0.0);
        let cylinders = self.spec.cylinders.len();
        let mut before = vec![0.0; cylinders];
        for cycle in 0..SETTLE_LIMIT {
            self.sim.run_cycle(None)?;
            let mut change = 0.0_f64;
            for (i, last) in before.iter_mut().enumerate() {
                let now = self.sim.cylinder_cycle(i).mean_pa;
                change = change.max((now / *last - 1.0).abs());
                *last = now;
            }
            if cycle >= SETTLE_LEAST && change < SETTLED {
                break;
            }
        }
        self.sim.set_scatter(scatter);
        Ok(self.net_torque_nm())
    }

    /// Indicated torque of the cycle run last, less friction [Nm].
    fn net_torque_nm(&self) -> f64 {
        self.sim.indicated_nm() - self.spec.friction_nm(self.sim.rpm())
    }

    /// Runs with scatter and records.
    fn record(mut self, options: &Options) -> Result<Trace, EngineError> {
        let n = self.spec.cylinders.len();
        let points = options.steps_per_cycle;
        for _ in 0..options.settle_cycles {
            self.sim.run_cycle(None)?;
        }
        let mut rows = Vec::with_capacity(points * options.cycles * n);
        let mut sums = vec![Sums::default(); n];
        let mut torque_nm = 0.0;
        for _ in 0..options.cycles {
            self.sim.run_cycle(Some(&mut rows))?;
            for (i, s) in sums.iter_mut().enumerate() {
                s.add(&self.sim.cylinder_cycle(i));
            }
            torque_nm += self.net_torque_nm() / options.cycles as f64;
        }
        let p_pa = (0..n)
            .map(|i| rows.iter().skip(i).step_by(n).copied().collect())
            .collect();
        Ok(Trace {
            rpm: self.sim.rpm(),
            ambient_pa: self.setting.ambient_pa,
            ambient_k: self.setting.ambient_k,
            points_per_cycle: points,
            cycles: options.cycles,
            p_pa,
            truth: self.truth(&sums, options.cycles as f64, torque_nm),
        })
    }

    fn truth(&self, sums: &[Sums], cycles: f64, net_torque_nm: f64) -> Truth {
        let setting = self.setting;
        let idle_valve_m2 = self.spec.idle.area_m2(self.idle_steps);
        let share_m2 = idle_valve_m2 / sums.len() as f64;
        let unit_flow =
            setting.ambient_pa / (self.spec.gas.r_j_per_kg_k * setting.ambient_k).sqrt();
        let swept = |i: usize| self.spec.cylinders[i].crank.swept_m3();
        Truth {
            command_deg: self.command_deg,
            plate_deg: self.plate_deg.clone(),
            idle_steps: self.idle_steps.min(self.spec.idle.steps),
            idle_valve_m2,
            through_area_m2: (0..sums.len())
                .map(|i| self.sim.own_area_m2(i) + share_m2)
                .collect(),
            equivalent_area_m2: sums
                .iter()
                .map(|s| s.drawn_kg / (unit_flow * s.psi_s))
                .collect(),
            drawn_air_kg: sums.iter().map(|s| s.drawn_kg / cycles).collect(),
            mean_depression_pa: sums
                .iter()
                .map(|s| setting.ambient_pa - s.mean_pa / cycles)
                .collect(),
            imep_pa: sums
                .iter()
                .enumerate()
                .map(|(i, s)| s.work_j / cycles / swept(i))
                .collect(),
            residual: sums.iter().map(|s| s.residual / cycles).collect(),
            net_torque_nm,
        }
    }
}

/// Sums over the recorded cycles of one cylinder.
#[derive(Debug, Clone, Copy, Default)]
struct Sums {
    drawn_kg: f64,
    psi_s: f64,
    mean_pa: f64,
    work_j: f64,
    residual: f64,
}

impl Sums {
    fn add(&mut self, c: &crate::simulation::CylinderCycle) {
        self.drawn_kg += c.own_kg + c.across_kg;
        self.psi_s += c.psi_s;
        self.mean_pa += c.mean_pa;
        self.work_j += c.work_j;
        self.residual += c.residual;
    }
}

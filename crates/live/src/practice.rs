//! The practice engine: it runs by itself, its screws can be turned, its faults are not told.
//!
//! One call runs one cycle (or a moment of standing) and gives the samples of the sensors on its
//! stubs; [`crate::Session`] plays them at real speed. No clock here.

use evenpull_engine::{Chain, EngineError, EngineSpec, IdleControl, RunningEngine, Setting, Tap};
use rand::rngs::StdRng;
use rand::{RngExt, SeedableRng};

use crate::hand::Hand;

/// Length of a moment of standing [s].
const STILL_S: f64 = 0.02;

/// Noise of the throttle sensor's reading [V], largest; assumed.
const SENSOR_NOISE_V: f64 = 0.003;

/// The bleed of one body.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Bleed {
    /// Turns from seat, not negative.
    pub turns: f64,
    /// Effective area for each turn [m2].
    pub m2_per_turn: f64,
    /// Blocked: the screw has no effect.
    pub blocked: bool,
}

/// The throttle sensor and what the ECU makes of it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ThrottleSense {
    /// Body whose plate it sits on.
    pub body: usize,
    /// Slope [V/deg].
    pub volts_per_deg: f64,
    /// Raw volts at `stop_deg` of a sensor that never slipped [V].
    pub volts_at_stop: f64,
    /// Opening of the plate at those volts [deg above shut].
    pub stop_deg: f64,
    /// Volts it reads too much since it slipped [V].
    pub shift_v: f64,
    /// Volts the ECU holds for closed [V].
    pub learned_v: f64,
}

impl ThrottleSense {
    /// Raw volts at an opening of `deg` [deg above shut].
    pub fn volts(&self, deg: f64) -> f64 {
        self.volts_at_stop + self.volts_per_deg * (deg - self.stop_deg) + self.shift_v
    }
}

/// A worn spindle: a leak that changes from one closing of the throttle to the next.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Spindle {
    /// Body.
    pub body: usize,
    /// Mean leak [m2].
    pub mean_m2: f64,
    /// Largest change either way [m2].
    pub change_m2: f64,
}

/// A practice engine as it is made, faults included.
#[derive(Debug, Clone)]
pub struct PracticeSetup {
    /// Names of the bodies, which are the names of the channels.
    pub bodies: Vec<String>,
    /// Engine.
    pub spec: EngineSpec,
    /// Stops, links, leaks, weather; the bleeds are taken from `bleeds`.
    pub setting: Setting,
    /// Idle speed the idle control holds [1/min].
    pub idle_rpm: f64,
    /// Idle valve at the start [steps].
    pub idle_steps: f64,
    /// The idle valve does not move from `idle_steps`.
    pub valve_stuck: bool,
    /// Crank, flywheel and clutch [kg m2].
    pub inertia_kg_m2: f64,
    /// Scatter of the burns [-], 0 to 0.5.
    pub scatter: f64,
    /// One for each body; empty where there are no bleeds.
    pub bleeds: Vec<Bleed>,
    /// Throttle sensor, if there is one.
    pub sense: Option<ThrottleSense>,
    /// Worn spindle, if there is one.
    pub spindle: Option<Spindle>,
    /// One sensor chain for each body.
    pub chains: Vec<Chain>,
    /// What each sensor reads too much once the engine has run [Pa]; the engine-off zero misses it.
    pub late_offset_pa: Vec<f64>,
    /// The hoses of the first two bodies are exchanged.
    pub crossed: bool,
    /// Samples per second [Hz].
    pub rate_hz: f64,
    /// Seed of scatter and noise.
    pub seed: u64,
}

/// A screw of the engine, bodies counted from 0 in the order of [`PracticeSetup::bodies`].
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Screw {
    /// Stop of a body; in = more open.
    Stop {
        /// Body.
        body: usize,
        /// Opening for each turn [deg].
        deg_per_turn: f64,
    },
    /// Balance adjuster that moves a body.
    Balance {
        /// Body.
        body: usize,
        /// Opening for each turn [deg].
        deg_per_turn: f64,
    },
    /// Bleed of a body; out = more area.
    Bleed {
        /// Body.
        body: usize,
    },
}

/// What the throttle hand does.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Throttle {
    /// Off the grip.
    Closed,
    /// Cable pulled to an opening [deg above shut], 0 to 90.
    Opening(f64),
    /// Held so that the engine turns at a speed [1/min].
    Speed(f64),
}

/// Something done at the practice engine.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum PracticeCommand {
    /// Start the engine, or start it again.
    Start,
    /// Kill switch.
    Stop,
    /// Throttle hand.
    Throttle(Throttle),
    /// Turn a screw by so many turns, positive = more opening or area.
    Turn(Screw, f64),
    /// The ECU stores the present throttle-sensor reading as closed.
    ZeroLearn,
    /// Idle control on, or the valve left where it is.
    IdleControl(bool),
    /// Hoses pinched shut from now on.
    Pinch {
        /// The idle-air hoses: no idle air, nothing passes between runners through them.
        idle_air: bool,
        /// The balance pipe.
        balance_pipe: bool,
    },
}

/// What can be seen at the practice engine without taking it apart.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PracticeState {
    /// It runs.
    pub running: bool,
    /// It died by itself.
    pub stalled: bool,
    /// Speed [1/min]; zero when it stands.
    pub rpm: f64,
    /// Throttle hand.
    pub throttle: Throttle,
    /// Idle valve [steps].
    pub idle_steps: f64,
    /// Idle control on.
    pub idle_control: bool,
    /// Raw volts of the throttle sensor [V].
    pub sensor_v: Option<f64>,
    /// Opening the ECU believes in [deg above closed].
    pub ecu_opening_deg: Option<f64>,
}

/// The practice engine with its sensors.
pub struct PracticeEngine {
    setup: PracticeSetup,
    engine: Option<RunningEngine>,
    tap: Tap,
    hand: Hand,
    throttle: Throttle,
    idle_control: bool,
    /// Idle-air hoses, balance pipe.
    pinched: (bool, bool),
    stalled: bool,
    leak_m2: f64,
    starts: u64,
    rng: StdRng,
    cycle_rows: Vec<f64>,
}

impl std::fmt::Debug for PracticeEngine {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("PracticeEngine")
            .field("state", &self.state_at_rest())
            .finish_non_exhaustive()
    }
}

impl PracticeEngine {
    /// An engine that stands.
    ///
    /// # Errors
    /// [`EngineError`] when a number of the setup is out of its range or a list does not have one
    /// entry for each body.
    pub fn new(setup: PracticeSetup) -> Result<Self, EngineError> {
        let cylinders = setup.spec.cylinders.len();
        for (what, got) in [
            ("list of names", setup.bodies.len()),
            ("list of chains", setup.chains.len()),
        ] {
            if got != cylinders {
                return Err(EngineError::Length {
                    what,
                    got,
                    cylinders,
                });
            }
        }
        setup.spec.check()?;
        setup.setting.check(&setup.spec)?;
        let tap = Tap::new(setup.chains.clone(), setup.rate_hz, setup.seed ^ 0x7a9)?;
        let mut made = Self {
            engine: None,
            tap,
            hand: Hand::default(),
            throttle: Throttle::Closed,
            idle_control: !setup.valve_stuck,
            pinched: (false, false),
            stalled: false,
            leak_m2: 0.0,
            starts: 0,
            rng: StdRng::seed_from_u64(setup.seed),
            cycle_rows: Vec::new(),
            setup,
        };
        made.closed_again();
        made.set_bleeds();
        // Numbers that only a running engine refuses are found before anyone waits for it.
        made.built()?;
        Ok(made)
    }

    /// The setup as it stands now, screws turned since included.
    pub fn setup(&self) -> &PracticeSetup {
        &self.setup
    }

    /// Does what is asked from the next cycle on; turns out of range stop at the end of the screw.
    ///
    /// # Errors
    /// [`EngineError`] when the engine cannot be built or set as asked; it is then as before.
    pub fn command(&mut self, command: PracticeCommand) -> Result<(), EngineError> {
        match command {
            PracticeCommand::Start => {
                if self.engine.is_none() {
                    self.engine = Some(self.built()?);
                    self.stalled = false;
                    self.starts += 1;
                    for (i, pa) in self.setup.late_offset_pa.iter().enumerate() {
                        let own = self.setup.chains.get(i).map_or(0.0, |c| c.offset_pa);
                        self.tap.set_offset_pa(i, own + pa);
                    }
                }
            }
            PracticeCommand::Stop => {
                self.engine = None;
                self.stalled = false;
                self.set_throttle(Throttle::Closed);
            }
            PracticeCommand::Throttle(throttle) => self.set_throttle(throttle),
            PracticeCommand::Turn(screw, turns) => {
                if turns.is_finite() {
                    self.turn(screw, turns);
                    return self.apply();
                }
            }
            PracticeCommand::ZeroLearn => {
                let deg = self.sensed_plate_deg();
                if let (Some(sense), Some(deg)) = (&mut self.setup.sense, deg) {
                    sense.learned_v = sense.volts(deg);
                }
            }
            PracticeCommand::IdleControl(on) => {
                self.idle_control = on && !self.setup.valve_stuck;
                let control = self.control();
                if let Some(engine) = &mut self.engine {
                    engine.control = control;
                }
            }
            PracticeCommand::Pinch {
                idle_air,
                balance_pipe,
            } => {
                self.pinched = (idle_air, balance_pipe);
                return self.apply();
            }
        }
        Ok(())
    }

    /// Runs one cycle, or stands for a moment; pushes rows of samples [Pa], one value per body, to
    /// `out` and returns the time it took [s].
    ///
    /// # Errors
    /// [`EngineError`] when the gas state breaks down; the engine then stands.
    pub fn advance(&mut self, out: &mut Vec<f32>) -> Result<f64, EngineError> {
        let first = out.len();
        let duration_s = match self.run_cycle() {
            Ok(Some(duration_s)) => {
                self.tap.cycle(&self.cycle_rows, duration_s, out);
                duration_s
            }
            Ok(None) => {
                self.tap.still(self.setup.setting.ambient_pa, STILL_S, out);
                STILL_S
            }
            Err(error) => {
                self.engine = None;
                return Err(error);
            }
        };
        let n = self.setup.bodies.len();
        if self.setup.crossed && n >= 2 {
            for row in out[first..].chunks_exact_mut(n) {
                row.swap(0, 1);
            }
        }
        Ok(duration_s)
    }

    /// What can be seen now.
    pub fn state(&mut self) -> PracticeState {
        let mut state = self.state_at_rest();
        let noise = SENSOR_NOISE_V * self.rng.random_range(-1.0..1.0);
        if let (Some(sense), Some(deg)) = (self.setup.sense, self.sensed_plate_deg()) {
            let volts = sense.volts(deg) + noise;
            state.sensor_v = Some(volts);
            state.ecu_opening_deg = Some((volts - sense.learned_v) / sense.volts_per_deg);
        }
        state
    }

    fn state_at_rest(&self) -> PracticeState {
        PracticeState {
            running: self.engine.is_some(),
            stalled: self.stalled,
            rpm: self.engine.as_ref().map_or(0.0, RunningEngine::rpm),
            throttle: self.throttle,
            idle_steps: self
                .engine
                .as_ref()
                .map_or(self.setup.idle_steps, RunningEngine::idle_steps),
            idle_control: self.idle_control,
            sensor_v: None,
            ecu_opening_deg: None,
        }
    }

    /// One cycle into `cycle_rows`, its length [s]; `None` when the engine stands.
    fn run_cycle(&mut self) -> Result<Option<f64>, EngineError> {
        let Some(engine) = &mut self.engine else {
            return Ok(None);
        };
        let command_deg = self.hand.cycle(self.throttle, engine.rpm());
        engine.set_command_deg(command_deg);
        self.cycle_rows.clear();
        let duration_s = engine.run_cycle(Some(&mut self.cycle_rows))?;
        if engine.stalled() {
            self.setup.idle_steps = engine.idle_steps();
            self.engine = None;
            self.stalled = true;
            self.throttle = Throttle::Closed;
        }
        Ok(Some(duration_s).filter(|d| *d > 0.0))
    }

    fn set_throttle(&mut self, throttle: Throttle) {
        let finite = match throttle {
            Throttle::Closed => true,
            Throttle::Opening(x) | Throttle::Speed(x) => x.is_finite(),
        };
        if !finite {
            return;
        }
        if throttle == Throttle::Closed && self.throttle != Throttle::Closed {
            self.closed_again();
        }
        self.throttle = throttle;
    }

    /// A worn spindle settles elsewhere each time the throttle shuts.
    fn closed_again(&mut self) {
        let Some(spindle) = self.setup.spindle else {
            return;
        };
        let change = spindle.change_m2 * self.rng.random_range(-1.0..1.0);
        let now = (spindle.mean_m2 + change).max(0.0);
        if let Some(body) = self.setup.setting.bodies.get_mut(spindle.body) {
            body.leak_m2 += now - self.leak_m2;
            self.leak_m2 = now;
        }
        // The setting was valid and a leak that is not negative keeps it so.
        let _ = self.apply();
    }

    fn turn(&mut self, screw: Screw, turns: f64) {
        let linkage = &mut self.setup.setting.linkage;
        match screw {
            Screw::Stop { body, deg_per_turn } => linkage.turn_stop(body, turns, deg_per_turn),
            Screw::Balance { body, deg_per_turn } => {
                linkage.turn_balance(body, turns, deg_per_turn);
            }
            Screw::Bleed { body } => {
                if let Some(bleed) = self.setup.bleeds.get_mut(body) {
                    bleed.turns = (bleed.turns + turns).max(0.0);
                }
                self.set_bleeds();
            }
        }
    }

    fn set_bleeds(&mut self) {
        for (body, bleed) in self.setup.setting.bodies.iter_mut().zip(&self.setup.bleeds) {
            let open = if bleed.blocked { 0.0 } else { bleed.turns };
            body.bleed_m2 = open * bleed.m2_per_turn;
        }
    }

    fn apply(&mut self) -> Result<(), EngineError> {
        let setting = self.with_pinches();
        match &mut self.engine {
            Some(engine) => {
                engine.pinch_idle_air(self.pinched.0);
                engine.set_setting(setting)
            }
            None => Ok(()),
        }
    }

    /// The setting with what is pinched shut.
    fn with_pinches(&self) -> Setting {
        let mut setting = self.setup.setting.clone();
        let (idle_air, balance_pipe) = self.pinched;
        if idle_air {
            setting.passage_m2 = 0.0;
        }
        if balance_pipe {
            setting.balance_pipe_m2 = 0.0;
        }
        setting
    }

    fn control(&self) -> Option<IdleControl> {
        self.idle_control
            .then(|| IdleControl::at(self.setup.idle_rpm))
    }

    fn built(&self) -> Result<RunningEngine, EngineError> {
        let s = &self.setup;
        let mut engine = RunningEngine::new(
            s.spec.clone(),
            self.with_pinches(),
            IdleControl::at(s.idle_rpm),
            s.inertia_kg_m2,
            s.idle_steps,
            s.scatter,
            s.seed.wrapping_add(self.starts),
        )?;
        engine.control = self.control();
        engine.pinch_idle_air(self.pinched.0);
        Ok(engine)
    }

    /// Opening of the plate the throttle sensor sits on [deg].
    fn sensed_plate_deg(&self) -> Option<f64> {
        let body = self.setup.sense?.body;
        if let Some(engine) = &self.engine {
            return engine.plate_deg().get(body).copied();
        }
        let command_deg = match self.throttle {
            Throttle::Opening(deg) => deg.clamp(0.0, 90.0),
            Throttle::Closed | Throttle::Speed(_) => 0.0,
        };
        let all = self.setup.setting.linkage.openings_deg(command_deg).ok()?;
        all.get(body).copied()
    }
}

#[cfg(test)]
mod tests;

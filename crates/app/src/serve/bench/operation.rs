//! What can be done at the bench, and why it may be refused.

use evenpull_diagnose::CauseCode;

/// Something done at the bench.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub enum Operation {
    /// Start the engine.
    Start,
    /// Kill switch.
    Kill,
    /// Take the zero of the sensors, engine off.
    Zero,
    /// Go to a station by its code: throttle there, bleeds shut or as they were, next reading.
    Station(String),
    /// Read the present station once more.
    Again,
    /// Turn an adjuster, positive = more opening or area.
    Turn {
        /// Adjuster.
        adjuster: String,
        /// Turns.
        turns: f64,
    },
    /// The ECU stores the present throttle-sensor reading as closed.
    Learn,
    /// Follow a step of the advice, counted from 0.
    Follow(usize),
    /// Tell what was hidden.
    Reveal,
    /// Mend what no screw puts right, by its cause; see [`mendable`](crate::mendable).
    Mend(CauseCode),
    /// Compare the sensors, all on one held pressure.
    Compare,
    /// What is read beside the sensors at a machine.
    Beside(Beside),
}

/// What is read beside the sensors, as typed; stands for the readings from then on.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Beside {
    /// Engine temperature [C].
    pub engine_c: Option<f64>,
    /// Raw volts of the throttle sensor [V]; for the present station only.
    pub sensor_v: Option<f64>,
    /// Opening the ECU believes in [deg above closed]; for the present station only.
    pub ecu_opening_deg: Option<f64>,
    /// Idle valve [steps]; for the present station only.
    pub idle_valve_steps: Option<f64>,
}

/// Why the bench does not do what is asked.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum BenchRefusal {
    /// No such station.
    #[error("no station `{code}`; there are {known}")]
    NoStation {
        /// Code as given.
        code: String,
        /// Codes there are.
        known: String,
    },
    /// No such step, or it turns nothing.
    #[error("step {number} turns nothing that can be followed; assess the readings first")]
    NoStep {
        /// Number as shown.
        number: usize,
    },
    /// Mended what was sound.
    #[error("nothing was wrong there; the engine is as it was")]
    Sound,
    /// Done at the machine itself.
    #[error("sensors are read here; this is done at the machine itself")]
    AtTheMachine,
    /// A sealed part of a real machine.
    #[error(
        "`{part}` is sealed and stays so; only in the baseline stage, with a written reason, is a turn \
         of it noted under Work"
    )]
    Sealed {
        /// Part.
        part: String,
    },
    /// Nothing to assess.
    #[error("no reading was taken yet; start the engine and take one")]
    NoReading,
}

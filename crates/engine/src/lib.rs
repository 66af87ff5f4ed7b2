//! Crank-resolved engine and the sensor chain behind it.
//!
//! [`spec`] and [`setting`] say what the engine is and how it is set; [`operating`] runs it to a
//! balance and records a [`Trace`], [`running`] lets it run by itself under its idle control;
//! [`sensing`] turns a trace into what a sensor would have sampled, [`tap`] does so cycle by cycle, and [`layout`] writes the
//! samples as a recording. No I/O beyond the writer handed in, no clock; the same seed gives the
//! same numbers. Limits: quasi-steady flow through plates and valves, exhaust at constant pressure,
//! one gas for air and burned charge.

mod flow;
mod methods;
mod model;
mod power;
mod rates;
mod stabilised;
mod stepper;

pub mod combustion;
pub mod crank;
pub mod error;
pub mod gas;
pub mod layout;
pub mod linkage;
pub mod operating;
pub mod running;
pub mod sensing;
pub mod setting;
pub mod simulation;
pub mod spec;
pub mod tap;
pub mod trace;
pub mod valve;

pub use combustion::{CylinderWall, Friction, HeatRelease, RunnerWall};
pub use crank::SliderCrank;
pub use error::EngineError;
pub use gas::WorkingGas;
pub use layout::{Blemishes, Layout, write_recording};
pub use linkage::{Coupling, Follows, Linkage};
pub use operating::{Options, Run, run};
pub use running::{IdleControl, RunningEngine};
pub use sensing::{Chain, Quantiser, Samples, Sampling, sense};
pub use setting::{BodySetting, Setting};
pub use simulation::{CylinderCycle, Simulation};
pub use spec::{Basics, CylinderSpec, EngineSpec, Exhaust, GasColumn, IdleBaseline, IdleCircuit};
pub use tap::Tap;
pub use trace::{Trace, Truth};
pub use valve::{LiftShape, Valve};

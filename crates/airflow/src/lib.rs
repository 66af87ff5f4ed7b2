//! Gas, orifice, plate, ambient air, hose and units.
//!
//! SI inside; [`units`] and [`decimal`] are the edges. No I/O.

mod bracket;

pub mod ambient;
pub mod decimal;
pub mod discharge;
pub mod gas;
pub mod hose;
pub mod jet;
pub mod orifice;
pub mod plate;
pub mod pressure;
pub mod refill;
pub mod sensor;
pub mod units;

pub use ambient::{AmbientError, Atmosphere};
pub use decimal::{DecimalError, parse_decimal};
pub use discharge::{Discharge, DischargeError, Throttle};
pub use gas::{FlowError, Gas};
pub use hose::{Hose, HoseError, SecondOrder};
pub use orifice::{OrificeLaw, mass_flow_kg_s, psi};
pub use plate::{Plate, PlateError};
pub use pressure::{AbsPressure, Depression, GaugePressure};
pub use refill::{refill, refill_inverse};
pub use sensor::{Counts, Ratiometric, SensorError};
pub use units::{AngleUnit, LengthUnit, PressureUnit, UnitError};

//! Why something was not read.

use evenpull_trace::AnalyseError;

use crate::steady::Missing;

/// Why a reading was not accepted.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum AcceptError {
    /// The stretch is not steady, or too short.
    #[error("the reading is not complete: {} still missing", .missing.len())]
    Missing {
        /// What is missing.
        missing: Vec<Missing>,
    },
    /// The analysis gives no reading.
    #[error("{0}")]
    Analyse(#[from] AnalyseError),
    /// The analysis of the whole stretch finds it unsteady or too short.
    #[error("{text}")]
    Doubted {
        /// Its notice.
        text: String,
    },
    /// The stretch could not be written and read back.
    #[error("the recording could not be read back: {why}")]
    Unreadable {
        /// Why.
        why: String,
    },
}

/// Why the sensors' zero was not taken.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum ZeroError {
    /// Fewer samples than a second holds.
    #[error("no second of samples yet; wait until the sensors have been connected for a second")]
    TooFew,
    /// The engine turns, or a hose is being moved.
    #[error(
        "{body} moves by {swing_kpa:.1} kPa; take the zero with the engine off and the hoses still"
    )]
    Moving {
        /// Body.
        body: String,
        /// Swing over the last second [kPa].
        swing_kpa: f64,
    },
    /// A sensor is too far off ambient to be put right by a zero.
    #[error(
        "{body} reads {kpa:.1} kPa with {ambient_kpa:.1} kPa ambient; check its scale, its supply and \
         the barometer"
    )]
    TooFar {
        /// Body.
        body: String,
        /// Reading [kPa].
        kpa: f64,
        /// Ambient [kPa].
        ambient_kpa: f64,
    },
}

/// Why sensors on one pressure were not compared.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum CompareError {
    /// Fewer samples than a second holds.
    #[error("no second of samples yet; wait until the sensors have been connected for a second")]
    TooFew,
    /// No zero was taken: what the sensors differ by would be their zeros.
    #[error("the sensors are not zeroed; zero them first, engine off and open to the air")]
    NotZeroed,
    /// The pressure creeps or swings.
    #[error(
        "the pressure on {body} moves by {swing_kpa:.1} kPa within a second; hold it still, and look for \
         the leak where it creeps"
    )]
    Moving {
        /// Body.
        body: String,
        /// Swing over the last second [kPa].
        swing_kpa: f64,
    },
}

//! Faults the practice engine can show, by their cause codes.

use std::str::FromStr;

use evenpull_diagnose::CauseCode;

use crate::answer::cause_code;

/// A fault to put in: a cause code, and a body where it sits on one.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Fault {
    /// Cause.
    pub code: CauseCode,
    /// Body by name; left to the seed when missing.
    pub body: Option<String>,
}

/// Why a fault cannot be put in.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum FaultError {
    /// Not a cause code.
    #[error("no fault `{code}`\n  remedy: use one of {known}, with `:body` behind it if you like")]
    Unknown {
        /// Code as given.
        code: String,
        /// Codes the practice engine can show.
        known: String,
    },
    /// A cause without a model.
    #[error(
        "the practice engine cannot show `{code}`\n  remedy: use one of {known}, with `:body` \
         behind it if you like"
    )]
    NoModel {
        /// Code.
        code: &'static str,
        /// Codes the practice engine can show.
        known: String,
    },
    /// No such body.
    #[error("the profile has no body `{body}`\n  remedy: use one of {known}")]
    NoBody {
        /// Body as given.
        body: String,
        /// Bodies of the profile.
        known: String,
    },
    /// A fault that needs something this machine does not have.
    #[error(
        "`{code}` needs {needs}, which the profile does not have\n  remedy: use another profile"
    )]
    Lacks {
        /// Code.
        code: &'static str,
        /// What is missing.
        needs: &'static str,
    },
}

/// Causes with a model in the practice engine.
const SHOWN: [CauseCode; 18] = [
    CauseCode::None,
    CauseCode::BalanceOff,
    CauseCode::LinkAltered,
    CauseCode::StopIn,
    CauseCode::StopOut,
    CauseCode::StopsBoth,
    CauseCode::SensorShifted,
    CauseCode::BleedUnequal,
    CauseCode::BleedBlocked,
    CauseCode::SpindleWear,
    CauseCode::StubLeak,
    CauseCode::ValveTight,
    CauseCode::CompressionLow,
    CauseCode::IdleValveStuckOpen,
    CauseCode::IdleValveStuckShut,
    CauseCode::SparkWeak,
    CauseCode::GaugeFault,
    CauseCode::CrossedHoses,
];

/// Codes of the faults the practice engine can show.
pub fn fault_codes() -> impl Iterator<Item = &'static str> {
    SHOWN.into_iter().map(cause_code)
}

pub(super) fn known_codes() -> String {
    fault_codes().collect::<Vec<_>>().join(", ")
}

impl FromStr for Fault {
    type Err = FaultError;

    /// `code` or `code:body`.
    fn from_str(text: &str) -> Result<Self, FaultError> {
        let (code, body) = match text.split_once(':') {
            Some((code, body)) => (code, Some(body.to_owned())),
            None => (text, None),
        };
        match SHOWN.into_iter().find(|&c| cause_code(c) == code) {
            Some(code) => Ok(Self { code, body }),
            None => Err(FaultError::Unknown {
                code: code.to_owned(),
                known: known_codes(),
            }),
        }
    }
}

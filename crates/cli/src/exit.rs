//! Exit codes, a contract for scripts.

use std::process::ExitCode;

use evenpull_app::{AppError, ErrorKind};

/// How a command ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Exit {
    /// 0: answered.
    Fine,
    /// 1: answered with a refusal or "undetermined".
    Undetermined,
    /// 2: bad input.
    BadInput,
    /// 3: program fault.
    Fault,
}

impl Exit {
    /// The number of the contract.
    pub fn number(self) -> u8 {
        match self {
            Self::Fine => 0,
            Self::Undetermined => 1,
            Self::BadInput => 2,
            Self::Fault => 3,
        }
    }

    /// The exit of a use case that did not answer.
    pub fn of(error: &AppError) -> Self {
        match error.kind() {
            ErrorKind::BadInput => Self::BadInput,
            ErrorKind::Refused => Self::Undetermined,
            ErrorKind::Fault => Self::Fault,
        }
    }
}

impl From<Exit> for ExitCode {
    fn from(exit: Exit) -> Self {
        Self::from(exit.number())
    }
}

//! Points in time, handed in by the caller.

use serde::{Deserialize, Serialize};

/// A point in time: milliseconds since 1970-01-01 00:00 UTC, as the caller's clock gave it.
///
/// Never used for order: records are ordered by their numbers, since clocks are set back.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Moment {
    /// Milliseconds since 1970-01-01 00:00 UTC.
    pub ms: i64,
}

impl Moment {
    /// A moment from its milliseconds.
    pub fn from_ms(ms: i64) -> Self {
        Self { ms }
    }
}

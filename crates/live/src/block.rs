//! What a source hands on: heads, blocks of samples, news of the link.

use std::time::Instant;

use crate::practice::PracticeState;

/// What the samples of a stream are.
#[derive(Debug, Clone, PartialEq)]
pub struct StreamHead {
    /// Names of the channels, as the device gives them.
    pub channels: Vec<String>,
    /// Samples per second [Hz].
    pub rate_hz: f64,
}

/// Most channels of a stream.
pub const MOST_CHANNELS: usize = 16;

/// Fastest and slowest sampling followed [Hz].
pub const RATE_RANGE_HZ: (f64, f64) = (50.0, 20_000.0);

/// Samples that arrived together.
#[derive(Debug, Clone, PartialEq)]
pub struct Block {
    /// Absolute pressure [Pa], one row per sample with a value per channel; `NaN` is unreadable.
    pub rows: Vec<f32>,
    /// Channels.
    pub channels: usize,
    /// Samples known to be missing before the first row.
    pub lost_before: u64,
    /// The first row does not follow the one before it: a gap, a restart, another connection.
    pub fresh: bool,
    /// When the last row arrived.
    pub arrived: Instant,
}

impl Block {
    /// Number of samples.
    pub fn samples(&self) -> usize {
        self.rows.len().checked_div(self.channels).unwrap_or(0)
    }
}

/// How the connection to a source stands.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Link {
    /// Looking for a device that speaks the lines of `docs/sensor-lines.md`.
    Searching {
        /// What was looked at, or what stands in the way.
        note: String,
    },
    /// Connected.
    Connected {
        /// Port, address, or `practice engine`.
        to: String,
    },
    /// Lost; it is looked for again by itself.
    Lost {
        /// What was lost.
        from: String,
        /// Why.
        why: String,
    },
    /// Over: the end of a replay, or a fault that does not go away by itself.
    Ended {
        /// Why.
        why: String,
    },
}

/// Damage seen on a stream so far.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Damage {
    /// Lines that were none of ours, or whose check did not fit.
    pub bad_lines: u64,
    /// Samples missing by the counter.
    pub lost_samples: u64,
    /// Lines seen twice.
    pub repeated: u64,
    /// Restarts of the device.
    pub restarts: u64,
}

/// One item from a source.
#[derive(Debug, Clone, PartialEq)]
pub enum Feed {
    /// What the samples from here on are.
    Head(StreamHead),
    /// Samples.
    Samples(Block),
    /// The connection changed.
    Link(Link),
    /// Damage seen so far on this source.
    Damage(Damage),
    /// A remark of the device.
    Remark(String),
    /// State of the practice engine.
    Practice(PracticeState),
}

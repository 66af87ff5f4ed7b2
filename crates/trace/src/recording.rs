//! A recording in SI units, as the import leaves it and the analysis takes it.
//!
//! Samples are kept as `f32` (resolution 0.008 Pa at one atmosphere) so that an hour of two
//! channels at 2 kHz stays under 60 MB; all arithmetic on them is done in `f64`.

use crate::notice::Notice;

/// One stretch of evenly spaced samples; a gap in the file starts a new one.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Segment {
    /// Index of the first sample of the stretch, same for every channel.
    pub first: usize,
    /// Number of samples.
    pub len: usize,
    /// Time of the first sample after the start of the recording [s].
    pub t0_s: f64,
}

/// Pressure over time at one body.
#[derive(Debug, Clone, PartialEq)]
pub struct Channel {
    /// Body (cylinder) this channel is plumbed to, in the profile's words.
    pub body: String,
    /// Absolute pressure [Pa], one value per sample, before the sensor zero is applied.
    /// `NaN` marks a sample the file shows as overloaded or unreadable.
    pub p_pa: Vec<f32>,
    /// Smallest step the file can express for this channel [Pa] (resolution of counts or digits).
    pub step_pa: f64,
    /// Samples at the end of the sensor's or the converter's range, including overload marks.
    pub clipped: usize,
}

/// A whole recording: a clock and one channel per body.
#[derive(Debug, Clone, PartialEq)]
pub struct Recording {
    /// Name shown in messages: the file name, or `standard input`.
    pub name: String,
    /// Sample spacing inside a segment [s].
    pub dt_s: f64,
    /// Stretches of even spacing, in time order; they cover all samples.
    pub segments: Vec<Segment>,
    /// One per body, all of the same length.
    pub channels: Vec<Channel>,
    /// What the import found and what it assumed, one line each, to be printed.
    pub assumed: Vec<String>,
    /// Doubts about the file: skipped lines, gaps, overloads.
    pub notices: Vec<Notice>,
}

impl Recording {
    /// Number of samples per channel.
    pub fn samples(&self) -> usize {
        self.channels.first().map_or(0, |c| c.p_pa.len())
    }

    /// Time covered by samples [s], gaps left out.
    pub fn duration_s(&self) -> f64 {
        self.samples() as f64 * self.dt_s
    }
}

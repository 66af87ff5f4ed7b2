//! The line protocol of `docs/sensor-lines.md`: heads, samples, remarks, each with its check.

use evenpull_airflow::{Counts, Ratiometric};

use crate::block::{MOST_CHANNELS, RATE_RANGE_HZ, StreamHead};

mod check;
mod decoder;
mod encoder;

pub use check::check;
pub use decoder::Decoder;
pub use encoder::{head_line, remark_line, sample_line};

/// Longest line without its end [bytes]; a longer one is skipped.
pub const LONGEST_LINE: usize = 240;

/// Longest name of a channel [bytes].
pub const LONGEST_NAME: usize = 24;

/// What the numbers of a stream mean.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum LineUnit {
    /// Absolute pressure [kPa].
    KiloPascal,
    /// Absolute pressure [Pa].
    Pascal,
    /// Converter counts of a ratiometric sensor.
    Count {
        /// Converter.
        counts: Counts,
        /// Sensor.
        sensor: Ratiometric,
    },
    /// Volts of a ratiometric sensor.
    Volt {
        /// Sensor supply [V].
        supply_v: f64,
        /// Sensor.
        sensor: Ratiometric,
    },
}

impl LineUnit {
    /// Absolute pressure [Pa] of a number on a line.
    pub fn pa(self, number: f64) -> f64 {
        match self {
            Self::KiloPascal => number * 1e3,
            Self::Pascal => number,
            Self::Count { counts, sensor } => sensor.pa_from_ratio(counts.ratio(number)),
            Self::Volt { supply_v, sensor } => sensor.pa_from_ratio(number / supply_v),
        }
    }
}

/// The head of a stream of lines.
#[derive(Debug, Clone, PartialEq)]
pub struct LineHead {
    /// Names and rate.
    pub stream: StreamHead,
    /// Unit of the samples.
    pub unit: LineUnit,
    /// Number of values of the sample counter, which runs from 0 to one less.
    pub wrap: u64,
    /// A word that changes at each start of the device.
    pub run: Option<String>,
}

/// Why a line is not understood.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum LineError {
    /// The check at the end is missing or does not fit.
    #[error("no check, or one that does not fit")]
    Check,
    /// Longer than [`LONGEST_LINE`], or not in printable ASCII.
    #[error("longer than {LONGEST_LINE} bytes, or not plain ASCII")]
    NotText,
    /// None of the kinds of line.
    #[error("neither `head`, nor `note`, nor a sample")]
    Kind,
    /// A key of a head that is missing or cannot be used.
    #[error("head: {key} must be {expected}, got `{value}`")]
    Head {
        /// Key.
        key: &'static str,
        /// Value as it stands; empty when missing.
        value: String,
        /// What would be right.
        expected: &'static str,
    },
    /// A sample whose numbers do not fit the head.
    #[error("a sample with {got} values, the head names {expected}")]
    Width {
        /// Values on the line.
        got: usize,
        /// Channels of the head.
        expected: usize,
    },
    /// A number that is none, or a counter beyond its end.
    #[error("`{text}` is no number of a sample")]
    Number {
        /// Text.
        text: String,
    },
    /// A sample before any head.
    #[error("a sample before the head")]
    NoHead,
}

/// One line, understood.
#[derive(Debug, Clone, PartialEq)]
pub(crate) enum Line<'a> {
    Head(Box<LineHead>),
    Note(&'a str),
    Sample { count: &'a str, values: &'a str },
}

/// Reads one line without its end.
pub(crate) fn read_line(line: &[u8]) -> Result<Line<'_>, LineError> {
    let text = checked(line)?;
    if let Some(rest) = text.strip_prefix("head ") {
        return Ok(Line::Head(Box::new(read_head(rest)?)));
    }
    if let Some(rest) = text.strip_prefix("note ") {
        return Ok(Line::Note(rest));
    }
    if text.starts_with(|c: char| c.is_ascii_digit()) {
        let (count, values) = text.split_once(' ').ok_or(LineError::Kind)?;
        return Ok(Line::Sample { count, values });
    }
    Err(LineError::Kind)
}

/// The text of a line before its check, if the check fits.
fn checked(line: &[u8]) -> Result<&str, LineError> {
    if line.len() > LONGEST_LINE || !line.iter().all(|b| (b' '..=b'~').contains(b)) {
        return Err(LineError::NotText);
    }
    let at = line.len().checked_sub(3).ok_or(LineError::Check)?;
    let (body, tail) = line.split_at(at);
    let [b'~', high, low] = *tail else {
        return Err(LineError::Check);
    };
    let digit = |b: u8| char::from(b).to_digit(16);
    let (Some(high), Some(low)) = (digit(high), digit(low)) else {
        return Err(LineError::Check);
    };
    if u32::from(check(body)) != 16 * high + low {
        return Err(LineError::Check);
    }
    std::str::from_utf8(body).map_err(|_| LineError::NotText)
}

fn read_head(text: &str) -> Result<LineHead, LineError> {
    let value = |key: &str| {
        text.split(' ')
            .filter_map(|pair| pair.split_once('='))
            .find(|(k, _)| *k == key)
            .map(|(_, v)| v)
    };
    let wrong = |key, expected| LineError::Head {
        key,
        value: value(key).unwrap_or_default().to_owned(),
        expected,
    };
    if value("v") != Some("1") {
        return Err(wrong("v", "1"));
    }
    let rate = "samples per second, 50 to 20000";
    let rate_hz = value("rate")
        .and_then(number)
        .filter(|r| (RATE_RANGE_HZ.0..=RATE_RANGE_HZ.1).contains(r))
        .ok_or_else(|| wrong("rate", rate))?;
    let wrap = match value("wrap") {
        None => DEFAULT_WRAP,
        Some(text) => text
            .parse::<u64>()
            .ok()
            .filter(|w| (LEAST_WRAP..=MOST_WRAP).contains(w))
            .ok_or_else(|| wrong("wrap", "values of the counter, 256 to 2^53"))?,
    };
    Ok(LineHead {
        stream: StreamHead {
            channels: names(value("names").unwrap_or_default())
                .ok_or_else(|| wrong("names", "1 to 16 different words, commas between"))?,
            rate_hz,
        },
        unit: unit(&value, &wrong)?,
        wrap,
        run: value("run").map(str::to_owned),
    })
}

/// Values of the counter if the head does not say: two bytes.
const DEFAULT_WRAP: u64 = 65_536;
/// Fewest values of a counter: fewer roll over within the gaps that are to be seen.
const LEAST_WRAP: u64 = 256;
/// Most values of a counter.
const MOST_WRAP: u64 = 1 << 53;

fn names(text: &str) -> Option<Vec<String>> {
    let names: Vec<String> = text.split(',').map(str::to_owned).collect();
    let word = |n: &String| {
        (1..=LONGEST_NAME).contains(&n.len())
            && n.bytes()
                .all(|b| b.is_ascii_alphanumeric() || b == b'_' || b == b'-')
    };
    let different = |(i, n): (usize, &String)| !names[..i].contains(n);
    let right = names.len() <= MOST_CHANNELS
        && names.iter().all(word)
        && names.iter().enumerate().all(different);
    right.then_some(names)
}

fn unit<'a>(
    value: &impl Fn(&str) -> Option<&'a str>,
    wrong: &impl Fn(&'static str, &'static str) -> LineError,
) -> Result<LineUnit, LineError> {
    let sensor = || {
        let given = |key, usual: f64| match value(key) {
            None => Ok(usual),
            Some(text) => number(text).ok_or_else(|| wrong(key, "a number")),
        };
        let (k1, k2) = (given("k1", 0.009)?, given("k2", -0.095)?);
        Ratiometric::new(k1, k2).map_err(|_| wrong("k1", "a number that is not zero"))
    };
    let full = || {
        value("full")
            .and_then(number)
            .filter(|f| *f > 0.0)
            .ok_or_else(|| wrong("full", "the count or the volts at the sensor's supply"))
    };
    match value("unit") {
        Some("kPa") => Ok(LineUnit::KiloPascal),
        Some("Pa") => Ok(LineUnit::Pascal),
        Some("count") => {
            let counts = Counts::new(full()?).map_err(|_| wrong("full", "a positive count"))?;
            let sensor = sensor()?;
            Ok(LineUnit::Count { counts, sensor })
        }
        Some("volt") => {
            let (supply_v, sensor) = (full()?, sensor()?);
            Ok(LineUnit::Volt { supply_v, sensor })
        }
        _ => Err(wrong("unit", "count, volt, kPa or Pa")),
    }
}

/// A finite decimal number: digits, one point, a minus in front; nothing else that `f64` reads.
pub(crate) fn number(text: &str) -> Option<f64> {
    let plain = (1..=20).contains(&text.len())
        && text
            .bytes()
            .all(|b| b.is_ascii_digit() || b == b'.' || b == b'-');
    plain.then(|| text.parse().ok()).flatten()
}

#[cfg(test)]
mod tests;

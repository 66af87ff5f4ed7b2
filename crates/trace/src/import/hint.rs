//! What the caller knows about a file: the `[layout]` section of a job, all of it optional.

use evenpull_airflow::{PressureUnit, Ratiometric};

use super::words::{bare_symbol, split_kind};

/// Layout as far as it is known; everything left out is found from the file.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct LayoutHint {
    /// Column of the time stamps or of a sample counter.
    pub time: Option<ColumnRef>,
    /// Unit of the time stamps.
    pub time_unit: Option<TimeUnit>,
    /// Samples per second [Hz], for files without time stamps; > 0.
    pub sample_rate_hz: Option<f64>,
    /// Pressure columns, at most one per body.
    pub pressure: Vec<ChannelHint>,
    /// Mark between columns.
    pub delimiter: Option<Delimiter>,
    /// Decimal mark.
    pub decimal: Option<Decimal>,
    /// Ambient pressure [Pa], needed where the file holds gauge pressure or depression.
    pub ambient_pa: Option<f64>,
}

/// A column, by its heading or by its place.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum ColumnRef {
    /// Heading, compared without case, blanks or quotes at the ends.
    Name(String),
    /// Place, counted from 1 (in a sound file: the channel).
    Number(usize),
}

/// What is known of one body's column.
#[derive(Debug, Clone, PartialEq)]
pub struct ChannelHint {
    /// Body the column belongs to.
    pub body: String,
    /// Its column.
    pub column: Option<ColumnRef>,
    /// Its unit.
    pub unit: Option<ChannelUnit>,
}

/// Unit of time stamps.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum TimeUnit {
    /// s
    Second,
    /// ms
    Millisecond,
    /// us
    Microsecond,
    /// ns
    Nanosecond,
    /// min
    Minute,
    /// Ticks of a counter with the given frequency [Hz].
    Tick {
        /// Ticks per second, > 0.
        hz: f64,
    },
}

/// Which pressure a column holds.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum PressureKind {
    /// Above vacuum.
    Absolute,
    /// Above ambient; below it negative.
    Gauge,
    /// Below ambient, counted positive.
    Depression,
}

/// What the numbers of a pressure column mean.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum ChannelUnit {
    /// A pressure.
    Pressure {
        /// Unit.
        unit: PressureUnit,
        /// Absolute, gauge or depression.
        kind: PressureKind,
    },
    /// Sensor output in volts.
    Volts {
        /// Sensor; the 15-115 kPa kind if not given.
        sensor: Option<Ratiometric>,
        /// Sensor supply [V]; 5 V if not given.
        supply_v: Option<f64>,
    },
    /// Sensor output in millivolts.
    Millivolts {
        /// As for volts.
        sensor: Option<Ratiometric>,
        /// As for volts [V].
        supply_v: Option<f64>,
    },
    /// Converter counts, the converter's range being the sensor's supply.
    Counts {
        /// Count at the supply voltage; 4095 (12 bit) if not given and not found.
        full_scale: Option<f64>,
        /// As for volts.
        sensor: Option<Ratiometric>,
    },
}

/// Mark between columns.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Delimiter {
    /// `,`
    Comma,
    /// `;`
    Semicolon,
    /// Tab.
    Tab,
    /// `|`
    Pipe,
    /// Any run of blanks and tabs.
    Blanks,
}

/// Decimal mark.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Decimal {
    /// `.`
    Point,
    /// `,`
    Comma,
}

impl TimeUnit {
    /// Seconds per unit [s].
    pub fn seconds(self) -> f64 {
        match self {
            Self::Second => 1.0,
            Self::Millisecond => 1e-3,
            Self::Microsecond => 1e-6,
            Self::Nanosecond => 1e-9,
            Self::Minute => 60.0,
            Self::Tick { hz } => 1.0 / hz,
        }
    }

    /// Unit from its usual spelling (`s`, `ms`, `us`, `ns`, `min` and their words), any case.
    pub fn from_symbol(symbol: &str) -> Option<Self> {
        Some(match bare_symbol(symbol).as_str() {
            "s" | "sec" | "secs" | "second" | "seconds" | "sek" => Self::Second,
            "ms" | "msec" | "msecs" | "millis" | "millisecond" | "milliseconds" => {
                Self::Millisecond
            }
            "us" | "usec" | "usecs" | "micros" | "microsecond" | "microseconds" => {
                Self::Microsecond
            }
            "ns" | "nsec" | "nanos" | "nanosecond" | "nanoseconds" => Self::Nanosecond,
            "min" | "mins" | "minute" | "minutes" => Self::Minute,
            _ => return None,
        })
    }

    pub(super) fn symbol(self) -> String {
        match self {
            Self::Second => "s".into(),
            Self::Millisecond => "ms".into(),
            Self::Microsecond => "us".into(),
            Self::Nanosecond => "ns".into(),
            Self::Minute => "min".into(),
            Self::Tick { hz } => format!("ticks of {hz} Hz"),
        }
    }
}

impl ChannelUnit {
    /// Unit from its usual spelling: a pressure unit, `V`, `mV` or `counts`.
    ///
    /// A pressure is absolute unless the word `gauge` or `depression` follows (`kPa gauge`).
    /// `full_scale`, `sensor` and `supply_v` are taken over where the unit has them.
    pub fn from_symbol(
        symbol: &str,
        full_scale: Option<f64>,
        sensor: Option<Ratiometric>,
        supply_v: Option<f64>,
    ) -> Option<Self> {
        let (symbol, kind) = split_kind(symbol);
        Some(match bare_symbol(&symbol).as_str() {
            "v" | "volt" | "volts" => Self::Volts { sensor, supply_v },
            "mv" | "millivolt" | "millivolts" => Self::Millivolts { sensor, supply_v },
            "count" | "counts" | "adc" | "raw" | "lsb" | "digits" => {
                Self::Counts { full_scale, sensor }
            }
            other => Self::Pressure {
                unit: other.parse().ok()?,
                kind,
            },
        })
    }
}

impl Delimiter {
    /// Delimiter from a sign or a word (`,` `;` `|` tab blank, `comma`, `semicolon`, ...).
    pub fn from_symbol(symbol: &str) -> Option<Self> {
        Some(match symbol {
            "," | "comma" => Self::Comma,
            ";" | "semicolon" => Self::Semicolon,
            "\t" | "\\t" | "tab" => Self::Tab,
            "|" | "pipe" => Self::Pipe,
            " " | "space" | "spaces" | "blank" | "blanks" => Self::Blanks,
            _ => return None,
        })
    }

    pub(super) fn word(self) -> &'static str {
        match self {
            Self::Comma => "commas",
            Self::Semicolon => "semicolons",
            Self::Tab => "tabs",
            Self::Pipe => "pipes",
            Self::Blanks => "blanks",
        }
    }

    /// The byte, or `None` for runs of blanks.
    pub(super) fn byte(self) -> Option<u8> {
        match self {
            Self::Comma => Some(b','),
            Self::Semicolon => Some(b';'),
            Self::Tab => Some(b'\t'),
            Self::Pipe => Some(b'|'),
            Self::Blanks => None,
        }
    }
}

impl Decimal {
    /// Decimal mark from the sign or a word.
    pub fn from_symbol(symbol: &str) -> Option<Self> {
        Some(match symbol {
            "." | "point" => Self::Point,
            "," | "comma" => Self::Comma,
            _ => return None,
        })
    }

    pub(super) fn byte(self) -> u8 {
        match self {
            Self::Point => b'.',
            Self::Comma => b',',
        }
    }
}

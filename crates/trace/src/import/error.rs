//! What an import is refused for; every message names the place and what would be right.

use std::io;

/// Longest line that is taken into memory [byte].
pub const LINE_LIMIT_BYTES: usize = 1 << 20;

/// Reasons to refuse a recording. Columns are named by heading or, without one, by number.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum ImportError {
    /// The reader failed.
    #[error("{name}: cannot be read: {source}")]
    Read {
        /// Recording.
        name: String,
        /// What the system said.
        source: io::Error,
    },
    /// A folder was opened in place of a file.
    #[error("{name}: is a folder; name a recording inside it")]
    IsDirectory {
        /// Recording.
        name: String,
    },
    /// No bytes, or nothing but blank lines.
    #[error("{name}: is empty; record again or name another file")]
    Empty {
        /// Recording.
        name: String,
    },
    /// Not text and not a sound file this program reads.
    #[error(
        "{name}: byte {offset} is {value:#04x} and {share_percent} % of the beginning is not text; \
         export the recording as text columns (CSV) or as a PCM sound file (WAV)"
    )]
    Binary {
        /// Recording.
        name: String,
        /// Offset of the first such byte, from 0.
        offset: usize,
        /// That byte.
        value: u8,
        /// Share of such bytes [%].
        share_percent: u32,
    },
    /// No rows of numbers.
    #[error(
        "{name}: no rows of numbers in the first {lines} lines (line {line} reads `{text}`); each row needs \
         numbers between the same marks: if they are there, give `delimiter` and `decimal` in [layout]"
    )]
    NoTable {
        /// Recording.
        name: String,
        /// Lines looked at.
        lines: usize,
        /// Last line looked at that is not blank, from 1.
        line: usize,
        /// Its beginning.
        text: String,
    },
    /// Commas both between columns and as decimal marks.
    #[error(
        "{name}: line {line} (`{text}`): commas stand between the columns and inside the numbers, which cannot be \
         told apart; export with semicolons or decimal points, or give `delimiter` and `decimal` in [layout] if \
         these are {columns} columns of whole numbers"
    )]
    CommasAmbiguous {
        /// Recording.
        name: String,
        /// First row, from 1.
        line: usize,
        /// Its beginning.
        text: String,
        /// Columns if every comma is a delimiter.
        columns: usize,
    },
    /// Rows hold one number only.
    #[error(
        "{name}: line {line}: one column only (`{text}`); a recording needs time and pressure: give `delimiter` \
         in [layout] if the columns were not told apart, or `sample_rate_hz` if there is one body and no time"
    )]
    OneColumn {
        /// Recording.
        name: String,
        /// First row, from 1.
        line: usize,
        /// That row.
        text: String,
    },
    /// No time column and no sample rate.
    #[error(
        "{name}: line {line}: no column runs like a clock (columns: {columns}); name it as `time` in [layout], \
         or give `sample_rate_hz`"
    )]
    NoTime {
        /// Recording.
        name: String,
        /// First row, from 1.
        line: usize,
        /// Columns there are.
        columns: String,
    },
    /// The spacing fits no unit of time.
    #[error(
        "{name}: column {column}: steps of {step} fit neither s, ms nor us (that would be {as_s_hz:.3e}, \
         {as_ms_hz:.3e} or {as_us_hz:.3e} samples per second); give `time_unit` in [layout]"
    )]
    TimeUnitUnclear {
        /// Recording.
        name: String,
        /// Time column.
        column: String,
        /// Usual step in the file's unit.
        step: f64,
        /// Rate if the unit were seconds [Hz].
        as_s_hz: f64,
        /// Rate if the unit were milliseconds [Hz].
        as_ms_hz: f64,
        /// Rate if the unit were microseconds [Hz].
        as_us_hz: f64,
    },
    /// Time stamps stand still.
    #[error(
        "{name}: column {column}: the time does not advance (first {first}, last of {rows} rows {last}); name \
         another column as `time` in [layout], or give `sample_rate_hz` alone"
    )]
    TimeStandsStill {
        /// Recording.
        name: String,
        /// Time column.
        column: String,
        /// First stamp, file's unit.
        first: f64,
        /// Last stamp looked at, file's unit.
        last: f64,
        /// Rows looked at.
        rows: usize,
    },
    /// Time runs back and stays back.
    #[error(
        "{name}: line {line}: column {column}: time runs back from {from} to {to}; the logger started anew or \
         files were joined: cut the file before this line and import one part"
    )]
    TimeRunsBack {
        /// Recording.
        name: String,
        /// Line, from 1.
        line: u64,
        /// Time column.
        column: String,
        /// Stamp before, file's unit, roll-overs added up.
        from: f64,
        /// Stamp here.
        to: f64,
    },
    /// `[layout]` names a column that is not there.
    #[error("{name}: no column {wanted} for {role}; the columns are {columns}")]
    NoSuchColumn {
        /// Recording.
        name: String,
        /// What it is wanted for: `time` or the body.
        role: String,
        /// Column asked for.
        wanted: String,
        /// Columns there are.
        columns: String,
    },
    /// `[layout]` names a column that does not hold numbers.
    #[error(
        "{name}: column {column} for {role} does not hold numbers (line {line} reads `{text}`); name another in [layout]"
    )]
    NotNumbers {
        /// Recording.
        name: String,
        /// Column.
        column: String,
        /// What it is wanted for.
        role: String,
        /// First row, from 1.
        line: usize,
        /// The field there.
        text: String,
    },
    /// Fewer pressure columns than bodies.
    #[error(
        "{name}: no pressure column for body `{body}` (columns: {columns}); record every body at once, or name \
         the column under [layout.pressure]"
    )]
    MissingChannel {
        /// Recording.
        name: String,
        /// Body left without a column.
        body: String,
        /// Columns there are.
        columns: String,
    },
    /// The unit of a pressure column cannot be told.
    #[error(
        "{name}: column {column}: values from {lowest} to {highest} may be {candidates}; give `unit` (kPa, mbar, \
         Pa, psi, V, mV, counts ...) for `{body}` under [layout.pressure]"
    )]
    UnitUnclear {
        /// Recording.
        name: String,
        /// Column.
        column: String,
        /// Body.
        body: String,
        /// Low end of the values.
        lowest: f64,
        /// High end of the values.
        highest: f64,
        /// What they may be.
        candidates: String,
    },
    /// The file's unit and the given one differ, and the values fit the file's only.
    #[error(
        "{name}: column {column}: the file says {in_file}, [layout] says {given}, and values from {lowest} to \
         {highest} fit {in_file} only; correct `unit` for `{body}` under [layout.pressure]"
    )]
    UnitClash {
        /// Recording.
        name: String,
        /// Column.
        column: String,
        /// Body.
        body: String,
        /// Unit in the file.
        in_file: &'static str,
        /// Unit given.
        given: &'static str,
        /// Low end of the values.
        lowest: f64,
        /// High end of the values.
        highest: f64,
    },
    /// Gauge pressure or depression without the ambient pressure.
    #[error(
        "{name}: column {column}: values from {lowest} to {highest} {unit} are relative to ambient; give the \
         ambient pressure (`pressure_kpa` under [ambient])"
    )]
    NeedsAmbient {
        /// Recording.
        name: String,
        /// Column.
        column: String,
        /// Unit.
        unit: String,
        /// Low end of the values.
        lowest: f64,
        /// High end of the values.
        highest: f64,
    },
    /// A column without a single number.
    #[error(
        "{name}: column {column} ({body}): none of {rows} samples is a number; check the input's range and the plug"
    )]
    AllUnreadable {
        /// Recording.
        name: String,
        /// Column.
        column: String,
        /// Body.
        body: String,
        /// Samples.
        rows: usize,
    },
    /// A line longer than is taken into memory.
    #[error(
        "{name}: line {line} is longer than {limit_bytes} bytes; this is no table of rows: export again with line ends"
    )]
    LineTooLong {
        /// Recording.
        name: String,
        /// Line, from 1.
        line: u64,
        /// The limit.
        limit_bytes: usize,
    },
    /// Pressures no engine has.
    #[error(
        "{name}: line {line}: column {column} ({body}): {value_kpa:.1} kPa, as are {percent:.0} % of the samples; \
         0 to 250 kPa is possible: correct the unit (`kPa gauge`, `kPa depression` if relative to ambient) or the sensor's k1, k2 under [layout.pressure]"
    )]
    ImplausiblePressure {
        /// Recording.
        name: String,
        /// Line of the first, from 1 (in a sound file: the sample).
        line: u64,
        /// Column.
        column: String,
        /// Body.
        body: String,
        /// First such pressure [kPa].
        value_kpa: f64,
        /// Share of the samples [%].
        percent: f64,
    },
    /// More broken lines than rows.
    #[error(
        "{name}: {skipped} of {lines} lines are no rows like line {first_row}, the first being line {first_skipped}; \
         the columns change within the file: cut it, or give `delimiter` and `decimal` in [layout]"
    )]
    MostlyBroken {
        /// Recording.
        name: String,
        /// Lines skipped.
        skipped: u64,
        /// Lines altogether.
        lines: u64,
        /// First row, from 1.
        first_row: usize,
        /// First skipped line, from 1.
        first_skipped: u64,
    },
    /// Too few samples to have a spacing.
    #[error(
        "{name}: {rows} samples; a recording needs two at least, and a reading 50 engine cycles"
    )]
    TooShort {
        /// Recording.
        name: String,
        /// Samples.
        rows: usize,
    },
    /// A value given in the layout is out of range.
    #[error("{name}: [layout] `{key}` is {value}; it must be {allowed}")]
    BadHint {
        /// Recording.
        name: String,
        /// Key.
        key: String,
        /// Value given.
        value: String,
        /// What would be right.
        allowed: &'static str,
    },
    /// A sound file that is damaged or of a kind not read.
    #[error("{name}: sound file: {reason}; write PCM of 16, 24 or 32 bit or 32-bit float")]
    Wav {
        /// Recording.
        name: String,
        /// What is wrong.
        reason: String,
    },
    /// A sound file has no scale of its own.
    #[error(
        "{name}: a sound file carries no unit; give `unit` with its scale for `{body}` under [layout.pressure] \
         (counts with `full_scale`, V with `supply_v`, or a pressure unit)"
    )]
    WavScale {
        /// Recording.
        name: String,
        /// Body without one.
        body: String,
    },
}

impl ImportError {
    /// A reader's failure, with the folder case told apart.
    pub(super) fn read(name: &str, source: io::Error) -> Self {
        let name = name.to_owned();
        if source.kind() == io::ErrorKind::IsADirectory {
            Self::IsDirectory { name }
        } else {
            Self::Read { name, source }
        }
    }
}

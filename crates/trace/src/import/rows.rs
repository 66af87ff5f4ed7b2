//! Rows of a block to numbers: a fast pass over plain rows, a tolerant one for the rest.

use super::blocks::Block;
use super::lines::split;
use super::number::{Field, bare, read_field, scan};
use super::shape::{Numbers, Shapes, WAITING};
use super::sniff::Format;
use super::spacing::LARGEST_STAMP;

/// What is wanted of a column.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Want {
    Nothing,
    Stamp,
    Channel(usize),
}

/// A channel's column and its map to pressure.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct ChannelSpec {
    pub(super) column: usize,
    /// [Pa per file unit]
    pub(super) slope_pa: f64,
    /// [Pa]
    pub(super) offset_pa: f64,
    pub(super) rail_low: f64,
    pub(super) rail_high: f64,
}

impl ChannelSpec {
    /// Whether a value lies at an end of the range.
    #[inline(always)]
    fn clips(&self, value: f64) -> bool {
        (value <= self.rail_low) | (value >= self.rail_high)
    }

    /// Pressure [Pa] of a value.
    #[inline(always)]
    fn pa(&self, value: f64) -> f32 {
        (self.slope_pa * value + self.offset_pa) as f32
    }
}

/// How rows are read.
#[derive(Debug, Clone)]
pub(super) struct RowSpec {
    format: Format,
    wants: Vec<Want>,
    channels: Vec<ChannelSpec>,
    has_stamps: bool,
    /// Decimal places and length below which an open last field is taken as cut off.
    last_places: i32,
    last_shortest: usize,
}

impl RowSpec {
    pub(super) fn new(
        format: Format,
        columns: usize,
        stamps: Option<usize>,
        channels: Vec<ChannelSpec>,
        (last_places, last_shortest): (i32, usize),
    ) -> Self {
        let mut wants = vec![Want::Nothing; columns];
        if let Some(column) = stamps {
            wants[column] = Want::Stamp;
        }
        for (k, channel) in channels.iter().enumerate() {
            wants[channel.column] = Want::Channel(k);
        }
        Self {
            format,
            wants,
            channels,
            has_stamps: stamps.is_some(),
            last_places,
            last_shortest,
        }
    }
}

/// The rows of one block.
#[derive(Debug, Clone, Default)]
pub(super) struct Rows {
    /// Stamps, file's unit; empty without a time column.
    pub(super) stamps: Vec<f64>,
    /// Absolute pressure [Pa] per channel.
    pub(super) p_pa: Vec<Vec<f32>>,
    /// Samples at the end of the range, per channel.
    pub(super) clipped: Vec<usize>,
    /// Empty fields, per channel.
    pub(super) missing: Vec<usize>,
    /// Lines that are no rows, from 0 in the block, ascending.
    skipped_lines: Vec<u32>,
    /// Those of them that are not blank.
    pub(super) broken: usize,
    /// First broken line, from 0 in the block.
    pub(super) first_broken: Option<u32>,
    /// Lines in the block.
    pub(super) lines: u32,
    /// The last line was cut off.
    pub(super) cut_off: bool,
}

enum Line {
    Row,
    Blank,
    Broken,
}

impl Rows {
    /// Samples in the block.
    pub(super) fn len(&self) -> usize {
        self.p_pa.first().map_or(0, Vec::len)
    }

    /// Line of a row, from 0 in the block.
    pub(super) fn line_of(&self, row: usize) -> u64 {
        let mut line = row as u64;
        for &skipped in &self.skipped_lines {
            if u64::from(skipped) > line {
                break;
            }
            line += 1;
        }
        line
    }

    /// Reads the rows of a block; `spent` are rows done with, whose memory is used again.
    pub(super) fn read(block: &mut Block, spec: &RowSpec, spent: Self) -> Self {
        if block.open_end {
            block.bytes.push(b'\n');
        }
        let channels = spec.channels.len();
        let mut rows = spent.emptied(channels);
        // Rows of eight bytes a number, as most are.
        let likely = block.bytes.len() / 8 / spec.wants.len().max(1);
        for p_pa in &mut rows.p_pa {
            p_pa.reserve(likely);
        }
        if spec.has_stamps {
            rows.stamps.reserve(likely);
        }
        let bytes = block.bytes.as_slice();
        let mut values = vec![0.0; channels];
        let mut fields = Vec::new();
        let mut at = 0;
        let mut last_line = 0..0;
        let mut shapes = Shapes::new(
            spec.wants.len(),
            spec.format.delimiter.byte(),
            spec.format.decimal,
        );
        let mut numbers = vec![[0.0; WAITING]; spec.wants.len()];
        let mut waiting = 0;
        while at < bytes.len() {
            let start = at;
            if let Some(next) = shapes.read(bytes, at, &mut numbers, waiting) {
                at = next;
                waiting += 1;
                if waiting == WAITING {
                    rows.take_over(spec, &numbers, waiting);
                    waiting = 0;
                }
            } else {
                rows.take_over(spec, &numbers, waiting);
                waiting = 0;
                if let Some((stamp, next)) = spec.fast(bytes, at, &mut values) {
                    rows.push(spec, stamp, &values);
                    at = next;
                    shapes.learn(&bytes[start..at]);
                } else {
                    at = bytes[start..]
                        .iter()
                        .position(|&b| b == b'\n')
                        .map_or(bytes.len(), |n| start + n + 1);
                    rows.slow(spec, &bytes[start..at], &mut values, &mut fields);
                }
            }
            last_line = start..at;
            rows.lines += 1;
        }
        rows.take_over(spec, &numbers, waiting);
        if block.open_end {
            rows.check_open_end(spec, &bytes[last_line], &mut fields);
        }
        rows
    }

    /// Without rows, in the same memory.
    fn emptied(self, channels: usize) -> Self {
        let Self {
            mut stamps,
            mut p_pa,
            ..
        } = self;
        stamps.clear();
        p_pa.iter_mut().for_each(Vec::clear);
        p_pa.resize(channels, Vec::new());
        Self {
            stamps,
            p_pa,
            clipped: vec![0; channels],
            missing: vec![0; channels],
            ..Self::default()
        }
    }

    /// Takes over `count` waiting rows, column by column.
    fn take_over(&mut self, spec: &RowSpec, numbers: &Numbers, count: usize) {
        for (want, column) in spec.wants.iter().zip(numbers) {
            let column = &column[..count];
            match want {
                Want::Nothing => {}
                Want::Stamp => self.stamps.extend_from_slice(column),
                Want::Channel(k) => {
                    let channel = &spec.channels[*k];
                    let clipped = column.iter().filter(|&&value| channel.clips(value));
                    self.clipped[*k] += clipped.count();
                    self.p_pa[*k].extend(column.iter().map(|&value| channel.pa(value)));
                }
            }
        }
    }

    #[inline(always)]
    fn push(&mut self, spec: &RowSpec, stamp: f64, values: &[f64]) {
        if spec.has_stamps {
            self.stamps.push(stamp);
        }
        for ((channel, out), (&value, clipped)) in spec
            .channels
            .iter()
            .zip(&mut self.p_pa)
            .zip(values.iter().zip(&mut self.clipped))
        {
            *clipped += usize::from(channel.clips(value));
            out.push(channel.pa(value));
        }
    }

    fn slow(
        &mut self,
        spec: &RowSpec,
        line: &[u8],
        values: &mut [f64],
        fields: &mut Vec<(usize, usize)>,
    ) {
        let text = line.strip_suffix(b"\n").unwrap_or(line);
        match self.tolerant(
            spec,
            text.strip_suffix(b"\r").unwrap_or(text),
            values,
            fields,
        ) {
            Line::Row => {}
            Line::Blank => self.skipped_lines.push(self.lines),
            Line::Broken => {
                self.broken += 1;
                self.first_broken.get_or_insert(self.lines);
                if spec.has_stamps {
                    self.skipped_lines.push(self.lines);
                } else {
                    // Without stamps only its place tells that a sample was here.
                    values.fill(f64::NAN);
                    self.push(spec, 0.0, values);
                }
            }
        }
    }

    fn tolerant(
        &mut self,
        spec: &RowSpec,
        line: &[u8],
        values: &mut [f64],
        fields: &mut Vec<(usize, usize)>,
    ) -> Line {
        if line.trim_ascii().is_empty() {
            return Line::Blank;
        }
        split(line, spec.format.delimiter, fields);
        let columns = spec.wants.len();
        let trailing = |count: usize, fields: &[(usize, usize)]| {
            fields.len() == count + 1
                && fields
                    .last()
                    .is_some_and(|&(from, to)| bare(&line[from..to]).is_empty())
        };
        let short_by_empty_last =
            fields.len() + 1 == columns && spec.wants.last() == Some(&Want::Nothing);
        if fields.len() != columns && !trailing(columns, fields) && !short_by_empty_last {
            return Line::Broken;
        }
        let mut stamp = 0.0;
        let (mut overloads, mut empties) = (0_u64, 0_u64);
        for (want, &(from, to)) in spec.wants.iter().zip(fields.iter()) {
            if *want == Want::Nothing {
                continue;
            }
            match (want, read_field(&line[from..to], spec.format.decimal)) {
                (Want::Stamp, Field::Number(n)) if n.value.abs() <= LARGEST_STAMP => {
                    stamp = n.value
                }
                (Want::Channel(k), Field::Number(n)) => values[*k] = n.value,
                (Want::Channel(k), Field::Overload) => {
                    values[*k] = f64::NAN;
                    overloads |= 1 << (k % 64);
                }
                (Want::Channel(k), Field::Empty) => {
                    values[*k] = f64::NAN;
                    empties |= 1 << (k % 64);
                }
                _ => return Line::Broken,
            }
        }
        if empties.count_ones() as usize == values.len() {
            return Line::Broken;
        }
        for k in 0..values.len() {
            self.clipped[k] += usize::from(overloads >> (k % 64) & 1 == 1);
            self.missing[k] += usize::from(empties >> (k % 64) & 1 == 1);
        }
        self.push(spec, stamp, values);
        Line::Row
    }

    /// A file that ends without a line end may end inside a number.
    fn check_open_end(&mut self, spec: &RowSpec, line: &[u8], fields: &mut Vec<(usize, usize)>) {
        let text = line.trim_ascii_end();
        let last = self.lines.saturating_sub(1);
        if self.broken > 0
            && (self.first_broken == Some(last) || self.skipped_lines.last() == Some(&last))
        {
            self.cut_off = true;
            self.broken -= 1;
            if self.first_broken == Some(last) {
                self.first_broken = None;
            }
            if !spec.has_stamps {
                self.pop();
            }
            return;
        }
        if text.is_empty() || self.skipped_lines.last() == Some(&last) {
            return;
        }
        split(text, spec.format.delimiter, fields);
        let Some(&(from, to)) = fields.last() else {
            return;
        };
        let field = &text[from..to];
        let cut = match read_field(field, spec.format.decimal) {
            Field::Number(n) => {
                n.places < spec.last_places || bare(field).len() < spec.last_shortest
            }
            _ => false,
        };
        if cut && self.len() > 0 {
            self.cut_off = true;
            self.pop();
            self.skipped_lines.push(last);
        }
    }

    fn pop(&mut self) {
        self.stamps.pop();
        for p in &mut self.p_pa {
            p.pop();
        }
    }
}

impl RowSpec {
    /// One plain row at `at`: its stamp and the start of the next line. `None` if it is not plain.
    #[inline(always)]
    fn fast(&self, bytes: &[u8], at: usize, values: &mut [f64]) -> Option<(f64, usize)> {
        let mark = self.format.delimiter.byte();
        let blank = |i: usize| {
            matches!(bytes.get(i), Some(b' '))
                || (mark.is_none() && matches!(bytes.get(i), Some(b'\t')))
        };
        let decimal = self.format.decimal;
        let mut stamp = 0.0;
        let mut i = at;
        let last = self.wants.len() - 1;
        for (column, want) in self.wants.iter().enumerate() {
            while blank(i) {
                i += 1;
            }
            let behind = match want {
                Want::Nothing => {
                    let start = i;
                    while bytes.get(i).is_some_and(|&b| {
                        b != b'\n' && b != b'\r' && b != b'"' && Some(b) != mark && !blank(i)
                    }) {
                        i += 1;
                    }
                    if mark.is_none() && i == start {
                        return None;
                    }
                    i
                }
                Want::Stamp => {
                    let (value, _, behind) = scan(bytes, i, decimal)?;
                    if value.abs() > LARGEST_STAMP {
                        return None;
                    }
                    stamp = value;
                    behind
                }
                Want::Channel(k) => {
                    let (value, _, behind) = scan(bytes, i, decimal)?;
                    *values.get_mut(*k)? = value;
                    behind
                }
            };
            i = behind;
            while blank(i) {
                i += 1;
            }
            if column < last {
                match mark {
                    Some(mark) if bytes.get(i) == Some(&mark) => i += 1,
                    None if i > behind => {}
                    _ => return None,
                }
            }
        }
        if bytes.get(i) == Some(&b'\r') {
            i += 1;
        }
        (bytes.get(i) == Some(&b'\n')).then_some((stamp, i + 1))
    }
}

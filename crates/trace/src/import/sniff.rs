//! Finds the table in the beginning of a text file: marks, header, columns.
//!
//! Every pair of delimiter and decimal mark is tried on lines spread over the first block; the
//! pair that reads most numbers with least text left over wins, earlier ones on a tie.

use super::error::ImportError;
use super::heading::read_headings;
use super::hint::{Decimal, Delimiter, LayoutHint};
use super::lines::{excerpt, lines, split};
use super::number::{Field, bare, read_field};
use super::words::decoded;

/// Lines on which the marks are tried.
const TRIAL_LINES: usize = 300;
/// Rows taken one after the other, for the clock.
const RUN_ROWS: usize = 4096;
/// Rows taken spread over the rest of the first block, for the range of values.
const SPREAD_ROWS: usize = 4096;

/// Marks of the table.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Format {
    pub(super) delimiter: Delimiter,
    pub(super) decimal: u8,
}

/// What the sampled rows show of one column.
#[derive(Debug, Clone, Default)]
pub(super) struct Column {
    /// Heading, empty without one.
    pub(super) heading: String,
    /// Field of the units row, empty without one.
    pub(super) unit: String,
    /// Numbers of consecutive rows, `NaN` for none.
    pub(super) run: Vec<f64>,
    /// Numbers of rows further on.
    pub(super) spread: Vec<f64>,
    /// Most decimal places seen.
    pub(super) places: i32,
    /// Fewest decimal places seen.
    pub(super) least_places: i32,
    /// Shortest field [byte].
    pub(super) shortest: usize,
    /// Overload marks.
    pub(super) overloads: usize,
    /// Fields that are text.
    pub(super) texts: usize,
    /// Number of fields seen.
    pub(super) fields: usize,
}

impl Column {
    /// Whether the column holds numbers (or overload marks in place of them).
    pub(super) fn is_numeric(&self) -> bool {
        let numbers = self.numbers().count();
        self.texts * 4 <= self.fields && numbers + self.overloads > 0
    }

    /// All sampled numbers.
    pub(super) fn numbers(&self) -> impl Iterator<Item = f64> + '_ {
        self.run
            .iter()
            .chain(&self.spread)
            .copied()
            .filter(|v| v.is_finite())
    }

    fn add(&mut self, text: &[u8], decimal: u8, in_run: bool) {
        let mut value = f64::NAN;
        match read_field(text, decimal) {
            Field::Number(n) => {
                value = n.value;
                let length = bare(text).len();
                let first = self.numbers().next().is_none();
                self.places = if first {
                    n.places
                } else {
                    self.places.max(n.places)
                };
                self.least_places = if first {
                    n.places
                } else {
                    self.least_places.min(n.places)
                };
                self.shortest = if first {
                    length
                } else {
                    self.shortest.min(length)
                };
            }
            Field::Overload => self.overloads += 1,
            Field::Empty => {}
            Field::Text => self.texts += 1,
        }
        self.fields += 1;
        if in_run {
            self.run.push(value)
        } else {
            self.spread.push(value)
        }
    }
}

/// The table found.
#[derive(Debug, Clone)]
pub(super) struct Table {
    pub(super) format: Format,
    pub(super) columns: Vec<Column>,
    /// Index of the first row among the lines, from 0.
    pub(super) first_row: usize,
    /// Beginning of that row, for messages.
    pub(super) first_text: String,
    /// Everything above the first row.
    pub(super) header: String,
}

impl Table {
    /// Name of a column for messages: number and heading.
    pub(super) fn label(&self, column: usize) -> String {
        match self.columns.get(column).map(|c| c.heading.as_str()) {
            Some(heading) if !heading.is_empty() => format!("{} `{heading}`", column + 1),
            _ => format!("{}", column + 1),
        }
    }

    /// All columns for messages.
    pub(super) fn labels(&self) -> String {
        let labels: Vec<String> = (0..self.columns.len()).map(|c| self.label(c)).collect();
        labels.join(", ")
    }
}

/// Finds the table.
pub(super) fn find_table(
    name: &str,
    block: &[u8],
    hint: &LayoutHint,
) -> Result<Table, ImportError> {
    let lines = lines(block);
    let no_table = || {
        let last = lines.iter().rposition(|l| !l.trim_ascii().is_empty());
        match last {
            None => ImportError::Empty {
                name: name.to_owned(),
            },
            Some(at) => ImportError::NoTable {
                name: name.to_owned(),
                lines: lines.len(),
                line: at + 1,
                text: excerpt(lines[at]),
            },
        }
    };
    let (format, columns) = find_format(&lines, hint).ok_or_else(no_table)?;
    let mut fields = Vec::new();
    let numeric = numeric_columns(&lines, format, columns);
    let first_row = first_row(&lines, format, &numeric, &mut fields).ok_or_else(no_table)?;
    if hint.decimal.is_none() && commas_both_ways(&lines[first_row..], format, columns) {
        return Err(ImportError::CommasAmbiguous {
            name: name.to_owned(),
            line: first_row + 1,
            text: excerpt(lines[first_row]),
            columns,
        });
    }
    let mut table = Table {
        format,
        columns: vec![Column::default(); columns],
        first_row,
        first_text: excerpt(lines[first_row]),
        header: lines[..first_row]
            .iter()
            .map(|l| decoded(l) + "\n")
            .collect(),
    };
    read_headings(&mut table, &lines[..first_row]);
    // A line without an end may end inside a number and shows no usual length.
    let whole_lines = lines.len() - usize::from(!block.ends_with(b"\n"));
    sample(
        &mut table,
        &lines[first_row..whole_lines.max(first_row + 1)],
        &numeric,
    );
    Ok(table)
}

fn find_format(lines: &[&[u8]], hint: &LayoutHint) -> Option<(Format, usize)> {
    let filled: Vec<&[u8]> = lines
        .iter()
        .copied()
        .filter(|l| !l.trim_ascii().is_empty())
        .collect();
    let stride = filled.len().div_ceil(TRIAL_LINES).max(1);
    let trial: Vec<&[u8]> = filled.iter().copied().step_by(stride).collect();
    let quoted = trial.iter().any(|l| l.contains(&b'"'));
    let mut best: Option<(i64, Format, usize)> = None;
    for delimiter in [
        Delimiter::Tab,
        Delimiter::Semicolon,
        Delimiter::Comma,
        Delimiter::Pipe,
        Delimiter::Blanks,
    ] {
        for decimal in [Decimal::Point, Decimal::Comma] {
            let clash = delimiter == Delimiter::Comma && decimal == Decimal::Comma && !quoted;
            let ruled_out = hint.delimiter.is_some_and(|d| d != delimiter)
                || hint.decimal.is_some_and(|d| d != decimal);
            if clash || ruled_out {
                continue;
            }
            let format = Format {
                delimiter,
                decimal: decimal.byte(),
            };
            if let Some((score, columns)) = rate(&trial, format)
                && best.is_none_or(|(top, ..)| score > top)
            {
                best = Some((score, format, columns));
            }
        }
    }
    best.map(|(_, format, columns)| (format, columns))
}

/// Numbers read less text left over, over the lines with the commonest number of fields.
fn rate(trial: &[&[u8]], format: Format) -> Option<(i64, usize)> {
    let mut by_count: Vec<(usize, i64, i64)> = Vec::new();
    let mut fields = Vec::new();
    for line in trial {
        split(line, format.delimiter, &mut fields);
        let (mut score, mut numbers) = (0, 0);
        for &(from, to) in &fields {
            match read_field(&line[from..to], format.decimal) {
                Field::Number(n) => {
                    numbers += 1;
                    score += if n.grouped { 3 } else { 4 };
                }
                Field::Overload => score += 2,
                Field::Empty => {}
                Field::Text => score -= 4,
            }
        }
        if numbers == 0 {
            continue;
        }
        match by_count
            .iter_mut()
            .find(|(count, ..)| *count == fields.len())
        {
            Some((_, lines, total)) => {
                *lines += 1;
                *total += score;
            }
            None => by_count.push((fields.len(), 1, score)),
        }
    }
    let &(columns, _, score) = by_count
        .iter()
        .max_by_key(|(count, lines, _)| (*lines, *count))?;
    (score > 0).then_some((score, columns))
}

/// Whether fields between commas look like halves of numbers with decimal commas: no point
/// anywhere, and every second column of one width with leading zeros (`0,001,55,081,94,075`).
fn commas_both_ways(rows: &[&[u8]], format: Format, columns: usize) -> bool {
    if format.delimiter != Delimiter::Comma || columns < 4 || !columns.is_multiple_of(2) {
        return false;
    }
    let mut fields = Vec::new();
    let mut width = vec![0; columns];
    let mut leading_zeros = 0;
    for row in rows.iter().take(TRIAL_LINES) {
        split(row, format.delimiter, &mut fields);
        if row.contains(&b'.') || row.contains(&b'"') {
            return false;
        }
        if fields.len() != columns {
            continue;
        }
        for (column, &(from, to)) in fields.iter().enumerate().skip(1).step_by(2) {
            let field = row[from..to].trim_ascii();
            if width[column] != 0 && width[column] != field.len() {
                return false;
            }
            width[column] = field.len();
            leading_zeros += usize::from(field.len() >= 2 && field.starts_with(b"0"));
        }
    }
    leading_zeros > 0
}

fn numeric_columns(lines: &[&[u8]], format: Format, columns: usize) -> Vec<bool> {
    let mut fields = Vec::new();
    let mut seen = vec![(0_usize, 0_usize); columns];
    let stride = lines.len().div_ceil(TRIAL_LINES).max(1);
    for line in lines.iter().step_by(stride) {
        split(line, format.delimiter, &mut fields);
        let read: Vec<Field> = fields
            .iter()
            .map(|&(from, to)| read_field(&line[from..to], format.decimal))
            .collect();
        // Headings have no numbers and tell nothing about the columns' content.
        if read.len() != columns || !read.iter().any(|f| matches!(f, Field::Number(_))) {
            continue;
        }
        for (field, (numbers, texts)) in read.iter().zip(&mut seen) {
            match field {
                Field::Number(_) | Field::Overload => *numbers += 1,
                Field::Text => *texts += 1,
                Field::Empty => {}
            }
        }
    }
    seen.iter()
        .map(|&(numbers, texts)| numbers > 0 && texts * 3 <= numbers)
        .collect()
}

fn is_row(line: &[u8], format: Format, numeric: &[bool], fields: &mut Vec<(usize, usize)>) -> bool {
    split(line, format.delimiter, fields);
    let mut numbers = 0;
    fields.len() == numeric.len()
        && fields
            .iter()
            .zip(numeric)
            .all(|(&(from, to), &is_numeric)| {
                !is_numeric
                    || match read_field(&line[from..to], format.decimal) {
                        Field::Number(_) => {
                            numbers += 1;
                            true
                        }
                        Field::Overload | Field::Empty => true,
                        Field::Text => false,
                    }
            })
        && numbers > 0
}

/// First line that is a row and is followed mostly by rows.
fn first_row(
    lines: &[&[u8]],
    format: Format,
    numeric: &[bool],
    fields: &mut Vec<(usize, usize)>,
) -> Option<usize> {
    (0..lines.len()).find(|&i| {
        if !is_row(lines[i], format, numeric, fields) {
            return false;
        }
        let next: Vec<&&[u8]> = lines[i + 1..]
            .iter()
            .filter(|l| !l.trim_ascii().is_empty())
            .take(6)
            .collect();
        let rows = next
            .iter()
            .filter(|l| is_row(l, format, numeric, fields))
            .count();
        rows * 2 >= next.len()
    })
}

fn sample(table: &mut Table, lines: &[&[u8]], numeric: &[bool]) {
    let format = table.format;
    let mut fields = Vec::new();
    let run = lines.len().min(RUN_ROWS);
    let stride = (lines.len() - run).div_ceil(SPREAD_ROWS).max(1);
    let spread = lines[run..].iter().step_by(stride).map(|l| (l, false));
    for (line, in_run) in lines[..run].iter().map(|l| (l, true)).chain(spread) {
        if is_row(line, format, numeric, &mut fields) {
            for (column, &(from, to)) in table.columns.iter_mut().zip(&fields) {
                column.add(&line[from..to], format.decimal, in_run);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn table(text: &str) -> Table {
        find_table("t", text.as_bytes(), &LayoutHint::default()).unwrap()
    }

    #[test]
    fn marks_are_told_apart() {
        for (text, delimiter, decimal, columns) in [
            (
                "0.001,55.1,94.0\n0.002,55.2,94.1\n",
                Delimiter::Comma,
                b'.',
                3,
            ),
            (
                "0,001;2,2296;3,4\n0,002;2,3;3,5\n",
                Delimiter::Semicolon,
                b',',
                3,
            ),
            ("0,5;1,5\n1,0;1,6\n", Delimiter::Semicolon, b',', 2),
            ("0.5\t1.5\n1.0\t1.6\n", Delimiter::Tab, b'.', 2),
            ("0,5 1,5   2\n1,0 1,6   2\n", Delimiter::Blanks, b',', 3),
            ("1|2938|1812\n2|2941|1800\n", Delimiter::Pipe, b'.', 3),
            (
                "1.234,5;99,5\n1.235,5;99,6\n",
                Delimiter::Semicolon,
                b',',
                2,
            ),
            (
                "\"0,001\",\"2,5\"\n\"0,002\",\"2,6\"\n",
                Delimiter::Comma,
                b',',
                2,
            ),
            ("0, 1.5, 2.5\n1, 1.6, 2.6\n", Delimiter::Comma, b'.', 3),
        ] {
            let t = table(text);
            assert_eq!(
                (t.format.delimiter, t.format.decimal, t.columns.len()),
                (delimiter, decimal, columns),
                "{text}"
            );
        }
    }

    #[test]
    fn headings_and_units_rows() {
        let t = table(
            "scope of the shop\nTime;Channel A;Channel B\n(ms);(V);(V)\n\n0,0;1,5;2,5\n0,5;1,6;2,6\n",
        );
        assert_eq!(t.first_row, 4);
        let read: Vec<(&str, &str)> = t
            .columns
            .iter()
            .map(|c| (c.heading.as_str(), c.unit.as_str()))
            .collect();
        assert_eq!(
            read,
            [("Time", "(ms)"), ("Channel A", "(V)"), ("Channel B", "(V)")]
        );
        let t = table("# time_s left right\n0.0 1.5 2.5\n0.1 1.5 2.5\n");
        assert_eq!(t.columns[2].heading, "right");
        let t = table("boot ok, 12 bit\n1000,1,2\n2000,3,4\n3000,5,6\n");
        assert_eq!((t.first_row, t.columns[0].heading.as_str()), (1, ""));
    }
}

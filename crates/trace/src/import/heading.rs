//! Headings and the units row above the first row.

use super::hint::Delimiter;
use super::lines::split;
use super::number::bare;
use super::sniff::Table;
use super::words::{decoded, is_unit};

/// Headings and units row, looked for upwards from the first row.
pub(super) fn read_headings(table: &mut Table, header: &[&[u8]]) {
    let mut units_found = false;
    for line in header
        .iter()
        .rev()
        .filter(|l| !l.trim_ascii().is_empty())
        .take(12)
    {
        let Some(fields) = header_fields(line, table.format.delimiter, table.columns.len()) else {
            continue;
        };
        let all_units = fields.iter().all(|f| is_unit(f)) && fields.iter().any(|f| !f.is_empty());
        let bracketed = fields.iter().any(|f| f.starts_with(['(', '[', '{']));
        if all_units && !units_found && (bracketed || !fields.iter().any(|f| f.len() > 4)) {
            units_found = true;
            for (column, field) in table.columns.iter_mut().zip(fields) {
                column.unit = field;
            }
        } else if fields.iter().any(|f| f.chars().any(char::is_alphabetic)) {
            for (column, field) in table.columns.iter_mut().zip(fields) {
                column.heading = field;
            }
            return;
        }
    }
    // A lone row of units (`ms`, `us`) serves as headings as well.
    if units_found {
        for column in &mut table.columns {
            column.heading.clone_from(&column.unit);
        }
    }
}

/// Fields of a header line if they match the columns; other marks are tried than the rows' own.
fn header_fields(line: &[u8], delimiter: Delimiter, columns: usize) -> Option<Vec<String>> {
    let mut text = line.trim_ascii_start();
    while let Some(rest) = [b"#".as_slice(), b"%", b"//"]
        .iter()
        .find_map(|mark| text.strip_prefix(*mark))
    {
        text = rest.trim_ascii_start();
    }
    let mut fields = Vec::new();
    for mark in [
        delimiter,
        Delimiter::Tab,
        Delimiter::Semicolon,
        Delimiter::Comma,
        Delimiter::Blanks,
    ] {
        split(text, mark, &mut fields);
        let trailing = fields.len() == columns + 1
            && fields
                .last()
                .is_some_and(|&(from, to)| bare(&text[from..to]).is_empty());
        if fields.len() == columns || (trailing && columns > 1) {
            let fields = fields.iter().take(columns);
            return Some(
                fields
                    .map(|&(from, to)| decoded(bare(&text[from..to])))
                    .collect(),
            );
        }
    }
    None
}

//! Text and tables for a terminal, at most 100 columns wide.

use comfy_table::presets::NOTHING;
use comfy_table::{CellAlignment, ContentArrangement, Table};

/// Widest line of human output [columns].
pub(crate) const WIDTH: usize = 100;

/// A list entry: the text behind a mark, wrapped and hung under its beginning.
pub(crate) fn entry(mark: &str, text: &str) -> String {
    let hang = " ".repeat(mark.chars().count());
    let options = textwrap::Options::new(WIDTH)
        .initial_indent(mark)
        .subsequent_indent(&hang);
    textwrap::fill(text, options) + "\n"
}

/// A table without lines: first column left, the others right.
pub(crate) fn table(head: &[String], rows: Vec<Vec<String>>) -> String {
    let mut table = Table::new();
    table
        .load_preset(NOTHING)
        .set_content_arrangement(ContentArrangement::Dynamic)
        .set_width(WIDTH as u16)
        .set_header(head)
        .add_rows(rows);
    for (i, column) in table.column_iter_mut().enumerate() {
        column.set_padding((if i == 0 { 2 } else { 1 }, 1));
        if i > 0 {
            column.set_cell_alignment(CellAlignment::Right);
        }
    }
    let text = table.to_string();
    let lines = text.lines().map(|l| format!("{}\n", l.trim_end()));
    lines.collect()
}

/// A value with its decimals, or `-` where there is none.
pub(crate) fn fixed(value: f64, decimals: usize) -> String {
    if value.is_finite() {
        format!("{value:.decimals$}")
    } else {
        "-".to_owned()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn entries_hang_under_their_beginning() {
        let text = entry("  - ", &"word ".repeat(40));
        let lines: Vec<&str> = text.lines().collect();
        assert!(lines.len() > 1);
        assert!(lines[1].starts_with("    word"), "{text}");
        assert!(lines.iter().all(|l| l.chars().count() <= WIDTH), "{text}");
    }

    #[test]
    fn wide_tables_stay_within_the_width() {
        let head: Vec<String> = (0..5).map(|i| format!("column {i}")).collect();
        let row = vec!["many words in one cell ".repeat(4); 5];
        let text = table(&head, vec![row]);
        assert!(text.lines().all(|l| l.chars().count() <= WIDTH), "{text}");
    }
}

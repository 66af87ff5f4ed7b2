//! The small tables under `data/`: comma separated, `#` comments, one header line.

/// A table of numbers with its comments.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Table {
    /// Comment lines without the `#` and the blank after it.
    pub(crate) comments: Vec<&'static str>,
    /// Column names.
    columns: Vec<&'static str>,
    /// Cells, row by row.
    rows: Vec<Vec<&'static str>>,
}

impl Table {
    /// Reads a table that is part of the program; a malformed one is a bug.
    pub(crate) fn parse(text: &'static str) -> Self {
        let (comments, lines): (Vec<_>, Vec<_>) = text
            .lines()
            .filter(|l| !l.trim().is_empty())
            .partition(|l| l.starts_with('#'));
        let mut cells = lines
            .into_iter()
            .map(|l| l.split(',').map(str::trim).collect::<Vec<_>>());
        let columns = cells.next().expect("a table has a header line");
        let rows: Vec<_> = cells.collect();
        assert!(
            rows.iter().all(|r| r.len() == columns.len()),
            "ragged table {columns:?}"
        );
        Self {
            comments: comments
                .into_iter()
                .map(|c| c.trim_start_matches(['#', ' ']))
                .collect(),
            columns,
            rows,
        }
    }

    /// Number of rows.
    pub(crate) fn len(&self) -> usize {
        self.rows.len()
    }

    /// Column as text.
    pub(crate) fn text(&self, column: &str) -> Vec<&'static str> {
        let at = self
            .columns
            .iter()
            .position(|c| *c == column)
            .expect("column of the table");
        self.rows.iter().map(|r| r[at]).collect()
    }

    /// Column as numbers; `nan` marks a value that is not given.
    pub(crate) fn column(&self, column: &str) -> Vec<f64> {
        self.text(column).into_iter().map(number).collect()
    }

    /// Numbers of the comment `key,1,2,3`; empty if there is none.
    pub(crate) fn comment_numbers(&self, key: &str) -> Vec<f64> {
        self.comments
            .iter()
            .find_map(|c| c.strip_prefix(key)?.strip_prefix(','))
            .map(|list| list.split(',').map(number).collect())
            .unwrap_or_default()
    }
}

fn number(cell: &str) -> f64 {
    cell.trim()
        .parse()
        .expect("a number in a table of the validation")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn table_with_comments() {
        let t = Table::parse("# head\n# start,1,2\na,b\n1,2\n3,nan\n");
        assert_eq!(t.column("a"), [1.0, 3.0]);
        assert!(t.column("b")[1].is_nan());
        assert_eq!(t.comment_numbers("start"), [1.0, 2.0]);
        assert_eq!(t.len(), 2);
    }
}

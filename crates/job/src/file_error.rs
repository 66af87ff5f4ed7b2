//! What is wrong in a file, where, and what would be right.

use std::fmt;

/// One problem in a text file, with its place and its remedy.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub struct FileError {
    /// File name as given by the caller.
    pub file: String,
    /// Line, counted from 1.
    pub line: usize,
    /// Column in characters, counted from 1.
    pub column: usize,
    /// Key concerned, with its path (`reading[2].rpm`, readings counted from 1); empty for syntax.
    pub key: String,
    /// What is wrong, with the value found.
    pub problem: String,
    /// What would be right.
    pub remedy: String,
    /// Text of the line.
    pub line_text: String,
    /// Number of characters to underline, at least 1.
    pub width: usize,
}

impl FileError {
    /// A problem at the byte range `span` of `text`.
    ///
    /// A span beyond the text is taken as its end; the underline stays on the first line.
    pub fn at(
        file: &str,
        text: &str,
        span: std::ops::Range<usize>,
        key: &str,
        problem: impl Into<String>,
        remedy: impl Into<String>,
    ) -> Self {
        let start = floor_boundary(text, span.start);
        let end = floor_boundary(text, span.end).max(start);
        let line_start = text[..start].rfind('\n').map_or(0, |i| i + 1);
        let line_end = text[start..].find('\n').map_or(text.len(), |i| start + i);
        let line_text = text[line_start..line_end].trim_end_matches('\r');
        let width = text[start..end.min(line_end)].chars().count().max(1);
        Self {
            file: file.to_owned(),
            line: text[..line_start].matches('\n').count() + 1,
            column: text[line_start..start].chars().count() + 1,
            key: key.to_owned(),
            problem: problem.into(),
            remedy: remedy.into(),
            line_text: line_text.to_owned(),
            width,
        }
    }
}

/// Largest character boundary at or below `index`.
fn floor_boundary(text: &str, index: usize) -> usize {
    let mut i = index.min(text.len());
    while !text.is_char_boundary(i) {
        i -= 1;
    }
    i
}

impl fmt::Display for FileError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}:{}:{}: ", self.file, self.line, self.column)?;
        if !self.key.is_empty() {
            write!(f, "`{}`: ", self.key)?;
        }
        writeln!(f, "{}", self.problem)?;
        let number = self.line.to_string();
        let pad = " ".repeat(number.len());
        // A tab in the excerpt would shift the caret away from its column.
        writeln!(f, "  {number} | {}", self.line_text.replace('\t', " "))?;
        let caret = "^".repeat(self.width);
        writeln!(f, "  {pad} | {}{caret}", " ".repeat(self.column - 1))?;
        write!(f, "  remedy: {}", self.remedy)
    }
}

/// Every problem found in one file, in the order of the text.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub struct FileErrors {
    problems: Vec<FileError>,
}

impl FileErrors {
    /// The problems, first line first; `None` when there are none.
    pub fn new(mut problems: Vec<FileError>) -> Option<Self> {
        problems.sort_by_key(|p| (p.line, p.column));
        problems.dedup();
        (!problems.is_empty()).then_some(Self { problems })
    }

    /// The problems, first line first; never empty.
    pub fn problems(&self) -> &[FileError] {
        &self.problems
    }
}

impl From<FileError> for FileErrors {
    fn from(problem: FileError) -> Self {
        Self {
            problems: vec![problem],
        }
    }
}

impl fmt::Display for FileErrors {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (i, problem) in self.problems.iter().enumerate() {
            if i > 0 {
                write!(f, "\n\n")?;
            }
            write!(f, "{problem}")?;
        }
        Ok(())
    }
}

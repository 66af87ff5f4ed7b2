//! Walking a TOML text with the place of every value at hand.
//!
//! Each value asked for becomes a known key of its section, so the list of known keys cannot go
//! stale. Problems are collected; a wrong value is replaced by a stand-in so that the rest is
//! still read, and [`Document::finish`] refuses the whole when anything was wrong.

use std::cell::RefCell;
use std::ops::Range;

use evenpull_airflow::parse_decimal;
use toml::Spanned;
use toml::de::{DeTable, DeValue};

use crate::file_error::{FileError, FileErrors};
use crate::notice::Notice;
use crate::per_body::PerBody;

/// Closed range a number must lie in, with its unit.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Limits {
    pub(crate) min: f64,
    pub(crate) max: f64,
    pub(crate) unit: &'static str,
}

/// Shorthand for [`Limits`].
pub(crate) const fn within(min: f64, max: f64, unit: &'static str) -> Limits {
    Limits { min, max, unit }
}

/// A text file being read.
pub(crate) struct Document<'a> {
    file: &'a str,
    text: &'a str,
    problems: RefCell<Vec<FileError>>,
    notices: RefCell<Vec<Notice>>,
}

impl<'a> Document<'a> {
    pub(crate) fn new(file: &'a str, text: &'a str) -> Self {
        Self {
            file,
            text,
            problems: RefCell::default(),
            notices: RefCell::default(),
        }
    }

    /// Parses the text; syntax errors come back with their places.
    pub(crate) fn parse(&self) -> Result<Spanned<DeTable<'a>>, FileErrors> {
        if self.text.trim().is_empty() {
            return Err(FileError::at(
                self.file,
                self.text,
                0..0,
                "",
                "the file is empty",
                "start it with `format = \"evenpull.job/1\"` or `format = \"evenpull.profile/1\"`",
            )
            .into());
        }
        let (table, errors) = DeTable::parse_recoverable(self.text);
        let problems = errors
            .iter()
            .map(|e| {
                FileError::at(
                    self.file,
                    self.text,
                    e.span().unwrap_or(0..0),
                    "",
                    format!("not valid TOML: {}", e.message().replace('\n', ", ")),
                    "correct the marked place; text stands in quotes, numbers have a point or stand in \
                     quotes with a comma (\"40,5\"), each key stands once",
                )
            })
            .collect();
        match FileErrors::new(problems) {
            Some(errors) => Err(errors),
            None => Ok(table),
        }
    }

    pub(crate) fn problem(
        &self,
        span: Range<usize>,
        key: &str,
        problem: impl Into<String>,
        remedy: impl Into<String>,
    ) {
        let e = FileError::at(self.file, self.text, span, key, problem, remedy);
        self.problems.borrow_mut().push(e);
    }

    pub(crate) fn notice(&self, notice: Notice) {
        self.notices.borrow_mut().push(notice);
    }

    /// Line of a byte offset, counted from 1.
    pub(crate) fn line_of(&self, offset: usize) -> usize {
        let end = offset.min(self.text.len());
        self.text.as_bytes()[..end]
            .iter()
            .filter(|&&b| b == b'\n')
            .count()
            + 1
    }

    /// The value and the notices, or every problem found.
    pub(crate) fn finish<T>(self, value: T) -> Result<(T, Vec<Notice>), FileErrors> {
        match FileErrors::new(self.problems.into_inner()) {
            Some(errors) => Err(errors),
            None => Ok((value, self.notices.into_inner())),
        }
    }
}

/// One table of the file.
pub(crate) struct Section<'d> {
    doc: &'d Document<'d>,
    path: String,
    table: &'d DeTable<'d>,
    span: Range<usize>,
    known: RefCell<Vec<String>>,
}

impl<'d> Section<'d> {
    pub(crate) fn root(doc: &'d Document<'d>, table: &'d Spanned<DeTable<'d>>) -> Self {
        Self {
            doc,
            path: String::new(),
            table: table.get_ref(),
            span: 0..0,
            known: RefCell::default(),
        }
    }

    pub(crate) fn doc(&self) -> &'d Document<'d> {
        self.doc
    }

    pub(crate) fn path_of(&self, key: &str) -> String {
        if self.path.is_empty() {
            key.to_owned()
        } else {
            format!("{}.{key}", self.path)
        }
    }

    pub(crate) fn span(&self) -> Range<usize> {
        self.span.clone()
    }

    /// The value under `key`; asking makes the key a known one.
    pub(crate) fn item(&self, key: &str) -> Option<Item<'d>> {
        self.known.borrow_mut().push(key.to_owned());
        self.table
            .iter()
            .find(|(k, _)| k.get_ref() == key)
            .map(|(_, value)| Item {
                doc: self.doc,
                path: self.path_of(key),
                value,
            })
    }

    pub(crate) fn has(&self, key: &str) -> bool {
        self.table.iter().any(|(k, _)| k.get_ref() == key)
    }

    /// As [`Section::item`], but a missing key is a problem.
    pub(crate) fn required(&self, key: &str, example: &str) -> Option<Item<'d>> {
        let found = self.item(key);
        if found.is_none() {
            let place = if self.path.is_empty() {
                "at the top of the file".to_owned()
            } else {
                format!("under `{}`", self.path)
            };
            self.doc.problem(
                self.span(),
                &self.path_of(key),
                "is missing",
                format!("add `{key} = {example}` {place}"),
            );
        }
        found
    }

    pub(crate) fn section(&self, key: &str) -> Option<Section<'d>> {
        self.item(key)?.section()
    }

    pub(crate) fn number(&self, key: &str, limits: Limits) -> Option<f64> {
        self.item(key)?.number(limits)
    }

    /// A number that may be left out; the default is then noted as assumed with its mark.
    pub(crate) fn number_or(&self, key: &str, limits: Limits, default: f64, mark: &str) -> f64 {
        match self.item(key) {
            // A wrong value is already a problem; the stand-in lets the rest be read.
            Some(item) => item.number(limits).unwrap_or(default),
            None => {
                self.assume(key, &format!("{default} {}", limits.unit), mark);
                default
            }
        }
    }

    pub(crate) fn assume(&self, key: &str, value: &str, mark: &str) {
        self.doc.notice(Notice::new(
            "default-used",
            format!(
                "`{}` not given: {} ({mark})",
                self.path_of(key),
                value.trim_end()
            ),
        ));
    }

    pub(crate) fn text(&self, key: &str) -> Option<String> {
        self.item(key)?.text()
    }

    /// Every key becomes known: for tables keyed by the user's own words.
    pub(crate) fn entries(&self) -> Vec<(String, Range<usize>, Item<'d>)> {
        self.table
            .iter()
            .map(|(k, value)| {
                let key = k.get_ref().to_string();
                self.known.borrow_mut().push(key.clone());
                let item = Item {
                    doc: self.doc,
                    path: self.path_of(&key),
                    value,
                };
                (key, k.span(), item)
            })
            .collect()
    }

    /// Reports keys nobody asked for.
    pub(crate) fn close(&self) {
        let known = self.known.borrow();
        for (key, _) in self.table.iter() {
            if !known.iter().any(|k| k == key.get_ref()) {
                self.doc.problem(
                    key.span(),
                    &self.path_of(key.get_ref()),
                    format!("unknown key `{}`", key.get_ref()),
                    nearest(key.get_ref(), known.iter().map(String::as_str), "key"),
                );
            }
        }
    }
}

/// One value of the file.
pub(crate) struct Item<'d> {
    doc: &'d Document<'d>,
    path: String,
    value: &'d Spanned<DeValue<'d>>,
}

impl<'d> Item<'d> {
    pub(crate) fn problem(&self, problem: impl Into<String>, remedy: impl Into<String>) {
        self.doc
            .problem(self.value.span(), &self.path, problem, remedy);
    }

    fn wrong_type(&self, wanted: &str) {
        let found = match self.value.get_ref() {
            DeValue::String(s) => format!("the text \"{s}\""),
            DeValue::Integer(n) => format!("the number {}", n.as_str()),
            DeValue::Float(n) => format!("the number {}", n.as_str()),
            DeValue::Boolean(b) => format!("`{b}`"),
            DeValue::Datetime(d) => format!("the date {d}"),
            DeValue::Array(_) => "a list".to_owned(),
            DeValue::Table(_) => "a table".to_owned(),
        };
        self.problem(format!("found {found}"), format!("write {wanted}"));
    }

    /// A finite number, integer or float, or a text with a decimal comma or point.
    fn raw_number(&self) -> Option<f64> {
        let parsed = match self.value.get_ref() {
            DeValue::Integer(n) => i64::from_str_radix(n.as_str(), n.radix())
                .ok()
                .map(|v| v as f64),
            DeValue::Float(n) => n.as_str().parse().ok(),
            DeValue::String(s) => parse_decimal(s).ok(),
            _ => None,
        };
        match parsed {
            Some(v) if v.is_finite() => Some(v),
            Some(v) => {
                self.problem(format!("{v} is no measured value"), "write a finite number");
                None
            }
            None => {
                self.wrong_type("a number alone; its unit is in the key's name");
                None
            }
        }
    }

    pub(crate) fn number(&self, limits: Limits) -> Option<f64> {
        let v = self.raw_number()?;
        let Limits { min, max, unit } = limits;
        if v < min || v > max {
            let gap = if unit.is_empty() { "" } else { " " };
            self.problem(
                format!("{v}{gap}{unit} is outside {min} to {max}{gap}{unit}"),
                format!(
                    "give a value from {min} to {max}{gap}{unit}; check the unit and the point"
                ),
            );
            return None;
        }
        Some(v)
    }

    /// A whole number in 0..=max.
    pub(crate) fn count(&self, min: u32, max: u32) -> Option<u32> {
        let v = self.number(within(f64::from(min), f64::from(max), ""))?;
        if v.fract() != 0.0 {
            self.problem(format!("{v} is no whole number"), "write a whole number");
            return None;
        }
        Some(v as u32)
    }

    pub(crate) fn text(&self) -> Option<String> {
        match self.value.get_ref() {
            DeValue::String(s) if !s.trim().is_empty() => Some(s.trim().to_owned()),
            DeValue::String(_) => {
                self.problem("the text is empty", "write a word or leave the key out");
                None
            }
            _ => {
                self.wrong_type("text in quotes");
                None
            }
        }
    }

    /// Text as it stands, blanks kept: a separator may be one.
    pub(crate) fn raw_text(&self) -> Option<String> {
        let text = self.value.get_ref().as_str();
        if text.is_none() {
            self.wrong_type("text in quotes");
        }
        text.map(str::to_owned)
    }

    /// Line of the value, counted from 1.
    pub(crate) fn line(&self) -> usize {
        self.doc.line_of(self.value.span().start)
    }

    pub(crate) fn flag(&self) -> Option<bool> {
        let v = self.value.get_ref().as_bool();
        if v.is_none() {
            self.wrong_type("`true` or `false`");
        }
        v
    }

    /// One of a list of words.
    pub(crate) fn one_of<T: Copy>(&self, words: &[(&str, T)]) -> Option<T> {
        let text = self.text()?;
        if let Some((_, v)) = words.iter().find(|(w, _)| *w == text) {
            return Some(*v);
        }
        let remedy = nearest(&text, words.iter().map(|(w, _)| *w), "word");
        self.problem(format!("\"{text}\" is not known here"), remedy);
        None
    }

    pub(crate) fn is_text(&self) -> bool {
        self.value.get_ref().is_str()
    }

    pub(crate) fn is_list(&self) -> bool {
        self.value.get_ref().is_array()
    }

    pub(crate) fn is_table(&self) -> bool {
        self.value.get_ref().is_table()
    }

    pub(crate) fn list(&self) -> Option<Vec<Item<'d>>> {
        let Some(array) = self.value.get_ref().as_array() else {
            self.wrong_type("a list in square brackets");
            return None;
        };
        let items = array.iter().enumerate();
        Some(
            items
                .map(|(i, value)| Item {
                    doc: self.doc,
                    path: format!("{}[{}]", self.path, i + 1),
                    value,
                })
                .collect(),
        )
    }

    /// A list of numbers of the given length, `None` when any of it is wrong.
    pub(crate) fn numbers(&self, length: Option<usize>, limits: Limits) -> Option<Vec<f64>> {
        let items = self.list()?;
        if let Some(n) = length
            && items.len() != n
        {
            self.problem(
                format!("the list has {} values", items.len()),
                format!("write {n} values"),
            );
            return None;
        }
        // Not short-circuited: every wrong value of the list is reported.
        let values: Vec<_> = items.iter().map(|i| i.number(limits)).collect();
        values.into_iter().collect()
    }

    pub(crate) fn section(&self) -> Option<Section<'d>> {
        let Some(table) = self.value.get_ref().as_table() else {
            self.wrong_type("a table, `{ key = value }`");
            return None;
        };
        Some(Section {
            doc: self.doc,
            path: self.path.clone(),
            table,
            span: self.value.span(),
            known: RefCell::default(),
        })
    }

    /// A table keyed by body name; `skip` names keys that are no bodies and are read elsewhere.
    pub(crate) fn per_body<T>(
        &self,
        bodies: &[String],
        skip: &[&str],
        mut read: impl FnMut(&Item<'d>) -> Option<T>,
    ) -> Option<PerBody<T>> {
        let section = self.section()?;
        let mut values: Vec<Option<T>> = bodies.iter().map(|_| None).collect();
        for (key, span, item) in section.entries() {
            if skip.contains(&key.as_str()) {
                continue;
            }
            match bodies.iter().position(|b| *b == key) {
                Some(i) => values[i] = read(&item),
                None => unknown_body(self.doc, span, &item.path, &key, bodies),
            }
        }
        Some(PerBody::new(values))
    }

    /// A body of the profile, by name.
    pub(crate) fn body(&self, bodies: &[String]) -> Option<usize> {
        let name = self.text()?;
        let found = bodies.iter().position(|b| *b == name);
        if found.is_none() {
            unknown_body(self.doc, self.value.span(), &self.path, &name, bodies);
        }
        found
    }
}

fn unknown_body(doc: &Document<'_>, span: Range<usize>, path: &str, name: &str, bodies: &[String]) {
    doc.problem(
        span,
        path,
        format!("the profile has no body named `{name}`"),
        nearest(name, bodies.iter().map(String::as_str), "body"),
    );
}

/// "did you mean" with the nearest of the known words, then the list of them.
pub(crate) fn nearest<'w>(word: &str, known: impl Iterator<Item = &'w str>, kind: &str) -> String {
    let mut words: Vec<&str> = known.collect();
    words.dedup();
    let close = words
        .iter()
        .map(|w| (strsim::damerau_levenshtein(word, w), *w))
        .min_by_key(|(distance, _)| *distance)
        // Beyond half of the word it is a different word, not a slip.
        .filter(|(distance, w)| *distance <= w.chars().count().max(4) / 2);
    let list = words
        .iter()
        .map(|w| format!("`{w}`"))
        .collect::<Vec<_>>()
        .join(", ");
    match (close, words.is_empty()) {
        (Some((_, w)), _) => format!("did you mean `{w}`? known here: {list}"),
        (None, false) => format!("use a known {kind}: {list}"),
        (None, true) => format!("take it out; no {kind} is known here"),
    }
}

//! A job file taken apart into what the tables hold, and put together again.
//!
//! Values keep the text they were written with, so a number comes out as it went in.

use toml_edit::{DocumentMut, Item, TableLike};

use crate::error::StoreError;
use crate::fragment::{Fragment, value_text};

/// What one `[[reading]]` holds.
#[derive(Debug, Clone, PartialEq)]
pub struct ReadingPart {
    /// Its condition, in the words of the file.
    pub condition: String,
    /// Every key but `recording` and `adjusted`.
    pub values_toml: String,
    /// Recording, as the file names it.
    pub recording: Option<String>,
    /// Adjuster and turns, before the reading.
    pub adjusted: Vec<(String, f64)>,
}

/// A job file in pieces.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct JobParts {
    /// Profile, as the file names it.
    pub profile: String,
    /// Machine as booked in.
    pub machine: Option<String>,
    /// Every key that has no place of its own below, `machine` included.
    pub head_toml: String,
    /// Sealed part and its state as found.
    pub seals: Vec<(String, String)>,
    /// Check and its value in TOML.
    pub checks: Vec<(String, String)>,
    /// Readings in order.
    pub readings: Vec<ReadingPart>,
}

impl JobParts {
    /// Takes a valid `evenpull.job/1` text apart.
    ///
    /// # Errors
    /// [`StoreError::Invalid`] when the text is no TOML; other problems are for
    /// [`evenpull_job::Job::draft_from_toml`], which is asked first.
    pub fn of(text: &str) -> Result<Self, StoreError> {
        let document = parse(text)?;
        let mut parts = Self::default();
        let mut head = Vec::new();
        for (key, item) in document.iter() {
            match key {
                "format" => {}
                "profile" => parts.profile = item.as_str().unwrap_or_default().to_owned(),
                "seals" => {
                    let states = pairs(item).into_iter();
                    let worded = states.map(|(part, item)| (part, text_of(&item)));
                    parts.seals = worded.collect();
                }
                "checks" => {
                    let values = pairs(item).into_iter();
                    parts.checks = values.map(|(name, i)| (name, value_text(&i))).collect();
                }
                "reading" => parts.readings = rows(item).iter().map(|i| reading(i)).collect(),
                _ => {
                    if key == "machine" {
                        parts.machine = item.as_str().map(|s| s.trim().to_owned());
                    }
                    head.push((key.to_owned(), item.clone()));
                }
            }
        }
        parts.head_toml = head_text(&head);
        Ok(parts)
    }

    /// The whole job file.
    pub fn text(&self) -> String {
        let mut top = Fragment::new();
        top.text("format", "evenpull.job/1");
        top.text("profile", &self.profile);
        let mut text = top.as_str().to_owned();
        text.push_str(&self.head_toml);
        if !self.seals.is_empty() {
            let mut lines = Fragment::new();
            for (part, state) in &self.seals {
                lines.text(part, state);
            }
            text.push_str("\n[seals]\n");
            text.push_str(lines.as_str());
        }
        if !self.checks.is_empty() {
            let mut lines = Fragment::new();
            for (name, value) in &self.checks {
                lines.value(name, value);
            }
            text.push_str("\n[checks]\n");
            text.push_str(lines.as_str());
        }
        for reading in &self.readings {
            text.push_str("\n[[reading]]\n");
            text.push_str(&reading.text());
        }
        text
    }
}

impl ReadingPart {
    /// A reading from its values; `recording` and `adjusted` are taken out of them.
    ///
    /// # Errors
    /// [`StoreError::Invalid`] when the text is no TOML.
    pub fn of(values_toml: &str) -> Result<Self, StoreError> {
        Ok(reading(parse(values_toml)?.as_table()))
    }

    fn text(&self) -> String {
        let mut lines = Fragment::new();
        if let Some(name) = &self.recording {
            lines.text("recording", name);
        }
        let turned: Vec<String> = self
            .adjusted
            .iter()
            .map(|(adjuster, turns)| {
                let mut one = Fragment::new();
                one.text("adjuster", adjuster).number("turns", *turns);
                format!("{{ {} }}", one.as_str().trim_end().replace('\n', ", "))
            })
            .collect();
        if !turned.is_empty() {
            lines.value("adjusted", &format!("[{}]", turned.join(", ")));
        }
        format!("{}{}", self.values_toml, lines.as_str())
    }
}

/// The head of a job with one top-level key set to a value or section, or taken out.
pub(crate) fn head_with(
    head_toml: &str,
    key: &str,
    section_toml: Option<&str>,
) -> Result<String, StoreError> {
    let mut head: Vec<(String, Item)> = parse(head_toml)?
        .iter()
        .filter(|(k, _)| *k != key)
        .map(|(k, i)| (k.to_owned(), i.clone()))
        .collect();
    if let Some(text) = section_toml {
        let added = parse(text)?;
        let item = added.get(key).cloned().unwrap_or(Item::None);
        if !item.is_none() {
            head.push((key.to_owned(), item));
        }
    }
    Ok(head_text(&head))
}

/// The head of a job with one key of one of its sections set; its other keys stay as they were written.
pub(crate) fn head_with_entry(
    head_toml: &str,
    section: &str,
    entry_toml: &str,
) -> Result<String, StoreError> {
    let mut head = parse(head_toml)?;
    let place = head.entry(section).or_insert(toml_edit::table());
    let Some(table) = place.as_table_like_mut() else {
        return Err(StoreError::invalid(
            section,
            "is no section",
            "write its keys under it",
        ));
    };
    for (key, item) in parse(entry_toml)?.iter() {
        table.insert(key, item.clone());
    }
    let all: Vec<(String, Item)> = head
        .iter()
        .map(|(k, i)| (k.to_owned(), i.clone()))
        .collect();
    Ok(head_text(&all))
}

/// The head of a job with one key of one of its sections taken out, and the section with the last of them.
pub(crate) fn head_without_entry(
    head_toml: &str,
    section: &str,
    key: &str,
) -> Result<String, StoreError> {
    let mut head = parse(head_toml)?;
    let table = head
        .get_mut(section)
        .and_then(|item| item.as_table_like_mut());
    let left = table.is_some_and(|table| {
        table.remove(key);
        !table.is_empty()
    });
    let all: Vec<(String, Item)> = head
        .iter()
        .filter(|(k, _)| left || *k != section)
        .map(|(k, i)| (k.to_owned(), i.clone()))
        .collect();
    Ok(head_text(&all))
}

fn parse(text: &str) -> Result<DocumentMut, StoreError> {
    text.parse::<DocumentMut>().map_err(|e| {
        StoreError::invalid(
            "job text",
            e.to_string().trim_end().to_owned(),
            "write `key = value` lines",
        )
    })
}

/// Plain keys first, then sections; a key after a section would belong to it.
fn head_text(items: &[(String, Item)]) -> String {
    let is_section = |item: &Item| item.is_table_like();
    let mut plain = Fragment::new();
    for (key, item) in items.iter().filter(|(_, i)| !is_section(i)) {
        plain.item(key, item);
    }
    let mut text = plain.as_str().to_owned();
    for (key, item) in items.iter().filter(|(_, i)| is_section(i)) {
        let mut lines = Fragment::new();
        for (name, value) in pairs(item) {
            lines.item(&name, &value);
        }
        text.push_str(&format!(
            "\n[{}]\n{}",
            toml_edit::Key::new(key),
            lines.as_str()
        ));
    }
    text
}

fn reading(table: &dyn TableLike) -> ReadingPart {
    let mut values = Fragment::new();
    let mut part = ReadingPart {
        condition: String::new(),
        values_toml: String::new(),
        recording: None,
        adjusted: Vec::new(),
    };
    for (key, item) in table.iter() {
        match key {
            "recording" => part.recording = Some(text_of(item)),
            "adjusted" => part.adjusted = rows(item).iter().filter_map(adjusted).collect(),
            _ => {
                if key == "condition" {
                    part.condition = text_of(item);
                }
                values.item(key, item);
            }
        }
    }
    part.values_toml = values.as_str().to_owned();
    part
}

fn adjusted(row: &Row) -> Option<(String, f64)> {
    let turns = row.get("turns")?;
    let number = turns
        .as_float()
        .or_else(|| turns.as_integer().map(|n| n as f64))
        // A number may be written as text with a decimal comma.
        .or_else(|| turns.as_str()?.trim().replace(',', ".").parse().ok())?;
    Some((text_of(row.get("adjuster")?), number))
}

fn text_of(item: &Item) -> String {
    item.as_str().unwrap_or_default().trim().to_owned()
}

fn pairs(item: &Item) -> Vec<(String, Item)> {
    let Some(table) = item.as_table_like() else {
        return Vec::new();
    };
    table
        .iter()
        .map(|(k, i)| (k.to_owned(), i.clone()))
        .collect()
}

type Row = toml_edit::Table;

/// The rows of a list of tables, however it is written; a lone table is one row.
fn rows(item: &Item) -> Vec<Row> {
    let of_value = |value: &toml_edit::Value| value.as_inline_table().cloned();
    match item {
        Item::ArrayOfTables(list) => list.iter().cloned().collect(),
        Item::Value(toml_edit::Value::Array(list)) => list
            .iter()
            .filter_map(of_value)
            .map(toml_edit::InlineTable::into_table)
            .collect(),
        Item::Value(value) => of_value(value)
            .map(toml_edit::InlineTable::into_table)
            .into_iter()
            .collect(),
        Item::Table(table) => vec![table.clone()],
        Item::None => Vec::new(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use evenpull_job::{Job, Profile};

    const EXAMPLES: [(&str, &str); 3] = [
        (
            include_str!("../../../examples/jobs/balance-off/profile.toml"),
            include_str!("../../../examples/jobs/balance-off/job.toml"),
        ),
        (
            include_str!("../../../examples/jobs/stop-turned-in/profile.toml"),
            include_str!("../../../examples/jobs/stop-turned-in/job.toml"),
        ),
        (
            include_str!("../../../examples/jobs/crossed-hoses/profile.toml"),
            include_str!("../../../examples/jobs/crossed-hoses/job.toml"),
        ),
    ];

    /// The job without what depends on where lines stand in the text.
    fn job(text: &str, profile: &Profile) -> Job {
        let mut job = Job::from_toml("job.toml", text, profile).unwrap();
        for reading in &mut job.readings {
            reading.line = 0;
            reading.recording_line = None;
        }
        job
    }

    #[test]
    fn prop_a_job_put_together_again_reads_the_same() {
        for (profile, text) in EXAMPLES {
            let profile = Profile::from_toml("profile.toml", profile).unwrap();
            let again = JobParts::of(text).unwrap().text();
            assert_eq!(job(&again, &profile), job(text, &profile), "{again}");
            assert_eq!(JobParts::of(&again).unwrap().text(), again);
        }
    }

    #[test]
    fn every_way_of_writing_a_reading_is_kept() {
        let profile = Profile::from_toml("profile.toml", EXAMPLES[0].0).unwrap();
        let text = "format = \"evenpull.job/1\" # a remark\nprofile = \"profile.toml\"\n\
            notes = [\"one\", \"\"\"two\nlines\"\"\"]\n[ambient]\nheight_m = 120\n\
            [checks]\nsnap_shut_v = [0.55, \"0,56\"]\ncable_slack = true\n\
            [checks.clearances.left]\ninlet_thou = [4, 4]\nexhaust_mm = 0.15\n\
            [[reading]]\ncondition = \"hold\"\ngauge = { left = \"33,1\", right = 34, unit = \"kPa\" }\n\
            swapped = true\npinched = [\"idle_valve\"]\n\
            [reading.adjusted]\nadjuster = \"balance screw\"\nturns = \"0,25\"\n\
            [reading.hose]\nlength_m = 0.3\nbore_mm = 4\ndead_volume_cc = 0.5\n\
            [[reading]]\ncondition = \"idle\"\ngauge = { left = 33, right = 34, unit = \"inHg\" }\n\
            adjusted = [{ adjuster = \"bleed.left\", turns = 0.5 }, { adjuster = \"bleed.right\", turns = -1 }]\n";
        let again = JobParts::of(text).unwrap().text();
        let text = text.replace(
            "33, right = 34, unit = \"inHg\"",
            "13, right = 14, unit = \"inHg\"",
        );
        let again = again.replace(
            "33, right = 34, unit = \"inHg\"",
            "13, right = 14, unit = \"inHg\"",
        );
        assert_eq!(job(&again, &profile), job(&text, &profile), "{again}");
    }

    #[test]
    fn one_key_of_the_head_is_replaced_and_taken_out() {
        let head = "machine = \"m\"\n\n[ambient]\npressure_kpa = 99\n";
        let other = head_with(head, "ambient", Some("[ambient]\npressure_kpa = 100.5\n")).unwrap();
        assert_eq!(
            other,
            "machine = \"m\"\n\n[ambient]\npressure_kpa = 100.5\n"
        );
        let named = head_with(&other, "machine", Some("machine = \"n\"\n")).unwrap();
        assert_eq!(
            named,
            "machine = \"n\"\n\n[ambient]\npressure_kpa = 100.5\n"
        );
        assert_eq!(
            head_with(&named, "ambient", None).unwrap(),
            "machine = \"n\"\n"
        );
    }
}

//! The `[layout]` of a job or of a layout file.

use std::str::FromStr;

use evenpull_airflow::PressureUnit;

use super::{ColumnRef, Layout, PressureColumn, PressureKind, SampleUnit, TimeUnit};
use crate::document::{Document, Item, Section, within};
use crate::file_error::FileErrors;
use crate::profile::Profile;

const TIME_UNITS: [(&str, TimeUnit); 5] = [
    ("s", TimeUnit::Seconds),
    ("ms", TimeUnit::Milliseconds),
    ("us", TimeUnit::Microseconds),
    ("ns", TimeUnit::Nanoseconds),
    ("min", TimeUnit::Minutes),
];
const KINDS: [(&str, PressureKind); 3] = [
    ("absolute", PressureKind::Absolute),
    ("gauge", PressureKind::Gauge),
    ("depression", PressureKind::Depression),
];
/// Units this file format names in messages; the parser knows more spellings.
const PRESSURE_WORDS: &str = "kPa, Pa, bar, mbar, hPa, mmHg, cmHg, inHg, inH2O, psi";

impl Layout {
    /// Reads a layout file: the keys of a job's `[layout]`, either at the top or under `[layout]`.
    ///
    /// A whole job file (one that says its `format`) serves as well; its other keys are left alone.
    ///
    /// # Errors
    /// Every problem found, with its place.
    pub fn from_toml(file: &str, text: &str, profile: &Profile) -> Result<Self, FileErrors> {
        let doc = Document::new(file, text);
        let table = doc.parse()?;
        let root = Section::root(&doc, &table);
        let found = if root.has("format") {
            layout(&root, profile)
        } else if root.has("layout") {
            let found = layout(&root, profile);
            root.close();
            found
        } else {
            keys(root, profile)
        };
        drop(table);
        Ok(doc.finish(found)?.0)
    }
}

pub(super) fn layout(root: &Section<'_>, profile: &Profile) -> Layout {
    match root.section("layout") {
        Some(s) => keys(s, profile),
        None => Layout::default(),
    }
}

fn keys(s: Section<'_>, profile: &Profile) -> Layout {
    let time = s.item("time").and_then(|i| column(&i));
    let unit_item = s.item("time_unit");
    if let (None, Some(unit)) = (&time, &unit_item)
        && !s.has("time")
    {
        unit.problem(
            "`time_unit` without a `time` column",
            "name the column as `time = 1` or `time = \"time_s\"`, or take `time_unit` out",
        );
    }
    let layout = Layout {
        time,
        time_unit: unit_item.and_then(|i| i.one_of(&TIME_UNITS)),
        sample_rate_hz: s.number("sample_rate_hz", within(20.0, 1e6, "Hz")),
        delimiter: s
            .item("delimiter")
            .and_then(|i| mark(&i, &[',', ';', '\t', ' ', '|'])),
        decimal: s.item("decimal").and_then(|i| mark(&i, &['.', ','])),
        pressure: s
            .item("pressure")
            .and_then(|i| i.per_body(profile.bodies(), &[], pressure_column)),
    };
    if layout.delimiter == Some(',') && layout.decimal == Some(',') {
        s.doc().problem(
            s.span(),
            &s.path_of("decimal"),
            "the comma is both separator and decimal mark",
            "look at the file: a decimal comma goes with `;` or a tab as separator",
        );
    }
    s.close();
    layout
}

fn column(item: &Item<'_>) -> Option<ColumnRef> {
    if item.is_text() {
        return item.text().map(ColumnRef::Name);
    }
    item.count(1, 1000).map(|n| ColumnRef::Index(n as usize))
}

fn mark(item: &Item<'_>, allowed: &[char]) -> Option<char> {
    let text = item.raw_text()?;
    let word = match text.as_str() {
        "tab" | "\\t" => "\t".to_owned(),
        "space" => " ".to_owned(),
        _ => text.clone(),
    };
    let mut chars = word.chars();
    match (chars.next(), chars.next()) {
        (Some(c), None) if allowed.contains(&c) => Some(c),
        _ => {
            let list: Vec<String> = allowed.iter().map(|c| format!("{c:?}")).collect();
            item.problem(
                format!("\"{text}\" is no mark known here"),
                format!("use one of {}", list.join(", ")),
            );
            None
        }
    }
}

fn pressure_column(item: &Item<'_>) -> Option<PressureColumn> {
    let s = item.section()?;
    let column = s.required("column", "2").and_then(|i| column(&i));
    let unit = s
        .required("unit", "\"kPa\"")
        .and_then(|i| sample_unit(&s, &i));
    s.close();
    Some(PressureColumn {
        column: column?,
        unit: unit?,
    })
}

fn sample_unit(s: &Section<'_>, item: &Item<'_>) -> Option<SampleUnit> {
    let word = item.text()?;
    // Asked for in any case, so that all of them are known keys.
    let k1 = s.number("k1", within(1e-6, 10.0, "1/kPa"));
    let k2 = s.number("k2", within(-10.0, 10.0, ""));
    let supply = s.number("supply_v", within(0.5, 30.0, "V"));
    let full_scale = s.number("full_scale", within(15.0, 1e8, "counts"));
    let kind = s.item("kind");
    let line = || Some((needs(s, "k1", "0.009", k1)?, needs(s, "k2", "-0.095", k2)?));
    match word.as_str() {
        "V" | "mV" => {
            clash(s, &word, &["full_scale", "kind"]);
            let (k1_per_kpa, k2) = line()?;
            let supply_v = supply.unwrap_or_else(|| {
                s.assume("supply_v", "5 V", "assumed");
                5.0
            });
            Some(if word == "V" {
                SampleUnit::Volts {
                    supply_v,
                    k1_per_kpa,
                    k2,
                }
            } else {
                SampleUnit::Millivolts {
                    supply_v,
                    k1_per_kpa,
                    k2,
                }
            })
        }
        "counts" => {
            clash(s, &word, &["kind", "supply_v"]);
            let full_scale = needs(s, "full_scale", "4095", full_scale);
            let (k1_per_kpa, k2) = line()?;
            Some(SampleUnit::Counts {
                full_scale: full_scale?,
                k1_per_kpa,
                k2,
            })
        }
        _ => {
            clash(s, &word, &["full_scale", "k1", "k2", "supply_v"]);
            let kind = kind.and_then(|i| i.one_of(&KINDS));
            Some(SampleUnit::Pressure {
                unit: pressure_unit(item, &word, "V, mV, counts, ")?,
                kind: kind.unwrap_or(PressureKind::Absolute),
            })
        }
    }
}

/// A pressure unit, or a problem that lists what would be right.
pub(super) fn pressure_unit(item: &Item<'_>, word: &str, also: &str) -> Option<PressureUnit> {
    let unit = PressureUnit::from_str(word).ok();
    if unit.is_none() {
        item.problem(
            format!("\"{word}\" is no unit of pressure"),
            format!("use one of {also}{PRESSURE_WORDS}"),
        );
    }
    unit
}

fn needs(s: &Section<'_>, key: &str, example: &str, value: Option<f64>) -> Option<f64> {
    if value.is_none() && !s.has(key) {
        let _missing = s.required(key, example);
    }
    value
}

/// Keys that make no sense with the unit given.
fn clash(s: &Section<'_>, unit: &str, keys: &[&str]) {
    for key in keys.iter().filter(|k| s.has(k)) {
        if let Some(item) = s.item(key) {
            item.problem(
                format!("`{key}` clashes with the unit \"{unit}\""),
                format!("take `{key}` out, or say what the column really holds: V, mV, counts"),
            );
        }
    }
}

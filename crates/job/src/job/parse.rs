//! `evenpull.job/1` text to [`Job`].

use evenpull_airflow::ambient::standard_atmosphere;

use super::{AmbientData, EarlierRef, Job, ProfileRef, Reading, Seal, SealState};
use super::{parse_checks, parse_layout, parse_reading};
use crate::document::{Document, Item, Section, nearest, within};
use crate::file_error::{FileError, FileErrors};
use crate::notice::Notice;
use crate::profile::{Profile, check_format};

const FORMAT: &str = "evenpull.job/1";
const SEALS: [(&str, SealState); 4] = [
    ("intact", SealState::Intact),
    ("disturbed", SealState::Disturbed),
    ("cannot see", SealState::CannotSee),
    ("cannot-see", SealState::CannotSee),
];
/// Sea-level pressure of the standard atmosphere [kPa], exact.
const STANDARD_KPA: f64 = 101.325;

impl Job {
    /// The profile a job file names; `file` is the name shown in messages.
    ///
    /// # Errors
    /// Syntax errors, or a missing or wrong `profile` key.
    pub fn profile_ref(file: &str, text: &str) -> Result<ProfileRef, FileErrors> {
        let doc = Document::new(file, text);
        let table = doc.parse()?;
        let root = Section::root(&doc, &table);
        let found = root
            .required("profile", "\"profile.toml\"")
            .and_then(|i| Some((i.text()?, i.line())));
        drop(root);
        drop(table);
        let (found, _) = doc.finish(found)?;
        let (name, line) = found.expect("a missing profile is a problem, and problems refuse");
        Ok(ProfileRef { name, line })
    }

    /// Reads `evenpull.job/1` text; bodies and adjusters must be those of `profile`.
    ///
    /// # Errors
    /// Every problem found: syntax, unknown keys, wrong types, values out of range, names the
    /// profile does not know.
    pub fn from_toml(file: &str, text: &str, profile: &Profile) -> Result<Self, FileErrors> {
        parsed(file, text, profile, parse_reading::readings)
    }

    /// As [`Job::from_toml`], for a job that is still being written: it may hold no reading yet.
    ///
    /// # Errors
    /// As [`Job::from_toml`], but a missing reading is none.
    pub fn draft_from_toml(file: &str, text: &str, profile: &Profile) -> Result<Self, FileErrors> {
        parsed(file, text, profile, |root, profile, ambient| {
            if root.has("reading") {
                parse_reading::readings(root, profile, ambient)
            } else {
                Vec::new()
            }
        })
    }

    /// A problem at a line of the job file, for what only shows when files are opened.
    ///
    /// `line` counts from 1; the underline covers the line without its indent.
    pub fn problem_at(
        file: &str,
        text: &str,
        line: usize,
        key: &str,
        problem: &str,
        remedy: &str,
    ) -> FileError {
        let start: usize = text
            .split_inclusive('\n')
            .take(line.saturating_sub(1))
            .map(str::len)
            .sum();
        let rest = text[start..].lines().next().unwrap_or_default();
        let indent = rest.len() - rest.trim_start().len();
        let span = start + indent..start + rest.trim_end().len();
        FileError::at(file, text, span, key, problem, remedy)
    }
}

/// How the readings are taken from the file.
type ReadReadings = fn(&Section<'_>, &Profile, &AmbientData) -> Vec<Reading>;

fn parsed(
    file: &str,
    text: &str,
    profile: &Profile,
    readings: ReadReadings,
) -> Result<Job, FileErrors> {
    let doc = Document::new(file, text);
    let table = doc.parse()?;
    let job = read(&Section::root(&doc, &table), profile, readings);
    drop(table);
    let (mut job, notices) = doc.finish(job)?;
    job.notices = notices;
    Ok(job)
}

fn read(root: &Section<'_>, profile: &Profile, readings: ReadReadings) -> Job {
    check_format(root, FORMAT);
    let profile_name = root
        .required("profile", "\"profile.toml\"")
        .and_then(|i| i.text())
        .unwrap_or_default();
    let machine = root.text("machine").unwrap_or_else(|| {
        root.assume(
            "machine",
            &format!("\"{}\"", profile.name),
            "the profile's name",
        );
        profile.name.clone()
    });
    let ambient = ambient(root, profile);
    let job = Job {
        machine,
        profile: profile_name,
        seals: seals(root, profile),
        layout: parse_layout::layout(root, profile),
        readings: readings(root, profile, &ambient),
        checks: parse_checks::checks(root, profile),
        earlier: earlier(root),
        baseline_reason: baseline_reason(root),
        notes: notes(root),
        ambient,
        notices: Vec::new(),
    };
    root.close();
    job
}

fn ambient(root: &Section<'_>, profile: &Profile) -> AmbientData {
    let Some(s) = root.section("ambient") else {
        root.doc().notice(Notice::new(
            "ambient-assumed",
            "no `[ambient]` given: 101.325 kPa and 20 C assumed; every depression, area and air \
             mass rests on the barometer, so read it",
        ));
        return AmbientData {
            pressure_kpa: STANDARD_KPA,
            pressure_measured: false,
            temperature_c: 20.0,
            temperature_measured: false,
            humidity_percent: 0.0,
            key_off_kpa: None,
        };
    };
    let (pressure_kpa, pressure_measured) = ambient_pressure(&s);
    let temperature_measured = s.has("temperature_c");
    let temperature_c = s.number_or(
        "temperature_c",
        within(-40.0, 60.0, "C"),
        20.0,
        "assumed; 5 C is 1 % of air mass",
    );
    let humidity_percent = s
        .number("humidity_percent", within(0.0, 100.0, "%"))
        .unwrap_or(0.0);
    let key_off_kpa = s
        .item("key_off_kpa")
        .and_then(|item| item.per_body(profile.bodies(), &[], |i| key_off(i, pressure_kpa)));
    s.close();
    AmbientData {
        pressure_kpa,
        pressure_measured,
        temperature_c,
        temperature_measured,
        humidity_percent,
        key_off_kpa,
    }
}

fn ambient_pressure(s: &Section<'_>) -> (f64, bool) {
    let pressure = s.item("pressure_kpa");
    let height = s.item("height_m");
    match (pressure, height) {
        (Some(_), Some(height)) => {
            height.problem(
                "`pressure_kpa` and `height_m` are both given",
                "keep the measured pressure and take `height_m` out",
            );
            (STANDARD_KPA, false)
        }
        (Some(p), None) => {
            let kpa = p.number(within(50.0, 115.0, "kPa"));
            (kpa.unwrap_or(STANDARD_KPA), true)
        }
        (None, Some(h)) => {
            let m = h.number(within(-500.0, 6000.0, "m")).unwrap_or(0.0);
            match standard_atmosphere(m) {
                Ok(air) => (air.p_pa / 1000.0, false),
                Err(error) => {
                    h.problem(
                        error.to_string(),
                        "give the height above sea level in metres",
                    );
                    (STANDARD_KPA, false)
                }
            }
        }
        (None, None) => {
            s.assume(
                "pressure_kpa",
                "101.325 kPa",
                "assumed; every depression, area and air mass rests on it, so read it",
            );
            (STANDARD_KPA, false)
        }
    }
}

/// A sensor's reading with the engine off: ambient, but for its own error.
fn key_off(item: &Item<'_>, ambient_kpa: f64) -> Option<f64> {
    let v = item.number(within(40.0, 130.0, "kPa"))?;
    // Two cheap sensors can differ by 2 to 3 kPa; four times that is another pressure.
    if (v - ambient_kpa).abs() > 12.0 {
        item.problem(
            format!("{v} kPa with the engine off, but ambient is {ambient_kpa:.2} kPa"),
            "give the absolute pressure the sensor shows with the engine off; a sensor this far \
             out is wrongly scaled or broken",
        );
        return None;
    }
    Some(v)
}

fn seals(root: &Section<'_>, profile: &Profile) -> Vec<Seal> {
    let Some(s) = root.section("seals") else {
        return Vec::new();
    };
    let sealed: Vec<String> = profile
        .adjusters()
        .into_iter()
        .filter(|a| a.kind.is_sealed())
        .map(|a| a.name)
        .collect();
    let mut seals = Vec::new();
    for (part, span, item) in s.entries() {
        if !sealed.contains(&part) {
            s.doc().problem(
                span,
                &s.path_of(&part),
                format!("the profile has no sealed part named `{part}`"),
                nearest(&part, sealed.iter().map(String::as_str), "part"),
            );
        }
        if let Some(state) = item.one_of(&SEALS) {
            seals.push(Seal { part, state });
        }
    }
    seals
}

fn earlier(root: &Section<'_>) -> Vec<EarlierRef> {
    let Some(item) = root.item("earlier") else {
        return Vec::new();
    };
    let of = |item: &Item<'_>| {
        let path = item.text()?;
        let line = item.line();
        if path.trim().is_empty() {
            item.problem(
                "an earlier visit without a path",
                "name the job folder of an earlier healthy visit of the same machine",
            );
            return None;
        }
        Some(EarlierRef { path, line })
    };
    if item.is_text() {
        return of(&item).into_iter().collect();
    }
    let list = item.list().unwrap_or_default();
    list.iter().filter_map(of).collect()
}

fn baseline_reason(root: &Section<'_>) -> Option<String> {
    let s = root.section("baseline")?;
    let item = s.required("reason", "\"why stops are turned, and who agreed\"");
    let reason = item.and_then(|i| {
        let text = i.text()?;
        // A word or two is no reason that anyone could judge later.
        if text.split_whitespace().count() < 3 {
            i.problem(
                format!("`{text}` is not a reason"),
                "write in a sentence why stops are turned and who agreed to it",
            );
            return None;
        }
        Some(text)
    });
    s.close();
    reason
}

fn notes(root: &Section<'_>) -> Vec<String> {
    let Some(item) = root.item("notes") else {
        return Vec::new();
    };
    if item.is_text() {
        return item.text().into_iter().collect();
    }
    let list = item.list().unwrap_or_default();
    list.iter().filter_map(Item::text).collect()
}

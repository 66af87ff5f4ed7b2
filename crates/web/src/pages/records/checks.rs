//! Checks by hand, cheapest and most invalidating first.

use askama::Template;
use axum::extract::{Path, State};
use axum::response::{Redirect, Response};
use evenpull_app::{CheckEdit, CheckRecord, Together};

use super::said;
use super::stored::{JobHead, records, stored};
use crate::page::{Place, Shell, Visitor, shown};
use crate::pages::aside::problem;
use crate::posted::Posted;
use crate::problem::Problem;
use crate::state::Web;

#[derive(Debug, Template)]
#[template(path = "job_checks.html")]
struct ChecksPage {
    s: Shell,
    job: JobHead,
    bodies: Vec<String>,
    numbers: [NumberCheck; 3],
    known: Vec<Known>,
    inlet: String,
    exhaust: String,
}

/// A check on record.
#[derive(Debug)]
struct Known {
    words: String,
    value: String,
    /// What can be taken back by itself, as the form names it, and in words: each body, or all of it.
    parts: Vec<(String, String)>,
}

/// A number for each body.
#[derive(Debug, Clone, Copy)]
struct NumberCheck {
    key: &'static str,
    words: &'static str,
    unit: &'static str,
    /// No reading of it is smaller, so that `1.150` is no number of the unit.
    smallest: f64,
}

/// Keys of `[checks]` with a number for each body, key of their text, unit.
const NUMBERS: [NumberCheck; 3] = [
    NumberCheck {
        key: "compression_kpa",
        words: "checks.compression",
        unit: "kPa",
        // A cylinder that is turned over at all shows more than one atmosphere.
        smallest: 100.0,
    },
    NumberCheck {
        key: "leak_down_percent",
        words: "checks.leak_down",
        unit: "%",
        smallest: 0.0,
    },
    NumberCheck {
        key: "spindle_play_mm",
        words: "checks.spindle",
        unit: "mm",
        smallest: 0.0,
    },
];

pub(crate) async fn checks(
    State(web): State<Web>,
    visitor: Visitor,
    Path(id): Path<i64>,
) -> Result<Response, Problem> {
    let job = stored(&web, id).await?;
    let limits = &job.profile.clearances;
    let writing = visitor.writing;
    let known = noted(&job.record.checks).into_iter();
    let known = known.map(|(name, toml)| {
        let (words, value) = said::check(name, toml, &visitor);
        let bodies = said::bodies(toml).into_iter();
        let mut parts: Vec<(String, String)> = bodies
            .map(|body| (format!("{name}.{body}"), body))
            .collect();
        if parts.is_empty() {
            parts.push((name.to_owned(), visitor.texts.at("checks.whole").to_owned()));
        }
        Known {
            words,
            value,
            parts,
        }
    });
    let known = known.collect();
    Ok(shown(&ChecksPage {
        job: job.head(&visitor, "checks"),
        bodies: job.profile.bodies().to_vec(),
        numbers: NUMBERS,
        known,
        inlet: writing.fixed(limits.inlet_mm, 2),
        exhaust: writing.fixed(limits.exhaust_mm, 2),
        s: visitor.shell(Place::Jobs),
    }))
}

/// Keeps every value that was filled in; what was left empty stays as it was noted.
pub(crate) async fn checks_posted(
    State(web): State<Web>,
    Path(id): Path<i64>,
    form: Posted,
) -> Result<Redirect, Problem> {
    let job = stored(&web, id).await?;
    let checks = filled(&form, job.profile.bodies())?;
    if checks.is_empty() {
        return Err(Problem::Input(web.texts().at("checks.nothing").to_owned()));
    }
    let noted = Together {
        checks,
        ..Together::default()
    };
    let kept = records(&web)?.record_together(id, noted).await;
    kept.map_err(|e| problem(&web, &e))?;
    Ok(Redirect::to(&format!("/jobs/{id}/checks")))
}

/// Takes back one value of a check, named as [`Known`] names it; earlier words stay on record.
pub(crate) async fn check_withdrawn(
    State(web): State<Web>,
    Path(id): Path<i64>,
    form: Posted,
) -> Result<Redirect, Problem> {
    let job = stored(&web, id).await?;
    let word = form.text("check");
    let noted = noted(&job.record.checks);
    let path = noted.iter().find_map(|(name, value)| {
        let bodies = said::bodies(value).into_iter();
        let mut all = bodies
            .map(|b| vec![(*name).to_owned(), b])
            .collect::<Vec<_>>();
        all.push(vec![(*name).to_owned()]);
        all.into_iter().find(|path| path.join(".") == word)
    });
    let taken = CheckEdit {
        path: path.ok_or(Problem::NotFound)?,
        value_toml: None,
    };
    let noted = Together {
        checks: vec![taken],
        ..Together::default()
    };
    let kept = records(&web)?.record_together(id, noted).await;
    kept.map_err(|e| problem(&web, &e))?;
    Ok(Redirect::to(&format!("/jobs/{id}/checks")))
}

/// The last word on each check that is not taken back: name and value in TOML.
fn noted(checks: &[CheckRecord]) -> Vec<(&str, &str)> {
    let mut known: Vec<(&str, &str)> = Vec::new();
    for check in checks {
        known.retain(|(name, _)| *name != check.name);
        if !check.value_toml.is_empty() {
            known.push((&check.name, &check.value_toml));
        }
    }
    known
}

/// The values of a form that were filled in.
fn filled(form: &Posted, bodies: &[String]) -> Result<Vec<CheckEdit>, Problem> {
    let mut all = Vec::new();
    let mut put = |path: &[&str], value: String| {
        all.push(CheckEdit {
            path: path.iter().map(|key| (*key).to_owned()).collect(),
            value_toml: Some(value),
        });
    };
    for check in NUMBERS {
        for body in bodies {
            let field = format!("{}.{body}", check.key);
            if let Some(v) = form.maybe_large(&field, check.smallest)? {
                put(&[check.key, body], v.to_string());
            }
        }
    }
    for body in bodies {
        for valve in ["inlet_mm", "exhaust_mm"] {
            if let Some(v) = form.maybe_number(&format!("{valve}.{body}"))? {
                put(&["clearances", body, valve], v.to_string());
            }
        }
    }
    for key in ["cable_slack", "gauges_zeroed"] {
        if let Some(yes) = word(form, key, ["yes", "no"])? {
            put(&[key], (yes == "yes").to_string());
        }
    }
    let changes = ["change", "no change"];
    if let Some(found) = word(form, "lid_off", changes)? {
        put(&["lid_off"], format!("\"{found}\""));
    }
    for body in bodies {
        if let Some(found) = word(form, &format!("stub_spray.{body}"), changes)? {
            put(&["stub_spray", body], format!("\"{found}\""));
        }
    }
    Ok(all)
}

/// One of two words, or none where nothing was chosen.
fn word(
    form: &Posted,
    name: &str,
    known: [&'static str; 2],
) -> Result<Option<&'static str>, Problem> {
    let text = form.text(name);
    if text.is_empty() {
        return Ok(None);
    }
    let found = known.into_iter().find(|w| *w == text);
    found
        .map(Some)
        .ok_or_else(|| form.unknown(name, &known.join(", ")))
}

//! Checks by hand, cheapest and most invalidating first.

use std::fmt::Write as _;

use askama::Template;
use axum::extract::{Path, State};
use axum::response::{Redirect, Response};
use evenpull_app::Stage;

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
    known: Vec<(String, String)>,
    inlet: String,
    exhaust: String,
}

/// A number for each body.
#[derive(Debug, Clone, Copy)]
struct NumberCheck {
    key: &'static str,
    words: &'static str,
    unit: &'static str,
}

/// Keys of `[checks]` with a number for each body, key of their text, unit.
const NUMBERS: [NumberCheck; 3] = [
    NumberCheck {
        key: "compression_kpa",
        words: "checks.compression",
        unit: "kPa",
    },
    NumberCheck {
        key: "leak_down_percent",
        words: "checks.leak_down",
        unit: "%",
    },
    NumberCheck {
        key: "spindle_play_mm",
        words: "checks.spindle",
        unit: "mm",
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
    let mut known: Vec<(String, String)> = Vec::new();
    for check in &job.record.checks {
        known.retain(|(name, _)| *name != check.name);
        known.push((check.name.clone(), check.value_toml.clone()));
    }
    let known = known
        .iter()
        .map(|(name, toml)| said::check(name, toml, &visitor))
        .collect();
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

/// Keeps every check that was filled in.
pub(crate) async fn checks_posted(
    State(web): State<Web>,
    Path(id): Path<i64>,
    form: Posted,
) -> Result<Redirect, Problem> {
    let job = stored(&web, id).await?;
    let filled = filled(&form, job.profile.bodies())?;
    for (name, value) in &filled {
        let kept = records(&web)?.record_check(id, name, value).await;
        kept.map_err(|e| problem(&web, &e))?;
    }
    let early = [Stage::BookingIn, Stage::AsFound].map(Stage::as_str);
    if !filled.is_empty() && early.contains(&job.record.line.stage.as_str()) {
        let next = records(&web)?.set_stage(id, Stage::Checks).await;
        next.map_err(|e| problem(&web, &e))?;
    }
    Ok(Redirect::to(&format!("/jobs/{id}/checks")))
}

/// The checks of a form as key and value in TOML.
fn filled(form: &Posted, bodies: &[String]) -> Result<Vec<(&'static str, String)>, Problem> {
    let mut all = Vec::new();
    for check in NUMBERS {
        let mut entries = Vec::new();
        for body in bodies {
            if let Some(v) = form.maybe_number(&format!("{}.{body}", check.key))? {
                entries.push(format!("{} = {v}", quoted(body)));
            }
        }
        if !entries.is_empty() {
            all.push((check.key, format!("{{ {} }}", entries.join(", "))));
        }
    }
    let clearances = clearances(form, bodies)?;
    all.extend((!clearances.is_empty()).then(|| ("clearances", format!("{{ {clearances} }}"))));
    for key in ["cable_slack", "gauges_zeroed"] {
        match form.text(key) {
            "yes" => all.push((key, "true".to_owned())),
            "no" => all.push((key, "false".to_owned())),
            _ => {}
        }
    }
    let change = |word: &str| match word {
        "change" => Some("\"change\""),
        "no change" => Some("\"no change\""),
        _ => None,
    };
    all.extend(change(form.text("lid_off")).map(|v| ("lid_off", v.to_owned())));
    let sprayed: Vec<String> = bodies
        .iter()
        .filter_map(|body| {
            let value = change(form.text(&format!("stub_spray.{body}")))?;
            Some(format!("{} = {value}", quoted(body)))
        })
        .collect();
    if !sprayed.is_empty() {
        all.push(("stub_spray", format!("{{ {} }}", sprayed.join(", "))));
    }
    Ok(all)
}

fn clearances(form: &Posted, bodies: &[String]) -> Result<String, Problem> {
    let mut text = String::new();
    for body in bodies {
        let inlet = form.maybe_number(&format!("inlet_mm.{body}"))?;
        let exhaust = form.maybe_number(&format!("exhaust_mm.{body}"))?;
        if let (Some(inlet), Some(exhaust)) = (inlet, exhaust) {
            let comma = if text.is_empty() { "" } else { ", " };
            let _ = write!(
                text,
                "{comma}{} = {{ inlet_mm = {inlet}, exhaust_mm = {exhaust} }}",
                quoted(body)
            );
        }
    }
    Ok(text)
}

/// A body's name as a key of TOML.
fn quoted(name: &str) -> String {
    format!("\"{}\"", name.replace('\\', "\\\\").replace('"', "\\\""))
}

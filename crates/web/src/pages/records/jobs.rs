//! The list of jobs, the way into one, and its stage.

use askama::Template;
use axum::extract::{Path, Query, State};
use axum::response::{Redirect, Response};
use evenpull_app::{CauseCode, JobFilter, JobLine, Stage, cause_code, cause_name, fault_codes};
use serde::Deserialize;

use super::stored::{records, stage_words};
use crate::page::{Place, Shell, Visitor, shown};
use crate::pages::aside::problem;
use crate::posted::Posted;
use crate::problem::Problem;
use crate::state::Web;

/// Lines of one page of the list.
const PAGE: u32 = 50;

#[derive(Debug, Template)]
#[template(path = "jobs.html")]
struct JobsPage {
    s: Shell,
    text: String,
    open_only: bool,
    rows: Vec<JobRow>,
    more: Option<i64>,
}

#[derive(Debug)]
pub(super) struct JobRow {
    pub(super) id: i64,
    pub(super) machine: String,
    pub(super) complaint: String,
    pub(super) stage: String,
    pub(super) closed: bool,
    pub(super) booked: String,
    pub(super) cause: String,
}

/// What the list is asked for.
#[derive(Debug, Deserialize)]
pub(crate) struct JobsQuery {
    #[serde(default)]
    text: String,
    #[serde(default)]
    open: String,
    before: Option<i64>,
}

pub(crate) async fn jobs(
    State(web): State<Web>,
    visitor: Visitor,
    Query(query): Query<JobsQuery>,
) -> Result<Response, Problem> {
    let filter = JobFilter {
        text: query.text.clone(),
        machine_id: None,
        open_only: !query.open.is_empty(),
        before: query.before.unwrap_or(i64::MAX),
        limit: PAGE,
    };
    let lines = records(&web)?.jobs(&filter).await;
    let lines = lines.map_err(|e| problem(&web, &e))?;
    let full = lines.len() == PAGE as usize;
    Ok(shown(&JobsPage {
        more: lines.last().filter(|_| full).map(|l| l.id),
        rows: lines.iter().map(|l| row(l, &web, &visitor)).collect(),
        text: query.text,
        open_only: filter.open_only,
        s: visitor.shell(Place::Jobs),
    }))
}

pub(super) fn row(line: &JobLine, web: &Web, visitor: &Visitor) -> JobRow {
    JobRow {
        id: line.id,
        machine: line.machine.clone(),
        complaint: line.complaint.clone(),
        stage: stage_words(&line.stage, &visitor.texts),
        closed: line.closed.is_some(),
        booked: web.when(line.created.ms),
        cause: match (&line.leading_cause, line.undetermined) {
            (_, Some(true)) => visitor.texts.at("jobs.undetermined").to_owned(),
            (Some(code), _) => cause_words(code),
            (None, _) => String::new(),
        },
    }
}

/// A cause in words by its code; codes that only a newer program knows stay as they are.
fn cause_words(code: &str) -> String {
    if code == cause_code(CauseCode::None) {
        return cause_name(CauseCode::None).to_owned();
    }
    let known = fault_codes().find(|c| *c == code);
    let fault = known.and_then(|c| c.parse::<evenpull_app::Fault>().ok());
    fault.map_or_else(|| code.to_owned(), |f| cause_name(f.code).to_owned())
}

/// The page of a job that its stage asks for.
pub(crate) async fn job(State(web): State<Web>, Path(id): Path<i64>) -> Result<Redirect, Problem> {
    let record = records(&web)?.job(id).await;
    let record = record.map_err(|e| problem(&web, &e))?;
    let end = match Stage::from_word(&record.line.stage) {
        // What a job that is over is opened for, whatever stage was noted last.
        _ if record.line.closed.is_some() => "handover",
        Some(Stage::Checks) => "checks",
        Some(Stage::Tune | Stage::Baseline) => "work",
        Some(Stage::Verify | Stage::Handover) => "handover",
        Some(Stage::AsFound) => "readings",
        _ => "booking",
    };
    Ok(Redirect::to(&format!("/jobs/{id}/{end}")))
}

/// Puts a job into a stage, closes it, or opens it again.
pub(crate) async fn stage_posted(
    State(web): State<Web>,
    Path(id): Path<i64>,
    form: Posted,
) -> Result<Redirect, Problem> {
    let records = records(&web)?;
    let word = form.text("stage");
    let done = match word {
        "closed" => records.set_closed(id, true).await,
        "open" => records.set_closed(id, false).await,
        word => {
            let stage = Stage::from_word(word).ok_or_else(|| {
                let known = Stage::ALL.map(Stage::as_str).join(", ");
                Problem::Input(format!("`stage` = `{word}`: {known}, closed, open"))
            })?;
            records.set_stage(id, stage).await
        }
    };
    done.map_err(|e| problem(&web, &e))?;
    Ok(Redirect::to(&format!("/jobs/{id}")))
}

//! Work: the order with its gates, what was turned, and written reasons for sealed parts.

use askama::Template;
use axum::extract::{Path, State};
use axum::response::{Redirect, Response};
use evenpull_app::{Adjuster, GateState, Profile, ShownFindings, Stage, Step};

use super::stored::{JobHead, Stored, records, stage_words, stored};
use crate::page::{Place, Shell, Visitor, shown};
use crate::pages::Findings;
use crate::pages::aside::problem;
use crate::posted::Posted;
use crate::problem::Problem;
use crate::state::Web;
use crate::texts::Texts;

#[derive(Debug, Template)]
#[template(path = "job_work.html")]
struct WorkPage {
    s: Shell,
    job: JobHead,
    gates: Vec<GateRow>,
    stale: bool,
    findings: Option<Findings>,
    adjusters: Vec<Adjuster>,
    sealed: Vec<String>,
    turns: Vec<TurnRow>,
    overrides: Vec<(String, String)>,
    stages: Vec<(&'static str, String, bool)>,
    bench: bool,
}

#[derive(Debug)]
struct GateRow {
    code: &'static str,
    number: usize,
    action: String,
    reason: &'static str,
    /// `met`, `not` or `open`.
    class: &'static str,
    state: String,
    shown: String,
}

#[derive(Debug)]
struct TurnRow {
    adjuster: String,
    turns: String,
    made: String,
}

pub(crate) async fn work(
    State(web): State<Web>,
    visitor: Visitor,
    Path(id): Path<i64>,
) -> Result<Response, Problem> {
    let job = stored(&web, id).await?;
    let found = job.found(&web).await?;
    let stage = job.record.line.stage.clone();
    let all = job.profile.adjusters();
    Ok(shown(&WorkPage {
        job: job.head(&visitor, "work"),
        gates: gates(found.as_ref(), &job, &visitor.texts),
        stale: found.as_ref().is_none_or(|f| f.stale),
        findings: found.map(|f| job.view(&f, &visitor)),
        sealed: job.sealed_parts(),
        adjusters: all,
        turns: turns(&job, &web, &visitor),
        overrides: job
            .record
            .overrides
            .iter()
            .map(|o| (o.adjuster.clone(), o.reason.clone()))
            .collect(),
        stages: Stage::ALL
            .map(|s| {
                let word = s.as_str();
                (word, stage_words(word, &visitor.texts), word == stage)
            })
            .into(),
        bench: web.bench_job() == Some(id),
        s: visitor.shell(Place::Jobs),
    }))
}

fn turns(job: &Stored, web: &Web, visitor: &Visitor) -> Vec<TurnRow> {
    let way = |name: &str, turns: f64| {
        let adjuster = job.profile.adjuster(name);
        adjuster.map_or_else(String::new, |a| a.way(turns).to_owned())
    };
    job.record
        .adjustments
        .iter()
        .map(|a| TurnRow {
            turns: format!(
                "{}: {}",
                visitor.writing.fixed(a.turns.abs(), 2),
                way(&a.adjuster, a.turns)
            ),
            adjuster: a.adjuster.clone(),
            made: web.when(a.made.ms),
        })
        .collect()
}

/// The order of work. What the readings show counts; what no file can show counts as noted.
fn gates(found: Option<&ShownFindings>, job: &Stored, texts: &Texts) -> Vec<GateRow> {
    let shown_by_readings = |step: Step| {
        let gates = &found?.gates;
        gates
            .iter()
            .find(|g| g.step == step)
            .map(|g| g.state.clone())
    };
    let noted = |step: Step| {
        let mut latest_first = job.record.progress.iter().rev();
        let last = latest_first.find(|p| Step::from_word(&p.step) == Some(step));
        last.is_some_and(|p| p.done)
    };
    Step::ALL
        .into_iter()
        .map(|step| {
            let (class, key, shown) = match shown_by_readings(step) {
                Some(GateState::Met(text)) => ("met", "work.met", text),
                Some(GateState::NotMet(text)) => ("not", "work.not_met", text),
                _ if noted(step) => ("met", "work.noted", String::new()),
                Some(GateState::NotShown(text)) => ("open", "work.open", text),
                None => ("open", "work.open", String::new()),
            };
            row(step, &job.profile, class, texts.at(key), shown)
        })
        .collect()
}

fn row(step: Step, profile: &Profile, class: &'static str, state: &str, shown: String) -> GateRow {
    GateRow {
        code: step.as_str(),
        number: step.number(),
        action: step.action(profile),
        reason: step.reason(),
        class,
        state: state.to_owned(),
        shown,
    }
}

/// Notes a step as done.
pub(crate) async fn step_posted(
    State(web): State<Web>,
    Path(id): Path<i64>,
    form: Posted,
) -> Result<Redirect, Problem> {
    let word = form.text("step");
    let step = Step::from_word(word).ok_or_else(|| Problem::Input(format!("`step` = `{word}`")))?;
    let done = records(&web)?
        .record_step(id, step, true, form.text("note"))
        .await;
    done.map_err(|e| problem(&web, &e))?;
    Ok(Redirect::to(&format!("/jobs/{id}/work")))
}

/// Notes what was turned; a sealed part needs the baseline stage and a written reason.
pub(crate) async fn turn_posted(
    State(web): State<Web>,
    Path(id): Path<i64>,
    form: Posted,
) -> Result<Redirect, Problem> {
    let turns = form.number("turns")?;
    let signed = match form.text("way") {
        "more" => turns.abs(),
        "less" => -turns.abs(),
        other => return Err(Problem::Input(format!("`way` = `{other}`: more, less"))),
    };
    let kept = records(&web)?
        .record_adjustment(id, form.text("adjuster"), signed)
        .await;
    kept.map_err(|e| problem(&web, &e))?;
    Ok(Redirect::to(&format!("/jobs/{id}/work")))
}

/// Keeps the written reason for turning a sealed part.
pub(crate) async fn override_posted(
    State(web): State<Web>,
    Path(id): Path<i64>,
    form: Posted,
) -> Result<Redirect, Problem> {
    let kept = records(&web)?
        .record_override(id, form.text("adjuster"), form.text("reason"))
        .await;
    kept.map_err(|e| problem(&web, &e))?;
    Ok(Redirect::to(&format!("/jobs/{id}/work")))
}

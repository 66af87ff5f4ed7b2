//! Work: the order with its gates, what was turned, and written reasons for sealed parts.

use askama::Template;
use axum::extract::{Path, State};
use axum::response::{Redirect, Response};
use evenpull_app::{
    Adjuster, GateState, Profile, ShownFindings, Stage, StageMove, Step, TurnDoubt,
};

use super::stored::{JobHead, Stored, part_words, records, stage_words, stored};
use crate::page::{Place, Shell, Visitor, shown};
use crate::pages::Findings;
use crate::pages::aside::problem;
use crate::posted::Posted;
use crate::problem::Problem;
use crate::state::Web;
use crate::texts::Texts;
use crate::typed::sign;

#[derive(Debug, Template)]
#[template(path = "job_work.html")]
struct WorkPage {
    s: Shell,
    job: JobHead,
    gates: Vec<GateRow>,
    stale: bool,
    findings: Option<Findings>,
    /// In words, and itself.
    adjusters: Vec<(String, Adjuster)>,
    /// In words, and by name.
    sealed: Vec<(String, String)>,
    turns: Vec<TurnRow>,
    overrides: Vec<(String, String)>,
    stages: Vec<(&'static str, String, bool)>,
    /// The stages it went through, each with its reason, in words.
    moves: Vec<String>,
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
    id: i64,
    adjuster: String,
    turns: String,
    made: String,
    /// When it was taken back; empty where it counts.
    taken_back: String,
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
    let words = |name: &str| part_words(&job.profile, name, &visitor.texts);
    Ok(shown(&WorkPage {
        job: job.head(&visitor, "work"),
        gates: gates(found.as_ref(), &job, &visitor.texts),
        stale: found.as_ref().is_none_or(|f| f.stale),
        findings: found.map(|f| job.view(&f, &visitor)),
        sealed: job
            .sealed_parts()
            .into_iter()
            .map(|part| (words(&part), part))
            .collect(),
        adjusters: all.into_iter().map(|a| (words(&a.name), a)).collect(),
        turns: turns(&job, &web, &visitor),
        overrides: job
            .record
            .overrides
            .iter()
            .map(|o| (words(&o.adjuster), o.reason.clone()))
            .collect(),
        stages: Stage::ALL
            .map(|s| {
                let word = s.as_str();
                (word, stage_words(word, &visitor.texts), word == stage)
            })
            .into(),
        moves: moves(&job, &web, &visitor),
        bench: web.bench_job() == Some(id),
        s: visitor.shell(Place::Jobs),
    }))
}

fn moves(job: &Stored, web: &Web, visitor: &Visitor) -> Vec<String> {
    let texts = &visitor.texts;
    let words = |m: &StageMove| {
        let why = match m.why.as_str() {
            "reading" => "stage.by_reading",
            "seal" => "stage.by_seal",
            "check" => "stage.by_check",
            "turn" => "stage.by_turn",
            _ => "stage.by_hand",
        };
        let values = [
            ("stage", &*stage_words(&m.stage, texts)),
            ("was", &stage_words(&m.was, texts)),
            ("when", &web.when(m.moved.ms)),
            ("why", texts.at(why)),
        ];
        texts.fill("stage.moved", &values)
    };
    job.record.stage_moves.iter().map(words).collect()
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
            id: a.id,
            taken_back: a.withdrawn.map_or_else(String::new, |at| web.when(at.ms)),
            turns: format!(
                "{}: {}",
                visitor.writing.plain(a.turns.abs(), 3),
                way(&a.adjuster, a.turns)
            ),
            adjuster: part_words(&job.profile, &a.adjuster, &visitor.texts),
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
                Some(GateState::Waits(text)) => ("not", "work.waits", text),
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
    let signed = signed_turns(&form, &web.texts())?;
    let name = form.text("adjuster");
    if form.text("sure") != "yes" {
        let job = stored(&web, id).await?;
        let doubt = records(&web)?.turn_doubt(id, name, signed).await;
        if let Some(doubt) = doubt.map_err(|e| problem(&web, &e))? {
            let words = doubt_words(&web, &job.profile, (name, signed), doubt);
            return Err(Problem::Input(words));
        }
    }
    let kept = records(&web)?.record_adjustment(id, name, signed).await;
    kept.map_err(|e| problem(&web, &e))?;
    Ok(Redirect::to(&format!("/jobs/{id}/work")))
}

/// Takes a turn back that was noted by mistake; it stays on record.
pub(crate) async fn turn_withdrawn(
    State(web): State<Web>,
    Path((id, turn)): Path<(i64, i64)>,
    _form: Posted,
) -> Result<Redirect, Problem> {
    let job = stored(&web, id).await?;
    if !job.record.turns_made().any(|a| a.id == turn) {
        return Err(Problem::NotFound);
    }
    let done = records(&web)?.withdraw_adjustment(turn).await;
    done.map_err(|e| problem(&web, &e))?;
    Ok(Redirect::to(&format!("/jobs/{id}/work")))
}

/// Turns with the sign of the way that was chosen; a sign that was typed must not be against it.
fn signed_turns(form: &Posted, texts: &Texts) -> Result<f64, Problem> {
    let turns = form.number("turns")?;
    let (less, way) = match form.text("way") {
        "more" => (false, "+"),
        "less" => (true, "\u{2212}"),
        _ => return Err(form.unknown("way", "+, \u{2212}")),
    };
    if sign(form.text("turns")).is_some_and(|minus| minus != less) {
        let values = [
            ("field", &*form.label("turns")),
            ("turns", form.text("turns")),
            ("way", way),
        ];
        return Err(Problem::Input(texts.fill("work.sign_and_way", &values)));
    }
    Ok(if less { -turns.abs() } else { turns.abs() })
}

/// A turn that is asked about, in words.
fn doubt_words(
    web: &Web,
    profile: &Profile,
    (name, turns): (&str, f64),
    doubt: TurnDoubt,
) -> String {
    let (key, from, left, most) = match doubt {
        TurnDoubt::Far { most } => ("work.far", 0.0, turns, most),
        TurnDoubt::BelowSeat { from, left } => ("work.below_seat", from, left, 0.0),
        TurnDoubt::Beyond { from, left, most } => ("work.beyond", from, left, most),
    };
    let writing = web.writing();
    let texts = web.texts();
    let values = [
        ("field", texts.at("work.turns")),
        ("adjuster", &part_words(profile, name, &texts)),
        ("turns", &writing.plain(turns, 3)),
        ("most", &writing.plain(most, 2)),
        ("from", &writing.plain(from, 2)),
        ("left", &writing.plain(left, 2)),
    ];
    texts.fill(key, &values)
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

//! The bench: the live picture, the screws, the readings and what they say.

use std::sync::Arc;

use askama::Template;
use axum::extract::State;
use axum::http::StatusCode;
use axum::http::header::CONTENT_SECURITY_POLICY;
use axum::response::{Html, IntoResponse, Redirect, Response};
use evenpull_app::{
    Adjuster, AdjusterKind, AppError, Assessment, Bench, BenchReading, BenchStart, CautionWhen,
    Condition, ErrorKind, Fault, Operation, assessment_page, cause_code, cause_name, cautions_for,
    chance, fault_codes, load_profile, profile_list, turn_fraction,
};
use serde::Serialize;

use crate::number::Writing;
use crate::page::{Place, Shell, Visitor, shown};
use crate::posted::Posted;
use crate::problem::Problem;
use crate::state::Web;
use crate::texts::Texts;
use crate::token::random_bytes;

/// What the script is told once.
#[derive(Debug, Serialize)]
struct Config<'a> {
    bodies: &'a [String],
    good_kpa: f64,
    act_kpa: f64,
    unit: &'static str,
    per_kpa: f64,
    decimals: usize,
    comma: bool,
    texts: std::collections::BTreeMap<&'a str, &'a str>,
}

#[derive(Debug)]
struct StationView {
    code: String,
    words: String,
    now: bool,
}

#[derive(Debug)]
struct ScrewView {
    name: String,
    words: String,
    less: String,
    more: String,
}

#[derive(Debug)]
struct ReadingRow {
    words: String,
    rpm: String,
    depressions: Vec<String>,
    apart: String,
    turned: String,
}

#[derive(Debug)]
struct Findings {
    headline: String,
    odds: String,
    next: Option<String>,
    steps: Vec<StepView>,
}

#[derive(Debug)]
struct StepView {
    adjuster: String,
    turns: Option<String>,
    way: String,
    why: String,
    gate: String,
    can_follow: bool,
}

/// One line of a list to choose from.
#[derive(Debug)]
struct Choice {
    code: &'static str,
    words: String,
    now: bool,
}

#[derive(Debug, Template)]
#[template(path = "bench.html")]
struct BenchPage {
    s: Shell,
    config: String,
    machine: String,
    bodies: Vec<String>,
    stations: Vec<StationView>,
    screws: Vec<ScrewView>,
    sealed: Vec<ScrewView>,
    readings: Vec<ReadingRow>,
    findings: Option<Findings>,
    truth: Option<Vec<String>>,
    profiles: Vec<Choice>,
    faults: Vec<Choice>,
    cautions: Vec<&'static str>,
}

pub(crate) async fn bench(State(web): State<Web>, visitor: Visitor) -> Result<Response, Problem> {
    aside(move || {
        web.at_bench(|bench| {
            bench.glance();
            Ok(shown(&page(bench, visitor.shell(Place::Bench), &visitor)))
        })
        .map_err(|e| problem(&web, &e))
    })
    .await
}

fn page(bench: &Bench, s: Shell, visitor: &Visitor) -> BenchPage {
    let (texts, writing) = (&visitor.texts, visitor.writing);
    let screws = |sealed: bool| {
        let all = bench.screws().into_iter();
        all.filter(|a| a.kind.is_sealed() == sealed)
            .map(screw_view)
            .collect()
    };
    BenchPage {
        config: config(bench, texts, writing),
        machine: bench.machine().to_owned(),
        bodies: bench.profile().bodies().to_vec(),
        stations: stations(bench, texts, writing),
        screws: screws(false),
        sealed: screws(true),
        readings: bench
            .readings()
            .iter()
            .map(|r| reading_row(r, texts, writing))
            .collect(),
        findings: bench.findings().map(|f| findings(&f.0, bench, writing)),
        truth: bench.truth().map(<[String]>::to_vec),
        profiles: profile_list()
            .iter()
            .map(|p| Choice {
                code: p.id,
                words: p.summary.to_owned(),
                now: p.id == bench.profile_origin(),
            })
            .collect(),
        faults: faults()
            .map(|fault| Choice {
                code: cause_code(fault.code),
                words: cause_name(fault.code).to_owned(),
                now: false,
            })
            .collect(),
        cautions: cautions_for(CautionWhen::EngineRuns)
            .map(|c| c.text)
            .collect(),
        s,
    }
}

/// A screw under the name people use: the profile's own, or the part and its body.
fn screw_view(adjuster: Adjuster) -> ScrewView {
    let words = if adjuster.kind == AdjusterKind::Balance {
        adjuster.name.clone()
    } else {
        format!("{}, {}", adjuster.kind.words(), adjuster.bodies.join(", "))
    };
    ScrewView {
        name: adjuster.name,
        words,
        less: adjuster.less,
        more: adjuster.more,
    }
}

fn config(bench: &Bench, texts: &Texts, writing: Writing) -> String {
    let tolerance = &bench.profile().tolerance;
    let config = Config {
        bodies: bench.profile().bodies(),
        good_kpa: tolerance.good_kpa,
        act_kpa: tolerance.act_kpa,
        unit: writing.pressure.symbol(),
        per_kpa: writing.pressure.per_kpa(),
        decimals: writing.pressure.decimals(),
        comma: writing.comma,
        texts: texts.section("script"),
    };
    serde_json::to_string(&config).expect("names, numbers and texts can be written as JSON")
}

fn condition_words(condition: Condition, texts: &Texts) -> &str {
    match condition {
        Condition::IdleBleedsShut => texts.at("condition.idle_bleeds_shut"),
        Condition::Idle => texts.at("condition.idle"),
        Condition::Sweep => texts.at("condition.sweep"),
        Condition::Hold => texts.at("condition.hold"),
    }
}

fn stations(bench: &Bench, texts: &Texts, writing: Writing) -> Vec<StationView> {
    bench
        .stations()
        .iter()
        .map(|s| {
            let name = condition_words(s.condition, texts);
            let words = match s.rpm {
                Some(rpm) => format!("{name} {}", writing.fixed(rpm, 0)),
                None => name.to_owned(),
            };
            StationView {
                code: s.code.clone(),
                words,
                now: s.code == bench.station().code,
            }
        })
        .collect()
}

fn reading_row(reading: &BenchReading, texts: &Texts, writing: Writing) -> ReadingRow {
    let all = &reading.depression_kpa;
    let high = all.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let low = all.iter().copied().fold(f64::INFINITY, f64::min);
    ReadingRow {
        words: condition_words(reading.condition, texts).to_owned(),
        rpm: writing.fixed(reading.rpm, 0),
        depressions: all.iter().map(|kpa| writing.pressure(*kpa)).collect(),
        apart: writing.pressure(high - low),
        turned: reading
            .adjusted
            .iter()
            .map(|(name, turns)| format!("{name} {}", signed(*turns, writing)))
            .collect::<Vec<_>>()
            .join(", "),
    }
}

fn signed(turns: f64, writing: Writing) -> String {
    let sign = if turns > 0.0 { "+" } else { "" };
    format!("{sign}{}", writing.fixed(turns, 2))
}

fn findings(found: &Assessment, bench: &Bench, writing: Writing) -> Findings {
    let (headline, odds) = match found.causes.first() {
        Some(cause) => {
            let body = cause.body.as_ref().map(|b| format!(", {b}"));
            let name = cause_name(cause.code);
            (
                format!("{name}{}", body.unwrap_or_default()),
                chance(cause.probability).to_owned(),
            )
        }
        None => (String::new(), String::new()),
    };
    Findings {
        headline,
        odds,
        next: found
            .next_reading
            .as_ref()
            .map(|n| format!("{}: {}", n.what, n.why)),
        steps: found
            .advice
            .iter()
            .enumerate()
            .map(|(i, step)| StepView {
                adjuster: step.adjuster.clone(),
                turns: step.turns.map(|t| {
                    let exact = writing.fixed(t.value, 2);
                    turn_fraction(&t).map_or(exact.clone(), |f| format!("{f} ({exact})"))
                }),
                way: step.way.clone(),
                why: step.why.clone(),
                gate: step.gate.clone(),
                can_follow: bench.can_follow(i),
            })
            .collect(),
    }
}

/// One thing done at the bench, as a form sends it.
pub(crate) async fn bench_do(State(web): State<Web>, form: Posted) -> Result<Response, Problem> {
    let operation = operation(&form)?;
    aside(move || {
        web.at_bench(|bench| bench.operate(&operation))
            .map_err(|e| problem(&web, &e))
    })
    .await?;
    Ok(done(&form))
}

fn operation(form: &Posted) -> Result<Operation, Problem> {
    let adjuster = form.text("adjuster");
    if !adjuster.is_empty() {
        return Ok(Operation::Turn {
            adjuster: adjuster.to_owned(),
            turns: number(form, "turns")?,
        });
    }
    if !form.text("station").is_empty() {
        return Ok(Operation::Station(form.text("station").to_owned()));
    }
    if !form.text("follow").is_empty() {
        let step: usize = form.text("follow").parse().map_err(|_| {
            Problem::Input(format!("`follow` = `{}`: 0, 1, 2 ...", form.text("follow")))
        })?;
        return Ok(Operation::Follow(step));
    }
    match form.text("do") {
        "start" => Ok(Operation::Start),
        "kill" => Ok(Operation::Kill),
        "zero" => Ok(Operation::Zero),
        "again" => Ok(Operation::Again),
        "learn" => Ok(Operation::Learn),
        "reveal" => Ok(Operation::Reveal),
        other => Err(Problem::Input(format!(
            "`do` = `{other}`: start, kill, zero, again, learn, reveal"
        ))),
    }
}

/// A number with decimal point or comma.
fn number(form: &Posted, name: &str) -> Result<f64, Problem> {
    evenpull_app::parse_decimal(form.text(name))
        .map_err(|e| Problem::Input(format!("`{name}`: {e}")))
}

/// Sets up another engine.
pub(crate) async fn bench_new(State(web): State<Web>, form: Posted) -> Result<Response, Problem> {
    let seed = u64::from_le_bytes(random_bytes());
    let (profile, fault) = (form.text("profile"), form.text("fault"));
    // Only the embedded ones: a form must not name files of this machine.
    let known: Vec<&str> = profile_list().iter().map(|p| p.id).collect();
    if !known.contains(&profile) {
        let known = known.join(", ");
        return Err(Problem::Input(format!("`profile` = `{profile}`: {known}")));
    }
    let faults: Vec<Fault> = match fault {
        "none" => Vec::new(),
        "hidden" => drawn(seed),
        code => vec![code.parse().map_err(|e| Problem::Input(format!("{e}")))?],
    };
    let start = set_up(profile, faults, seed).map_err(|e| problem(&web, &e))?;
    let there = web.clone();
    aside(move || there.set_bench(&start).map_err(|e| problem(&there, &e))).await?;
    Ok(done(&form))
}

fn set_up(profile: &str, faults: Vec<Fault>, seed: u64) -> Result<BenchStart, AppError> {
    let profile = load_profile(profile)?;
    Ok(BenchStart {
        machine: profile.profile.name.clone(),
        profile: Arc::new(profile),
        faults,
        seed,
    })
}

/// An exercise on an embedded engine: a hidden fault, drawn by `seed`.
///
/// # Errors
/// [`AppError::NoProfile`].
pub fn exercise(profile: &str, seed: u64) -> Result<BenchStart, AppError> {
    set_up(profile, drawn(seed), seed)
}

/// The faults that the practice engine can show.
fn faults() -> impl Iterator<Item = Fault> {
    fault_codes()
        .filter(|code| *code != "none")
        .filter_map(|code| code.parse().ok())
}

/// A fault by lot; now and then none.
fn drawn(seed: u64) -> Vec<Fault> {
    let mut all: Vec<Fault> = faults().collect();
    let place = usize::try_from(seed % (all.len() as u64 + 1)).unwrap_or(0);
    if place < all.len() {
        vec![all.swap_remove(place)]
    } else {
        Vec::new()
    }
}

/// Assesses the readings taken so far.
pub(crate) async fn bench_assess(
    State(web): State<Web>,
    _form: Posted,
) -> Result<Response, Problem> {
    aside(move || {
        let job = web.at_bench(Bench::job).map_err(|e| problem(&web, &e))?;
        let folder = web.work_folder();
        // The bench is free meanwhile: an assessment takes seconds.
        let found = job.assess_in(&folder);
        // What cannot be removed now goes with the work folder at the end.
        let _ = std::fs::remove_dir_all(&folder);
        let found = found.map_err(|e| problem(&web, &e))?;
        let page = assessment_page(&found, &web.now());
        web.at_bench(|bench| {
            bench.keep(found.assessment, page);
            Ok(())
        })
        .map_err(|e| problem(&web, &e))
    })
    .await?;
    Ok(Redirect::to("/bench#findings-h").into_response())
}

/// The whole findings page. It is self-contained and brings its own style, so it has a policy of
/// its own: styles inline, no script at all.
pub(crate) async fn bench_findings(State(web): State<Web>) -> Result<Response, Problem> {
    let found = aside(move || {
        web.at_bench(|bench| Ok(bench.findings()))
            .map_err(|e| problem(&web, &e))
    })
    .await?;
    let found = found.ok_or(Problem::NotFound)?;
    let policy = "default-src 'none'; style-src 'unsafe-inline'; base-uri 'none'; \
                  form-action 'none'; frame-ancestors 'none'";
    Ok(([(CONTENT_SECURITY_POLICY, policy)], Html(found.1.clone())).into_response())
}

/// Runs what waits or computes beside the threads that answer requests.
async fn aside<T: Send + 'static>(
    work: impl FnOnce() -> Result<T, Problem> + Send + 'static,
) -> Result<T, Problem> {
    match tokio::task::spawn_blocking(work).await {
        Ok(done) => done,
        Err(failed) => match failed.try_into_panic() {
            Ok(panic) => std::panic::resume_unwind(panic),
            // Cancelled: the server is ending.
            Err(_) => Err(Problem::Closed(String::new())),
        },
    }
}

/// After a form: nothing for the script, the bench for a browser without.
fn done(form: &Posted) -> Response {
    if form.by_script {
        StatusCode::NO_CONTENT.into_response()
    } else {
        Redirect::to("/bench").into_response()
    }
}

fn problem(web: &Web, error: &AppError) -> Problem {
    match error.kind() {
        ErrorKind::BadInput => Problem::Input(error.to_string()),
        ErrorKind::Refused => Problem::Closed(error.to_string()),
        _ => web.fault(error.to_string()),
    }
}

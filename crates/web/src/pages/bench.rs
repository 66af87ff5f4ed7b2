//! The bench: the live picture, the screws, the readings and what they say.

use std::sync::Arc;

use askama::Template;
use axum::extract::State;
use axum::http::StatusCode;
use axum::http::header::CONTENT_SECURITY_POLICY;
use axum::response::{Html, IntoResponse, Redirect, Response};
use evenpull_app::{
    AGREE_KPA, Adjuster, AdjusterKind, AppError, Bench, BenchReading, BenchSource, BenchStart,
    Beside, CautionWhen, Comparison, Condition, CrossedView, DRAWN_KPA, Fault, LiveView, Operation,
    ShownFindings, Writing, assessment_page, cause_code, cause_name, cautions_for, fault_codes,
    load_profile, mendable, profile_list,
};
use serde::Serialize;

use super::FINDINGS_POLICY;
use super::aside::{aside, problem};
use super::findings_view::{Findings, findings_view};
use crate::bench_keeper::BenchLink;
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
    /// What zeroed sensors may differ by, and at which depression they are compared [kPa].
    agree_kpa: f64,
    drawn_kpa: f64,
    practice: bool,
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
    crossed: bool,
    rpm: String,
    depressions: Vec<String>,
    apart: String,
    turned: String,
}

/// One line of a list to choose from.
#[derive(Debug)]
pub(crate) struct Choice {
    pub(crate) code: &'static str,
    pub(crate) words: String,
    pub(crate) now: bool,
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
    /// The practice engine, which is operated from here.
    practice: bool,
    /// What the intake strokes say against the hoses; empty where nothing does.
    hoses: String,
    /// How the sensors compared last; empty before.
    compared: String,
    /// How far the readings are kept; empty where they are not.
    kept: String,
    /// What was typed beside the sensors: name of the field, key of its text, value.
    beside: [(&'static str, &'static str, String); 4],
    profiles: Vec<Choice>,
    faults: Vec<Choice>,
    mends: Vec<(&'static str, &'static str)>,
    job: Option<i64>,
    cautions: Vec<&'static str>,
}

pub(crate) async fn bench(State(web): State<Web>, visitor: Visitor) -> Result<Response, Problem> {
    aside(move || {
        web.at_bench(|bench| {
            let glance = bench.glance();
            let mut page = page(bench, web.bench_job(), &visitor);
            let (texts, writing) = (&visitor.texts, visitor.writing);
            page.hoses = hoses_words(&glance.live, texts);
            let compared = glance.comparison;
            page.compared =
                compared.map_or_else(String::new, |c| compared_words(&c, texts, writing));
            let link = web.bench_link();
            page.kept = link.map_or_else(String::new, |l| kept_words(&l, texts));
            Ok(shown(&page))
        })
        .map_err(|e| problem(&web, &e))
    })
    .await
}

fn page(bench: &Bench, job: Option<i64>, visitor: &Visitor) -> BenchPage {
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
        findings: bench
            .findings()
            .map(|f| ShownFindings::of_assessment(&f.0))
            .map(|f| findings_view(&f, |i| bench.can_follow(i), writing)),
        practice: bench.is_practice(),
        hoses: String::new(),
        compared: String::new(),
        kept: String::new(),
        beside: beside_fields(&bench.beside(), writing),
        truth: bench.truth().map(<[String]>::to_vec),
        profiles: profile_list()
            .iter()
            .map(|p| Choice {
                code: p.id,
                words: p.summary.to_owned(),
                now: p.id == bench.profile_origin(),
            })
            .collect(),
        faults: fault_choices(),
        mends: mendable()
            .map(|code| (cause_code(code), cause_name(code)))
            .collect(),
        cautions: cautions_for(CautionWhen::EngineRuns)
            .map(|c| c.text)
            .collect(),
        job,
        s: visitor.shell(Place::Bench),
    }
}

/// What the intake strokes say against the hoses, as the script says it too.
fn hoses_words(live: &LiveView, texts: &Texts) -> String {
    if !live.crossed.is_empty() {
        let pair = |c: &CrossedView| {
            let places = [("trace", c.trace.as_str()), ("on", c.on.as_str())];
            texts.fill("script.crossed_pair", &places)
        };
        let pairs: Vec<String> = live.crossed.iter().map(pair).collect();
        return texts.fill("script.crossed", &[("pairs", &pairs.join(", "))]);
    }
    if live.notices.iter().any(|n| n.code == "firing-unclear") {
        return texts.at("script.firing_unclear").to_owned();
    }
    String::new()
}

/// How the sensors compared, as the script says it too.
fn compared_words(found: &Comparison, texts: &Texts, writing: Writing) -> String {
    let amount = |kpa: f64| {
        let value = writing.fixed(kpa * writing.per_kpa(), writing.decimals() + 1);
        format!("{value} {}", writing.unit())
    };
    let key = if found.agree {
        "script.agree"
    } else if found.below_kpa < DRAWN_KPA {
        "script.not_drawn"
    } else {
        "script.differ"
    };
    texts.fill(
        key,
        &[
            ("apart", &amount(found.apart_kpa)),
            ("below", &amount(found.below_kpa)),
            ("agree", &amount(AGREE_KPA)),
            ("drawn", &amount(DRAWN_KPA)),
        ],
    )
}

/// How far the readings are kept, as the script says it too.
fn kept_words(link: &BenchLink, texts: &Texts) -> String {
    match &link.trouble {
        Some(why) => texts.fill("script.not_kept", &[("why", why)]),
        None => texts.fill(
            "script.kept",
            &[
                ("count", &link.kept.to_string()),
                ("job", &link.job.to_string()),
            ],
        ),
    }
}

/// The fields of what is read beside the sensors.
fn beside_fields(beside: &Beside, writing: Writing) -> [(&'static str, &'static str, String); 4] {
    let shown = |v: Option<f64>| v.map_or_else(String::new, |v| writing.plain(v, 3));
    [
        ("engine_c", "readings.engine_c", shown(beside.engine_c)),
        ("sensor_v", "bench.volts", shown(beside.sensor_v)),
        (
            "ecu_opening_deg",
            "bench.ecu",
            shown(beside.ecu_opening_deg),
        ),
        (
            "idle_valve_steps",
            "bench.valve",
            shown(beside.idle_valve_steps),
        ),
    ]
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
        agree_kpa: AGREE_KPA,
        drawn_kpa: DRAWN_KPA,
        practice: bench.is_practice(),
        unit: writing.unit(),
        per_kpa: writing.per_kpa(),
        decimals: writing.decimals(),
        comma: writing.comma,
        texts: texts.section("script"),
    };
    serde_json::to_string(&config).expect("names, numbers and texts can be written as JSON")
}

pub(crate) fn condition_words(condition: Condition, texts: &Texts) -> &str {
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
        crossed: reading.crossed,
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

/// One thing done at the bench, as a form sends it.
pub(crate) async fn bench_do(State(web): State<Web>, form: Posted) -> Result<Response, Problem> {
    let operation = operation(&form)?;
    let there = web.clone();
    let turned = aside(move || {
        let turned = matches!(operation, Operation::Turn { .. });
        let done = there.at_bench(|bench| {
            bench.operate(&operation)?;
            // Taken while the bench is held: it is this one that was turned.
            Ok(there.bench_link().map(|l| (l.number, bench.turns_made())))
        });
        let link = done.map_err(|e| problem(&there, &e))?;
        Ok(link.filter(|_| turned))
    })
    .await?;
    if let Some((number, turns)) = turned {
        web.turn_kept(number, turns).await;
    }
    Ok(done(&form))
}

fn operation(form: &Posted) -> Result<Operation, Problem> {
    let adjuster = form.text("adjuster");
    if !adjuster.is_empty() {
        return Ok(Operation::Turn {
            adjuster: adjuster.to_owned(),
            turns: form.number("turns")?,
        });
    }
    if !form.text("station").is_empty() {
        return Ok(Operation::Station(form.text("station").to_owned()));
    }
    if !form.text("mend").is_empty() {
        let code = form.text("mend").parse::<Fault>();
        let code = code.map_err(|e| Problem::Input(e.to_string()))?.code;
        return Ok(Operation::Mend(code));
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
        "compare" => Ok(Operation::Compare),
        "beside" => Ok(Operation::Beside(Beside {
            engine_c: form.maybe_number("engine_c")?,
            sensor_v: form.maybe_number("sensor_v")?,
            ecu_opening_deg: form.maybe_number("ecu_opening_deg")?,
            idle_valve_steps: form.maybe_whole("idle_valve_steps")?,
        })),
        other => Err(Problem::Input(format!(
            "`do` = `{other}`: start, kill, zero, again, learn, reveal, compare, beside"
        ))),
    }
}

/// Sets up another engine.
pub(crate) async fn bench_new(State(web): State<Web>, form: Posted) -> Result<Response, Problem> {
    let seed = seed(&form)?;
    let profile = form.text("profile");
    // Only the embedded ones: a form must not name files of this machine.
    let known: Vec<&str> = profile_list().iter().map(|p| p.id).collect();
    if !known.contains(&profile) {
        let known = known.join(", ");
        return Err(form.unknown("profile", &known));
    }
    let faults = chosen_faults(&form, seed)?;
    let start = set_up(profile, faults, seed).map_err(|e| problem(&web, &e))?;
    let there = web.clone();
    aside(move || {
        there
            .set_bench(&start, None)
            .map_err(|e| problem(&there, &e))
    })
    .await?;
    Ok(done(&form))
}

/// Number of the exercise: as typed, else by lot.
pub(crate) fn seed(form: &Posted) -> Result<u64, Problem> {
    match form.text("seed") {
        "" => Ok(u64::from_le_bytes(random_bytes())),
        text => text
            .parse()
            .map_err(|_| form.unknown("seed", "1, 2, 3 ...")),
    }
}

/// The faults a form asks for: by lot, by name, or none; up to two.
pub(crate) fn chosen_faults(form: &Posted, seed: u64) -> Result<Vec<Fault>, Problem> {
    let mut chosen = Vec::new();
    for word in [form.text("fault"), form.text("second")] {
        match word {
            "" | "none" => {}
            "hidden" => chosen.extend(drawn(seed)),
            code => {
                let fault = code.parse::<Fault>();
                chosen.push(fault.map_err(|e| Problem::Input(e.to_string()))?);
            }
        }
    }
    Ok(chosen)
}

/// The faults of the practice engine, to choose from.
pub(crate) fn fault_choices() -> Vec<Choice> {
    faults()
        .map(|fault| Choice {
            code: cause_code(fault.code),
            words: cause_name(fault.code).to_owned(),
            now: false,
        })
        .collect()
}

fn set_up(profile: &str, faults: Vec<Fault>, seed: u64) -> Result<BenchStart, AppError> {
    let profile = load_profile(profile)?;
    Ok(BenchStart {
        machine: profile.profile.name.clone(),
        profile: Arc::new(profile),
        source: BenchSource::Practice {
            faults,
            seed,
            air: None,
        },
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
        let page = assessment_page(&found, &web.now(), web.writing());
        web.at_bench(|bench| {
            bench.keep(found.assessment, page);
            Ok(())
        })
        .map_err(|e| problem(&web, &e))
    })
    .await?;
    Ok(Redirect::to("/bench#findings-h").into_response())
}

/// The whole findings page.
pub(crate) async fn bench_findings(State(web): State<Web>) -> Result<Response, Problem> {
    let found = aside(move || {
        web.at_bench(|bench| Ok(bench.findings()))
            .map_err(|e| problem(&web, &e))
    })
    .await?;
    let found = found.ok_or(Problem::NotFound)?;
    let headers = [(CONTENT_SECURITY_POLICY, FINDINGS_POLICY)];
    Ok((headers, Html(found.1.clone())).into_response())
}

/// After a form: nothing for the script, the bench for a browser without.
fn done(form: &Posted) -> Response {
    if form.by_script {
        StatusCode::NO_CONTENT.into_response()
    } else {
        Redirect::to("/bench").into_response()
    }
}

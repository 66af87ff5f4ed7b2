//! What a moved stop does: in words, as a picture, as numbers. Works without scripts.

use askama::Template;
use axum::extract::{Query, State};
use axum::response::Response;
use evenpull_app::{
    Changed, WhatIf, WhatIfFound, Writing, load_profile, profile_list, stops, what_if,
};
use serde::Deserialize;

use super::aside::{aside, problem};
use crate::page::{Place, Shell, Visitor, shown};
use crate::problem::Problem;
use crate::state::Web;
use crate::texts::Texts;

/// Turns offered, positive = in.
const TURNS: [f64; 8] = [-0.5, -0.25, -0.125, -0.0625, 0.0625, 0.125, 0.25, 0.5];
/// Errors below this do not show on the road [%]; assumed.
const NOTICED_PERCENT: f64 = 1.0;
/// Largest error that the picture shows [%].
const MOST_PERCENT: f64 = 60.0;

#[derive(Debug, Template)]
#[template(path = "what_if.html")]
struct WhatIfPage {
    s: Shell,
    profiles: Vec<(&'static str, &'static str, bool)>,
    stops: Vec<(String, bool)>,
    every: bool,
    turns: Vec<(String, String, bool)>,
    learn: bool,
    said: Vec<String>,
    picture: Picture,
    openings: Vec<String>,
    rows: Vec<(String, Vec<String>)>,
    places: Vec<PlaceRows>,
}

/// The numbers of one place to read at.
#[derive(Debug)]
struct PlaceRows {
    name: String,
    /// What it is, before, after.
    rows: Vec<(String, String, String)>,
}

/// The mixture over the throttle, drawn.
#[derive(Debug)]
struct Picture {
    /// Upright lines: place and words.
    openings: Vec<(String, String)>,
    /// Level lines: place and words.
    percents: Vec<(String, String)>,
    lines: Vec<Line>,
    zero: String,
}

#[derive(Debug)]
struct Line {
    body: String,
    path: String,
    /// Middle of each mark.
    marks: Vec<(String, String)>,
    /// Size of a round mark; the first is the widest, so that all are seen where they agree.
    mark_r: &'static str,
}

/// What is asked.
#[derive(Debug, Default, Deserialize)]
pub(crate) struct WhatIfQuery {
    #[serde(default)]
    profile: String,
    #[serde(default)]
    stop: String,
    #[serde(default)]
    turns: String,
    #[serde(default)]
    learn: String,
}

pub(crate) async fn what_if_page(
    State(web): State<Web>,
    visitor: Visitor,
    Query(query): Query<WhatIfQuery>,
) -> Result<Response, Problem> {
    aside(move || Ok(shown(&page(&web, &visitor, &query)?))).await
}

fn page(web: &Web, visitor: &Visitor, query: &WhatIfQuery) -> Result<WhatIfPage, Problem> {
    let known = profile_list();
    let wanted = if query.profile.is_empty() {
        known.first().map_or("", |p| p.id)
    } else {
        &query.profile
    };
    // Only the embedded ones: an address must not name files of this machine.
    let listed = known.iter().find(|p| p.id == wanted).ok_or_else(|| {
        let ids: Vec<&str> = known.iter().map(|p| p.id).collect();
        let label = visitor.texts.at("bench.profile");
        Problem::Input(format!("`{label}` = `{wanted}`: {}", ids.join(", ")))
    })?;
    let profile = load_profile(listed.id)
        .map_err(|e| problem(web, &e))?
        .profile;
    let names: Vec<String> = stops(&profile).into_iter().map(|a| a.name).collect();
    let every = query.stop == "every";
    // A stop of another engine is forgotten when the engine is changed.
    let stop = names.iter().find(|n| **n == query.stop).or(names.first());
    let turns = match query.turns.as_str() {
        "" => 0.25,
        text => evenpull_app::parse_decimal(text).map_err(|e| {
            let label = visitor.texts.at("what_if.turns");
            Problem::Input(format!("`{label}`: {e}"))
        })?,
    };
    let first_look = query.stop.is_empty();
    let asked = WhatIf {
        stops: if every {
            names.clone()
        } else {
            stop.cloned().into_iter().collect()
        },
        turns,
        learn: first_look || query.learn == "yes",
    };
    let found = what_if(&profile, &asked).map_err(|e| problem(web, &e))?;
    let (texts, writing) = (&visitor.texts, visitor.writing);
    let bodies = profile.bodies();
    let percent = |v: &f64| signed(writing, *v, 0);
    Ok(WhatIfPage {
        profiles: known
            .iter()
            .map(|p| (p.id, p.summary, p.id == listed.id))
            .collect(),
        stops: names
            .iter()
            .map(|n| (n.clone(), !every && Some(n) == stop))
            .collect(),
        every,
        turns: TURNS
            .iter()
            .map(|t| {
                (
                    t.to_string(),
                    turn_words(texts, writing, *t),
                    (t - turns).abs() < 1e-9,
                )
            })
            .collect(),
        learn: asked.learn,
        said: said(&found, &asked, bodies, visitor),
        picture: picture(&found, bodies, writing),
        openings: found
            .openings_deg
            .iter()
            .map(|d| writing.plain(*d, 1))
            .collect(),
        rows: bodies
            .iter()
            .cloned()
            .zip(
                found
                    .air_error_percent
                    .iter()
                    .map(|e| e.iter().map(percent).collect()),
            )
            .collect(),
        places: vec![
            place(texts.at("condition.idle"), &found.idle, bodies, visitor),
            place(texts.at("condition.hold"), &found.hold, bodies, visitor),
        ],
        s: visitor.shell(Place::Bench),
    })
}

fn signed(writing: Writing, value: f64, decimals: usize) -> String {
    let text = writing.fixed(value, decimals);
    if value > 0.0 && text.bytes().any(|b| (b'1'..=b'9').contains(&b)) {
        format!("+{text}")
    } else {
        text
    }
}

fn turn_words(texts: &Texts, writing: Writing, turns: f64) -> String {
    let key = if turns < 0.0 {
        "what_if.out"
    } else {
        "what_if.in"
    };
    texts.fill(key, &[("turns", &writing.plain(turns.abs(), 4))])
}

/// What happens, for somebody who owns the machine.
fn said(found: &WhatIfFound, asked: &WhatIf, bodies: &[String], visitor: &Visitor) -> Vec<String> {
    let (texts, writing) = (&visitor.texts, visitor.writing);
    let Changed { before, after } = &found.idle;
    let mut said = Vec::new();
    let moved = |i: usize| (after.plate_deg[i] - before.plate_deg[i]).abs() > 0.02;
    let which: Vec<&str> = (0..bodies.len())
        .filter(|i| moved(*i))
        .map(|i| bodies[i].as_str())
        .collect();
    said.push(if which.is_empty() {
        texts.at("what_if.carried").to_owned()
    } else {
        texts.fill("what_if.plates", &[("bodies", &which.join(", "))])
    });
    if let Some(deg) = found.believed_at_rest_deg {
        let key = if which.is_empty() {
            "what_if.sees_nothing"
        } else if asked.learn {
            if asked.turns > 0.0 {
                "what_if.blind_in"
            } else {
                "what_if.blind_out"
            }
        } else if deg.abs() <= 0.02 {
            "what_if.sees_nothing"
        } else if deg > 0.0 {
            "what_if.sees_more"
        } else {
            "what_if.sees_less"
        };
        said.push(texts.fill(key, &[("deg", &signed(writing, deg, 2))]));
    }
    for (body, errors) in bodies.iter().zip(&found.air_error_percent) {
        said.push(mixture(found, body, errors, visitor));
    }
    let depressions = |kpa: &[f64]| {
        let high = kpa.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        high - kpa.iter().copied().fold(f64::INFINITY, f64::min)
    };
    let apart = depressions(&after.depression_kpa);
    let key = if apart < 0.5 {
        "what_if.gauges_blind"
    } else {
        "what_if.gauges_see"
    };
    said.push(texts.fill(key, &[("apart", &writing.pressure_unit(apart))]));
    said
}

/// What one cylinder gets.
fn mixture(found: &WhatIfFound, body: &str, errors: &[f64], visitor: &Visitor) -> String {
    let (texts, writing) = (&visitor.texts, visitor.writing);
    let most = (0..errors.len()).max_by(|a, b| errors[*a].abs().total_cmp(&errors[*b].abs()));
    let most = most.unwrap_or(0);
    let error = errors.get(most).copied().unwrap_or(0.0);
    if error.abs() < NOTICED_PERCENT {
        return texts.fill("what_if.right", &[("body", body)]);
    }
    let key = if error > 0.0 {
        "what_if.lean"
    } else {
        "what_if.rich"
    };
    let fades = (most..errors.len()).find(|i| errors[*i].abs() < NOTICED_PERCENT);
    let text = texts.fill(
        key,
        &[
            ("body", body),
            ("percent", &writing.fixed(error.abs(), 0)),
            ("deg", &writing.plain(found.openings_deg[most], 1)),
        ],
    );
    match fades {
        Some(i) => {
            let deg = writing.plain(found.openings_deg[i], 1);
            format!("{text} {}", texts.fill("what_if.fades", &[("deg", &deg)]))
        }
        None => text,
    }
}

fn place(name: &str, changed: &Changed, bodies: &[String], visitor: &Visitor) -> PlaceRows {
    let (texts, writing) = (&visitor.texts, visitor.writing);
    let Changed { before, after } = changed;
    let mut rows = Vec::new();
    for (i, body) in bodies.iter().enumerate() {
        rows.push((
            texts.fill("what_if.depression", &[("body", body)]),
            writing.pressure_unit(before.depression_kpa[i]),
            writing.pressure_unit(after.depression_kpa[i]),
        ));
    }
    for (i, body) in bodies.iter().enumerate() {
        rows.push((
            texts.fill("what_if.plate", &[("body", body)]),
            format!("{}°", writing.fixed(before.plate_deg[i], 2)),
            format!("{}°", writing.fixed(after.plate_deg[i], 2)),
        ));
    }
    let pair = |key: &str, b: f64, a: f64, decimals: usize| {
        (
            texts.at(key).to_owned(),
            writing.fixed(b, decimals),
            writing.fixed(a, decimals),
        )
    };
    if let (Some(b), Some(a)) = (before.sensor_v, after.sensor_v) {
        rows.push(pair("bench.volts", b, a, 3));
    }
    rows.push(pair("bench.valve", before.idle_steps, after.idle_steps, 0));
    rows.push(pair("bench.rpm", before.rpm, after.rpm, 0));
    PlaceRows {
        name: name.to_owned(),
        rows,
    }
}

/// Left, right, top and bottom of the plot in a picture of 640 by 370.
const PLOT: (f64, f64, f64, f64) = (92.0, 612.0, 16.0, 316.0);

fn picture(found: &WhatIfFound, bodies: &[String], writing: Writing) -> Picture {
    let (left, right, top, bottom) = PLOT;
    let all = found.air_error_percent.iter().flatten();
    let widest = all.fold(0.0_f64, |m, e| m.max(e.abs())).min(MOST_PERCENT);
    // A round scale that holds everything; a change of a per cent must not fill the picture.
    let full = [5.0, 10.0, 20.0, 40.0, MOST_PERCENT]
        .into_iter()
        .find(|f| *f >= widest)
        .unwrap_or(MOST_PERCENT);
    let last = (found.openings_deg.len().max(2) - 1) as f64;
    // Each opening is twice the one before: evenly spaced in logarithm.
    let x = |i: usize| left + (right - left) * i as f64 / last;
    let y = |percent: f64| {
        let share = percent.clamp(-full, full) / full;
        0.5 * (top + bottom) - 0.5 * (bottom - top) * share
    };
    let px = |v: f64| format!("{v:.1}");
    let percents = [full, 0.5 * full, 0.0, -0.5 * full, -full];
    let lines: Vec<Line> = bodies
        .iter()
        .zip(&found.air_error_percent)
        .zip(["12", "8", "7", "5"].into_iter().cycle())
        .map(|((body, errors), mark_r)| {
            let points: Vec<(String, String)> = errors
                .iter()
                .enumerate()
                .map(|(i, e)| (px(x(i)), px(y(*e))))
                .collect();
            let path: Vec<String> = points.iter().map(|(x, y)| format!("{x} {y}")).collect();
            Line {
                body: body.clone(),
                path: format!("M{}", path.join("L")),
                marks: points,
                mark_r,
            }
        })
        .collect();
    Picture {
        openings: found
            .openings_deg
            .iter()
            .enumerate()
            .map(|(i, d)| (px(x(i)), writing.plain(*d, 1)))
            .collect(),
        percents: percents
            .map(|p| {
                (
                    px(y(p)),
                    signed(writing, p, if full < 10.0 { 1 } else { 0 }),
                )
            })
            .into(),
        lines,
        zero: px(y(0.0)),
    }
}

//! What the fault does to the mixture, in one picture that an owner understands.

use evenpull_diagnose::{Assessment, Fuelling};

use super::model::{Block, Section};
use super::paper::JobPaper;
use super::shared::key_words;
use crate::row_plot::{Lane, Row, RowPlot, Strip, Value};
use crate::wording::body_words;

/// Openings an owner knows, and the words for them [deg above closed].
const OPENINGS: [(f64, &str); 3] = [
    (2.0, "mixture.just_open"),
    (6.0, "mixture.town"),
    (20.0, "mixture.road"),
];
/// Errors below this are not felt [%]; assumed.
const NOT_FELT_PERCENT: f64 = 3.0;

/// The section on the mixture; `None` where nothing is known about it.
pub(crate) fn consequence(paper: &JobPaper<'_>) -> Option<Section> {
    let t = paper.texts;
    let sides: Vec<(&str, &Assessment)> = match paper.as_found {
        Some(found) => vec![("measured.before", found), ("measured.after", paper.now)],
        None => vec![("mixture.as_read", paper.now)],
    };
    let mut rows = Vec::new();
    let mut desc = t.own("mixture.picture_alt");
    for (opening, words) in OPENINGS {
        for (side, assessment) in &sides {
            let label = format!("{}: {}", t.at(words), t.at(side));
            let lanes = lanes(assessment, opening);
            if lanes.is_empty() {
                continue;
            }
            for (lane, body) in &lanes {
                desc.push_str(&format!(
                    " {label}, {body}: {} %.",
                    paper.writing.figure(lane.value, 0)
                ));
            }
            rows.push(Row {
                label,
                lanes: lanes.into_iter().map(|(v, _)| Lane::Value(v)).collect(),
            });
        }
    }
    let svg = RowPlot {
        id: "mixture-rows",
        title: t.at("mixture.picture"),
        desc: desc.clone(),
        axis: t.at("mixture.axis"),
        rows,
        strips: vec![Strip {
            half_width: NOT_FELT_PERCENT,
            class: "strip-good",
            label: "",
        }],
        about_zero: true,
        writing: paper.writing,
    }
    .draw()?;
    let mut section = Section::new(t.at("mixture.heading"));
    section.push(Block::text(t.at("mixture.how")));
    section.push(Block::Picture {
        svg: super::picture::standing_alone(&svg),
        file: String::new(),
        alt: desc,
        caption: format!("{} {}", t.at("mixture.caption"), key_words(paper)),
        width_percent: 54,
    });
    for (side, assessment) in sides {
        section.push(Block::text(format!(
            "{}: {}",
            t.at(side),
            worst(paper, assessment)
        )));
    }
    Some(section)
}

/// The point of each body nearest to an opening, with its body.
fn lanes(a: &Assessment, opening_deg: f64) -> Vec<(Value, String)> {
    let rpm = crate::mixture::middle_rpm(a);
    let of = |(series, body): (usize, &String)| {
        let speed = |f: &&Fuelling| rpm.is_some_and(|rpm| f.rpm.total_cmp(&rpm).is_eq());
        let mine = a
            .fuelling
            .iter()
            .filter(speed)
            .filter(|f| f.body == *body && whole(f));
        let near = mine.min_by(|x, y| {
            let far = |f: &Fuelling| (f.opening_deg - opening_deg).abs();
            far(x).total_cmp(&far(y))
        })?;
        let error = near.air_error_percent;
        let value = Value {
            series,
            value: error.value,
            outer: Some((error.lo90, error.hi90)),
            ..Value::default()
        };
        Some((value, body_words(body)))
    };
    a.body_names.iter().enumerate().filter_map(of).collect()
}

fn whole(f: &Fuelling) -> bool {
    let e = f.air_error_percent;
    [f.opening_deg, e.value, e.lo90, e.hi90]
        .iter()
        .all(|v| v.is_finite())
}

/// The furthest point in a sentence.
fn worst(paper: &JobPaper<'_>, a: &Assessment) -> String {
    let (t, w) = (paper.texts, paper.writing);
    let size = |f: &&Fuelling| f.air_error_percent.value.abs();
    let furthest = a
        .fuelling
        .iter()
        .filter(|f| whole(f))
        .max_by(|x, y| size(x).total_cmp(&size(y)));
    let Some(f) = furthest else {
        return t.own("mixture.not_known");
    };
    let e = f.air_error_percent;
    let key = if e.lo90 > 0.0 {
        "mixture.worst_lean"
    } else if e.hi90 < 0.0 {
        "mixture.worst_rich"
    } else {
        "mixture.even"
    };
    let (a, b) = (e.lo90.abs(), e.hi90.abs());
    t.fill(
        key,
        &[
            ("body", &body_words(&f.body)),
            ("percent", &w.figure(e.value.abs(), 0)),
            ("low", &w.figure(a.min(b), 0)),
            ("high", &w.figure(a.max(b), 0)),
            ("opening", &w.figure(f.opening_deg, 1)),
        ],
    )
}

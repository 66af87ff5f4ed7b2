//! What the fault does to each cylinder's mixture across the throttle range.

use evenpull_diagnose::{Assessment, Fuelling, Interval};

use crate::legend::{glyph, series_of, shown};
use crate::mixture_plot::mixture_curves;
use crate::number::{fixed, range, signed};

/// The section's table and picture.
#[derive(Debug)]
pub(crate) struct Mixture {
    pub(crate) rows: Vec<MixtureRow>,
    pub(crate) picture: Option<String>,
    /// The worst place, in a sentence.
    pub(crate) worst: Option<String>,
    /// What it means for each body, in sentences.
    pub(crate) words: Vec<String>,
}

/// One operating point of one body.
#[derive(Debug)]
pub(crate) struct MixtureRow {
    pub(crate) glyph: String,
    pub(crate) body: String,
    pub(crate) opening: String,
    pub(crate) rpm: String,
    pub(crate) error: String,
    pub(crate) range: String,
    /// `lean`, `rich` or `not told from even`.
    pub(crate) word: &'static str,
}

/// Table, picture and summary.
pub(crate) fn mixture(assessment: &Assessment) -> Mixture {
    let rows = assessment
        .fuelling
        .iter()
        .map(|f| MixtureRow {
            glyph: glyph(series_of(&assessment.body_names, &f.body)),
            body: shown(&assessment.body_names, &f.body),
            opening: fixed(f.opening_deg, 1),
            rpm: fixed(f.rpm, 0),
            error: signed(f.air_error_percent.value, 1),
            range: range(&f.air_error_percent, 1),
            word: word(&f.air_error_percent),
        })
        .collect();
    Mixture {
        rows,
        picture: mixture_curves("mixture-curves", &by_body(assessment)),
        worst: worst(assessment),
        words: assessment.mixture_words.clone(),
    }
}

/// The middle one of the speeds at which the mixture was worked out [1/min]: the hold.
pub(crate) fn middle_rpm(assessment: &Assessment) -> Option<f64> {
    let mut speeds: Vec<f64> = assessment.fuelling.iter().map(|f| f.rpm).collect();
    speeds.sort_by(f64::total_cmp);
    speeds.dedup();
    speeds.get(speeds.len() / 2).copied()
}

/// Points of each body at the middle one of the speeds, in the order they were given; bodies in the
/// profile's order.
fn by_body(assessment: &Assessment) -> Vec<(usize, Vec<&Fuelling>)> {
    let Some(rpm) = middle_rpm(assessment) else {
        return Vec::new();
    };
    let mut found: Vec<(usize, Vec<&Fuelling>)> = Vec::new();
    let at_speed = |f: &&Fuelling| f.rpm.total_cmp(&rpm).is_eq();
    for point in assessment.fuelling.iter().filter(at_speed) {
        let series = series_of(&assessment.body_names, &point.body);
        let same = |points: &[&Fuelling]| points.iter().any(|p| p.body == point.body);
        match found.iter_mut().find(|(_, points)| same(points)) {
            Some((_, points)) => points.push(point),
            None => found.push((series, vec![point])),
        }
    }
    found.sort_by_key(|(series, _)| *series);
    found
}

fn word(error: &Interval) -> &'static str {
    if !(error.lo90.is_finite() && error.hi90.is_finite() && error.value.is_finite()) {
        "not known"
    } else if error.lo90 > 0.0 {
        "lean"
    } else if error.hi90 < 0.0 {
        "rich"
    } else {
        "not told from even"
    }
}

fn worst(assessment: &Assessment) -> Option<String> {
    let point = assessment
        .fuelling
        .iter()
        .filter(|f| f.air_error_percent.value.is_finite())
        .max_by(|a, b| {
            let size = |f: &Fuelling| f.air_error_percent.value.abs();
            size(a).total_cmp(&size(b))
        })?;
    Some(match word(&point.air_error_percent) {
        word @ ("lean" | "rich") => format!(
            "Furthest off: {} runs {} % {word} at {} degrees above closed and {} rpm.",
            point.body,
            fixed(point.air_error_percent.value.abs(), 0),
            fixed(point.opening_deg, 1),
            fixed(point.rpm, 0)
        ),
        _ => "No body is told apart from an even mixture at its furthest point.".to_owned(),
    })
}

//! Depressions by reading, and where they stand against the limits.

use evenpull_diagnose::Assessment;

use crate::number::{fixed, spread_percent};
use crate::recordings::short_name;
use crate::row_plot::{Lane, Row, RowPlot, Strip, Value};
use crate::scale::extent;
use crate::writing::Writing;

/// Depressions of one reading from one source.
#[derive(Debug)]
pub(crate) struct DepressionRow {
    pub(crate) reading: String,
    pub(crate) source: &'static str,
    /// One cell a body, in the profile's order.
    pub(crate) cells: Vec<String>,
    pub(crate) difference: String,
    pub(crate) spread: String,
    pub(crate) standing: Standing,
}

/// Where a difference stands against the limits.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Standing {
    pub(crate) word: &'static str,
    /// Class of the mark in front of the word.
    pub(crate) class: &'static str,
}

/// Depressions of one reading from one source, as numbers.
struct Source {
    name: String,
    source: &'static str,
    kpa: Vec<Option<f64>>,
}

/// Depressions per reading and source, in the job's order.
///
/// `writing`: the unit of pressures; figures have decimal points.
pub(crate) fn depression_rows(a: &Assessment, writing: Writing) -> Vec<DepressionRow> {
    let cell = |kpa: f64| fixed(kpa * writing.per_kpa(), writing.decimals());
    sources(a)
        .into_iter()
        .map(|s| DepressionRow {
            reading: s.name,
            source: s.source,
            cells: s
                .kpa
                .iter()
                .map(|v| v.map_or("–".to_owned(), cell))
                .collect(),
            difference: difference(&s.kpa).map_or("–".to_owned(), cell),
            spread: spread(&s.kpa).map_or("–".to_owned(), spread_percent),
            standing: standing(difference(&s.kpa), a),
        })
        .collect()
}

/// How far each body's depression stands from the middle of them all, against the limits.
pub(crate) fn depression_picture(a: &Assessment, writing: Writing) -> Option<String> {
    let per = writing.per_kpa();
    let mut desc = format!(
        "Depression of each body minus the middle between highest and lowest. Inner strip: good, \
         difference up to {} kPa; outer strip: watch, up to {} kPa; beyond: act.",
        fixed(a.good_kpa, 1),
        fixed(a.act_kpa, 1)
    );
    let mut rows = Vec::new();
    for s in sources(a) {
        let Some((lo, hi)) = extent(s.kpa.iter().copied().flatten()) else {
            continue;
        };
        if s.kpa.iter().flatten().count() < 2 {
            continue;
        }
        desc.push_str(&format!(
            " {}: difference {} kPa.",
            s.name,
            fixed(hi - lo, 1)
        ));
        let lanes = s.kpa.iter().enumerate().filter_map(|(series, v)| {
            Some(Lane::Value(Value {
                series,
                value: per * ((*v)? - 0.5 * (hi + lo)),
                ..Value::default()
            }))
        });
        let source = if s.source == "gauges" { ", gauges" } else { "" };
        rows.push(Row {
            label: format!("{}{source}", s.name),
            lanes: lanes.collect(),
        });
    }
    let strips = [
        (a.act_kpa, "strip-watch", "watch"),
        (a.good_kpa, "strip-good", "good"),
    ];
    RowPlot {
        id: "depression-rows",
        title: "Depression of each body against the limits",
        desc,
        axis: &format!("{} from the middle of the bodies", writing.unit()),
        rows,
        strips: strips
            .into_iter()
            .filter(|(limit, ..)| limit.is_finite() && *limit > 0.0)
            .map(|(limit, class, word)| Strip {
                half_width: 0.5 * per * limit,
                class,
                label: word,
            })
            .collect(),
        about_zero: true,
        writing,
    }
    .draw()
}

/// Depressions by body in the profile's order, one entry per reading and source.
fn sources(a: &Assessment) -> Vec<Source> {
    let mut found = Vec::new();
    for (i, reading) in a.readings.iter().enumerate() {
        let name = short_name(i, reading);
        if let Some(cycle) = &reading.cycle {
            let of = |body: &String| {
                let channel = cycle.channels.iter().find(|c| c.body == *body)?;
                Some(channel.mean_depression_kpa).filter(|v| v.is_finite())
            };
            let kpa = a.body_names.iter().map(of).collect();
            found.push(Source {
                name: name.clone(),
                source: "recording",
                kpa,
            });
        }
        if let Some(gauges) = &reading.gauge_kpa {
            let of = |i| gauges.get(i).copied().filter(|v: &f64| v.is_finite());
            let kpa = (0..a.body_names.len()).map(of).collect();
            found.push(Source {
                name,
                source: "gauges",
                kpa,
            });
        }
    }
    found
}

fn difference(kpa: &[Option<f64>]) -> Option<f64> {
    let (lo, hi) = extent(kpa.iter().copied().flatten())?;
    (kpa.iter().flatten().count() > 1).then_some(hi - lo)
}

fn spread(kpa: &[Option<f64>]) -> Option<f64> {
    let found: Vec<f64> = kpa.iter().copied().flatten().collect();
    let mean = found.iter().sum::<f64>() / found.len() as f64;
    difference(kpa).filter(|_| mean > 0.0).map(|d| d / mean)
}

fn standing(difference: Option<f64>, a: &Assessment) -> Standing {
    let (word, class) = match difference {
        None => ("nothing to compare", "none"),
        Some(_) if !(a.good_kpa.is_finite() && a.act_kpa.is_finite()) => ("no limits", "none"),
        Some(d) if d <= a.good_kpa => ("good", "good"),
        Some(d) if d <= a.act_kpa => ("watch", "watch"),
        Some(_) => ("act", "act"),
    };
    Standing { word, class }
}

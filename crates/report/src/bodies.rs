//! Where each body stands against the working baseline.

use evenpull_diagnose::{Assessment, BodyFinding, Interval};

use crate::legend::{glyph, series_of, shown};
use crate::number::{fixed, range, signed};
use crate::row_plot::{Lane, NamedPicture, Row, RowPlot, Value};
use crate::writing::Writing;

/// A value and its interval, in words.
#[derive(Debug)]
pub(crate) struct Figure {
    pub(crate) value: String,
    pub(crate) range: String,
}

/// One line of the table.
#[derive(Debug)]
pub(crate) struct BodyRow {
    pub(crate) glyph: String,
    pub(crate) body: String,
    pub(crate) offset: Figure,
    pub(crate) leak: Figure,
    /// `None` on the line of differences, which knows no bleed.
    pub(crate) bleed: Option<Figure>,
}

/// The table of findings and its pictures.
#[derive(Debug)]
pub(crate) struct Bodies {
    pub(crate) rows: Vec<BodyRow>,
    /// First minus second body.
    pub(crate) difference: Option<BodyRow>,
    pub(crate) pictures: Vec<NamedPicture>,
}

/// What a quantity is called, and which interval of a finding it is.
type Quantity = (
    &'static str,
    &'static str,
    &'static str,
    fn(&BodyFinding) -> Interval,
);

const QUANTITIES: [Quantity; 3] = [
    (
        "bodies-offset",
        "Plate offset",
        "degrees, + is more open",
        |b| b.offset_deg,
    ),
    ("bodies-leak", "Leak area", "leak area, mm²", |b| {
        b.leak_mm2
    }),
    ("bodies-bleed", "Bleed area", "bleed area, mm²", |b| {
        b.bleed_mm2
    }),
];

/// Table and pictures; no rows without a fit.
pub(crate) fn bodies(assessment: &Assessment) -> Bodies {
    let pictures = QUANTITIES
        .iter()
        .filter_map(|quantity| {
            Some(NamedPicture {
                name: quantity.1,
                drawing: picture(assessment, quantity)?,
            })
        })
        .collect();
    Bodies {
        rows: assessment
            .bodies
            .iter()
            .map(|b| BodyRow {
                glyph: glyph(series_of(&assessment.body_names, &b.body)),
                body: shown(&assessment.body_names, &b.body),
                offset: figure(&b.offset_deg, signed),
                leak: figure(&b.leak_mm2, fixed),
                bleed: Some(figure(&b.bleed_mm2, fixed)),
            })
            .collect(),
        difference: difference(assessment),
        pictures,
    }
}

fn difference(assessment: &Assessment) -> Option<BodyRow> {
    let found = assessment.difference?;
    let name = match assessment.body_names.as_slice() {
        [first, second, ..] => format!("{first} minus {second}"),
        _ => "first minus second body".to_owned(),
    };
    Some(BodyRow {
        glyph: String::new(),
        body: name,
        offset: figure(&found.offset_deg, signed),
        leak: figure(&found.leak_mm2, signed),
        bleed: None,
    })
}

fn figure(interval: &Interval, words: fn(f64, usize) -> String) -> Figure {
    Figure {
        value: words(interval.value, 2),
        range: range(interval, 2),
    }
}

fn picture(assessment: &Assessment, quantity: &Quantity) -> Option<String> {
    let (id, title, axis, of) = *quantity;
    let found: Vec<(&BodyFinding, Interval)> = assessment
        .bodies
        .iter()
        .map(|b| (b, of(b)))
        .filter(|(_, i)| i.value.is_finite())
        .collect();
    let mut desc = String::from("Best value and 90 % interval.");
    for (body, i) in &found {
        desc.push_str(&format!(
            " {}: {} ({}).",
            body.body,
            fixed(i.value, 2),
            range(i, 2)
        ));
    }
    let rows = found
        .iter()
        .map(|(body, i)| Row {
            label: body.body.clone(),
            lanes: vec![Lane::Value(Value {
                series: series_of(&assessment.body_names, &body.body),
                value: i.value,
                outer: Some((i.lo90, i.hi90)),
                ..Value::default()
            })],
        })
        .collect();
    RowPlot {
        id,
        title,
        desc,
        axis,
        rows,
        strips: Vec::new(),
        about_zero: id == "bodies-offset",
        writing: Writing::default(),
    }
    .draw()
}

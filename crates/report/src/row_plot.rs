//! A picture of rows: one row a reading (or quantity), one lane a body, values with intervals.

use crate::canvas::{Anchor, Canvas, SERIES, shortened};
use crate::scale::{Scale, extent};
use crate::writing::Writing;

const WIDTH: f64 = 360.0;
const LEFT: f64 = 14.0;
const RIGHT: f64 = WIDTH - 14.0;
const LABEL: f64 = 21.0;
const LANE: f64 = 17.0;
const GAP: f64 = 9.0;
const AXIS: f64 = 44.0;
const TICKS: usize = 5;
/// Latin letters that fit a row's label.
const LABEL_ROOM: usize = 46;

/// One body's value in a row.
#[derive(Debug, Clone, PartialEq)]
pub(crate) enum Lane {
    /// A value that stands.
    Value(Value),
    /// No value can be given; drawn as an empty, crossed lane.
    Refused {
        /// Style number of the body.
        series: usize,
    },
}

/// A value with up to two nested intervals and a model's expectation.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(crate) struct Value {
    /// Style number of the body.
    pub(crate) series: usize,
    /// Best value.
    pub(crate) value: f64,
    /// Inner interval, drawn thick.
    pub(crate) inner: Option<(f64, f64)>,
    /// Outer interval, drawn thin with end caps.
    pub(crate) outer: Option<(f64, f64)>,
    /// What the fitted model expects, drawn as a hollow bar.
    pub(crate) expected: Option<f64>,
}

/// A labelled group of lanes.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Row {
    pub(crate) label: String,
    pub(crate) lanes: Vec<Lane>,
}

/// A vertical strip behind all rows.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Strip {
    pub(crate) half_width: f64,
    pub(crate) class: &'static str,
    pub(crate) label: &'static str,
}

/// A picture with its visible heading.
#[derive(Debug)]
pub(crate) struct NamedPicture {
    pub(crate) name: &'static str,
    pub(crate) drawing: String,
}

/// The whole picture.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct RowPlot<'a> {
    pub(crate) id: &'a str,
    pub(crate) title: &'a str,
    pub(crate) desc: String,
    /// Words and unit under the axis.
    pub(crate) axis: &'a str,
    pub(crate) rows: Vec<Row>,
    /// Strips about zero, widest first.
    pub(crate) strips: Vec<Strip>,
    /// Draws the zero line and keeps zero in the middle.
    pub(crate) about_zero: bool,
    /// How its figures are written.
    pub(crate) writing: Writing,
}

impl RowPlot<'_> {
    /// Draws the picture; `None` when no row has anything to show.
    pub(crate) fn draw(&self) -> Option<String> {
        if self.rows.iter().all(|r| r.lanes.is_empty()) {
            return None;
        }
        let top = if self.strips.is_empty() { 6.0 } else { 22.0 };
        let body: f64 = self.rows.iter().map(row_height).sum();
        let bottom = top + body;
        let canvas = Canvas::new(self.id, self.title, &self.desc, WIDTH, bottom + AXIS);
        let mut canvas = canvas.written(self.writing);
        let scale = self.scale();
        self.draw_strips(&mut canvas, &scale, top);
        self.draw_axis(&mut canvas, &scale, top, bottom);
        let mut y = top;
        for row in &self.rows {
            draw_row(&mut canvas, &scale, row, y);
            y += row_height(row);
        }
        Some(canvas.finish())
    }

    fn scale(&self) -> Scale {
        let strips = self.strips.iter().map(|s| s.half_width);
        let found = extent(
            self.rows
                .iter()
                .flat_map(|r| &r.lanes)
                .flat_map(spread_of)
                .chain(strips),
        );
        let (lo, hi) = found.unwrap_or((0.0, 1.0));
        if self.about_zero {
            let reach = 1.08 * lo.abs().max(hi.abs());
            Scale::new(-reach, reach, LEFT, RIGHT)
        } else {
            Scale::round(lo, hi, LEFT, RIGHT, TICKS)
        }
    }

    /// Strips lie behind the lanes only, so that the rows' labels stand on plain ground.
    fn draw_strips(&self, canvas: &mut Canvas, scale: &Scale, mut top: f64) {
        for row in &self.rows {
            let lanes = (top + LABEL, top + LABEL + LANE * row.lanes.len() as f64);
            for strip in &self.strips {
                let ends = (scale.held(-strip.half_width), scale.held(strip.half_width));
                if let (Some(a), Some(b)) = ends {
                    canvas.rect((a, lanes.0), (b, lanes.1), strip.class);
                }
            }
            top += row_height(row);
        }
        self.name_strips(canvas, scale);
    }

    /// Names the narrowest strip over its middle, the wider ones inside their right end.
    fn name_strips(&self, canvas: &mut Canvas, scale: &Scale) {
        let Some(centre) = scale.at(0.0) else { return };
        for (i, strip) in self.strips.iter().rev().enumerate() {
            if i == 0 {
                canvas.text((centre, 13.0), Anchor::Middle, "tick", strip.label);
            } else if let Some(end) = scale.held(strip.half_width) {
                // Narrow strips would lay the names on each other.
                let x = (end - 36.0).max(centre + 22.0 * i as f64);
                canvas.text((x, 13.0), Anchor::Start, "tick", strip.label);
            }
        }
    }

    fn draw_axis(&self, canvas: &mut Canvas, scale: &Scale, top: f64, bottom: f64) {
        let (ticks, decimals) = scale.ticks(TICKS);
        for tick in ticks {
            let Some(x) = scale.at(tick) else { continue };
            canvas.line((x, top), (x, bottom), "grid");
            // A label half outside the picture would be cut off.
            let anchor = if x < LEFT + 6.0 {
                Anchor::Start
            } else if x > RIGHT - 6.0 {
                Anchor::End
            } else {
                Anchor::Middle
            };
            let figure = canvas.figure(tick, decimals);
            canvas.text((x, bottom + 16.0), anchor, "tick", &figure);
        }
        canvas.line((LEFT, bottom), (RIGHT, bottom), "axis");
        if self.about_zero
            && let Some(x) = scale.at(0.0)
        {
            canvas.line((x, top), (x, bottom), "axis");
        }
        canvas.text((RIGHT, bottom + 36.0), Anchor::End, "axis-name", self.axis);
    }
}

fn row_height(row: &Row) -> f64 {
    LABEL + LANE * row.lanes.len() as f64 + GAP
}

fn spread_of(lane: &Lane) -> Vec<f64> {
    match lane {
        Lane::Refused { .. } => Vec::new(),
        Lane::Value(v) => {
            let ends = [v.inner, v.outer].into_iter().flatten();
            let mut all: Vec<f64> = ends.flat_map(|(lo, hi)| [lo, hi]).collect();
            all.push(v.value);
            all.extend(v.expected);
            all
        }
    }
}

fn draw_row(canvas: &mut Canvas, scale: &Scale, row: &Row, top: f64) {
    canvas.text(
        (LEFT, top + 15.0),
        Anchor::Start,
        "row-name halo",
        &shortened(&row.label, LABEL_ROOM),
    );
    for (i, lane) in row.lanes.iter().enumerate() {
        let y = top + LABEL + LANE * (i as f64 + 0.5);
        match lane {
            Lane::Refused { series } => draw_refused(canvas, *series, y),
            Lane::Value(value) => draw_value(canvas, scale, value, y),
        }
    }
}

fn draw_refused(canvas: &mut Canvas, series: usize, y: f64) {
    let half = LANE / 2.0 - 1.5;
    canvas.rect((LEFT, y - half), (RIGHT, y + half), "refused");
    canvas.mark(series, (LEFT + 12.0, y), 4.5);
    canvas.line(
        (LEFT + 4.0, y + 6.0),
        (LEFT + 20.0, y - 6.0),
        "refused-cross",
    );
    canvas.text(
        (LEFT + 26.0, y + 4.0),
        Anchor::Start,
        "tick halo",
        "refused: no area",
    );
}

fn draw_value(canvas: &mut Canvas, scale: &Scale, value: &Value, y: f64) {
    let series = value.series % SERIES;
    let span = |interval: Option<(f64, f64)>| {
        let (lo, hi) = interval.filter(|(lo, hi)| lo.is_finite() && hi.is_finite())?;
        Some((scale.held(lo)?, scale.held(hi)?))
    };
    if let Some((a, b)) = span(value.outer) {
        let thin = format!("s{series} bar-thin");
        canvas.line((a, y), (b, y), &thin);
        canvas.line((a, y - 4.0), (a, y + 4.0), &thin);
        canvas.line((b, y - 4.0), (b, y + 4.0), &thin);
    }
    if let Some((a, b)) = span(value.inner) {
        canvas.line((a, y), (b, y), &format!("s{series} bar-thick"));
    }
    if let Some(x) = scale.at(value.value) {
        canvas.mark(value.series, (x, y), 5.0);
    }
    if let Some(x) = value.expected.and_then(|e| scale.at(e)) {
        canvas.rect(
            (x - 2.5, y - 8.0),
            (x + 2.5, y + 8.0),
            &format!("s{series} expected"),
        );
    }
}

//! The mixture error over the throttle opening, one curve a body.

use evenpull_diagnose::Fuelling;

use crate::canvas::{Anchor, Canvas, SERIES};
use crate::number::fixed;
use crate::scale::{Scale, extent};

const WIDTH: f64 = 360.0;
const HEIGHT: f64 = 262.0;
const LEFT: f64 = 38.0;
const RIGHT: f64 = WIDTH - 12.0;
const TOP: f64 = 10.0;
const BOTTOM: f64 = HEIGHT - 42.0;
/// Openings are spread by their square root, for the error lives at small openings.
const OPENING_TICKS_DEG: [f64; 9] = [0.0, 1.0, 2.0, 5.0, 10.0, 20.0, 40.0, 60.0, 90.0];

/// Draws the curves, one list of points a body; `None` when nothing is finite.
pub(crate) fn mixture_curves(id: &str, bodies: &[(usize, Vec<&Fuelling>)]) -> Option<String> {
    let all = || bodies.iter().flat_map(|(_, points)| points.iter());
    let openings = extent(all().map(|f| root_of_opening(f)))?;
    let errors = extent(all().flat_map(|f| {
        let e = f.air_error_percent;
        [e.value, e.lo90, e.hi90]
    }))?;
    let x = Scale::new(openings.0, openings.1, LEFT + 6.0, RIGHT - 6.0);
    let y = Scale::round(errors.0.min(-2.0), errors.1.max(2.0), BOTTOM, TOP, 6);
    let mut canvas = Canvas::new(
        id,
        "Mixture error over the throttle opening",
        &description(bodies),
        WIDTH,
        HEIGHT,
    );
    axes(&mut canvas, &x, &y, openings);
    for (series, points) in bodies {
        draw_body(&mut canvas, &x, &y, *series, points);
    }
    Some(canvas.finish())
}

/// Place on the axis of openings; stays not finite where the opening is not.
fn root_of_opening(point: &Fuelling) -> f64 {
    if point.opening_deg.is_finite() {
        point.opening_deg.max(0.0).sqrt()
    } else {
        f64::NAN
    }
}

fn description(bodies: &[(usize, Vec<&Fuelling>)]) -> String {
    let mut text = String::from(
        "Air beyond what the ECU fuels for, in per cent, over the opening the ECU believes in. \
         Above zero is lean, below zero is rich.",
    );
    for (_, points) in bodies {
        if let (Some(first), Some(last)) = (points.first(), points.last()) {
            text.push_str(&format!(
                " {}: {} % at {} degrees, {} % at {} degrees.",
                first.body,
                fixed(first.air_error_percent.value, 1),
                fixed(first.opening_deg, 1),
                fixed(last.air_error_percent.value, 1),
                fixed(last.opening_deg, 1)
            ));
        }
    }
    text
}

fn axes(canvas: &mut Canvas, x: &Scale, y: &Scale, openings: (f64, f64)) {
    canvas.levels(y, 6, LEFT, RIGHT);
    for opening in OPENING_TICKS_DEG {
        let root = opening.sqrt();
        let Some(at) = x.at(root) else {
            continue;
        };
        if root >= openings.0 - 1e-9 && root <= openings.1 + 1e-9 {
            canvas.line((at, TOP), (at, BOTTOM), "grid");
            canvas.text(
                (at, BOTTOM + 16.0),
                Anchor::Middle,
                "tick",
                &fixed(opening, 0),
            );
        }
    }
    canvas.line((LEFT, BOTTOM), (RIGHT, BOTTOM), "axis");
    if let Some(zero) = y.at(0.0) {
        canvas.line((LEFT, zero), (RIGHT, zero), "axis");
    }
    let words = [(TOP + 16.0, "↑ lean"), (BOTTOM - 8.0, "↓ rich")];
    for (y, word) in words {
        canvas.text((RIGHT - 4.0, y), Anchor::End, "row-name halo", word);
    }
    canvas.text(
        (RIGHT, BOTTOM + 34.0),
        Anchor::End,
        "axis-name",
        "degrees above closed",
    );
    canvas.text(
        (2.0, BOTTOM + 34.0),
        Anchor::Start,
        "axis-name",
        "% air error",
    );
}

fn draw_body(canvas: &mut Canvas, x: &Scale, y: &Scale, series: usize, points: &[&Fuelling]) {
    let class = series % SERIES;
    let place = |f: &Fuelling, v: f64| Some((x.at(root_of_opening(f))?, y.held(v)?));
    for stretch in points.split(|f| !complete(f)) {
        let upper = stretch
            .iter()
            .filter_map(|f| place(f, f.air_error_percent.hi90));
        let lower = stretch
            .iter()
            .rev()
            .filter_map(|f| place(f, f.air_error_percent.lo90));
        canvas.shape(
            &upper.chain(lower).collect::<Vec<_>>(),
            &format!("s{class} band"),
        );
        let middle: Vec<_> = stretch
            .iter()
            .filter_map(|f| place(f, f.air_error_percent.value))
            .collect();
        canvas.trace(&middle, &format!("s{class} trace"));
        for point in middle {
            canvas.mark(series, point, 4.5);
        }
    }
}

/// A point without all its numbers breaks the curve: a line across it would be invented.
fn complete(point: &Fuelling) -> bool {
    let error = point.air_error_percent;
    let numbers = [point.opening_deg, error.value, error.lo90, error.hi90];
    numbers.iter().all(|v| v.is_finite())
}

//! The measured cycle of every body of one reading, with its band and its refill law.

use evenpull_diagnose::{CycleReading, MeanCycle};

use crate::canvas::{Anchor, Canvas, SERIES};
use crate::legend::series_of;
use crate::number::fixed;
use crate::scale::{Scale, extent};
use crate::writing::Writing;

const WIDTH: f64 = 360.0;
const HEIGHT: f64 = 232.0;
const LEFT: f64 = 38.0;
const RIGHT: f64 = WIDTH - 10.0;
const TOP: f64 = 10.0;
const BOTTOM: f64 = HEIGHT - 42.0;
/// A four-stroke cycle [deg].
const CYCLE_DEG: f64 = 720.0;
/// More points than this cannot be seen and only make the page heavy.
const MOST_POINTS: usize = 180;

/// Draws one panel; `None` when no body has a cycle to show.
pub(crate) fn cycle_panel(
    id: &str,
    title: &str,
    bodies: &[String],
    reading: &CycleReading,
    writing: Writing,
) -> Option<String> {
    let own = in_unit(reading, writing);
    let described = description(reading);
    let reading = &own;
    let range = extent(reading.channels.iter().flat_map(|c| {
        let cycle = &c.cycle;
        points(cycle, &cycle.p_kpa)
            .flat_map(|(_, p, band)| [p - band, p + band])
            .collect::<Vec<_>>()
    }))?;
    let x = Scale::new(0.0, CYCLE_DEG, LEFT, RIGHT);
    let y = Scale::round(range.0, range.1, BOTTOM, TOP, 5);
    let mut canvas = Canvas::new(id, title, &described, WIDTH, HEIGHT);
    axes(&mut canvas, &x, &y, writing.unit());
    for channel in &reading.channels {
        draw_band(
            &mut canvas,
            &x,
            &y,
            &channel.cycle,
            series_of(bodies, &channel.body),
        );
    }
    for channel in &reading.channels {
        draw_lines(
            &mut canvas,
            &x,
            &y,
            &channel.cycle,
            series_of(bodies, &channel.body),
        );
    }
    Some(canvas.finish())
}

/// The cycles with their pressures in the shop's unit.
fn in_unit(reading: &CycleReading, writing: Writing) -> CycleReading {
    let mut own = reading.clone();
    let cycles = own.channels.iter_mut().map(|c| &mut c.cycle);
    for pressures in cycles.flat_map(|c| [&mut c.p_kpa, &mut c.band_kpa, &mut c.fit_kpa]) {
        pressures.iter_mut().for_each(|p| *p *= writing.per_kpa());
    }
    own
}

fn description(reading: &CycleReading) -> String {
    let mut text = format!(
        "Absolute pressure over 720 degrees of crank angle, each body from its own intake start, \
         mean of {} cycles at {} rpm.",
        reading.cycles,
        fixed(reading.rpm.value, 0)
    );
    for channel in &reading.channels {
        text.push_str(&format!(
            " {}: lowest {} kPa, mean depression {} kPa.",
            channel.body,
            fixed(channel.lowest_kpa, 1),
            fixed(channel.mean_depression_kpa, 1)
        ));
    }
    text
}

/// Angle, value and band of the points worth drawing; vectors of unequal length end at the shortest.
fn points<'a>(
    cycle: &'a MeanCycle,
    values: &'a [f64],
) -> impl Iterator<Item = (f64, f64, f64)> + 'a {
    let stride = cycle.crank_deg.len().div_ceil(MOST_POINTS).max(1);
    let last = cycle.crank_deg.len().saturating_sub(1);
    cycle
        .crank_deg
        .iter()
        .zip(values)
        .enumerate()
        .filter(move |(i, _)| i % stride == 0 || *i == last)
        .map(|(i, (&deg, &value))| {
            let band = cycle.band_kpa.get(i).copied().filter(|b| b.is_finite());
            (deg, value, band.unwrap_or(0.0).max(0.0))
        })
}

/// Unbroken stretches of picture points, cut where a value is missing.
fn runs(found: impl Iterator<Item = Option<(f64, f64)>>) -> Vec<Vec<(f64, f64)>> {
    let mut runs = vec![Vec::new()];
    for point in found {
        match (point, runs.last_mut()) {
            (Some(p), Some(run)) => run.push(p),
            (None, Some(run)) if !run.is_empty() => runs.push(Vec::new()),
            _ => {}
        }
    }
    runs
}

fn draw_band(canvas: &mut Canvas, x: &Scale, y: &Scale, cycle: &MeanCycle, series: usize) {
    let edge = |sign: f64| {
        points(cycle, &cycle.p_kpa)
            .filter_map(move |(deg, p, band)| Some((x.at(deg)?, y.at(p + sign * band)?)))
    };
    let mut outline: Vec<_> = edge(1.0).collect();
    let mut lower: Vec<_> = edge(-1.0).collect();
    lower.reverse();
    outline.append(&mut lower);
    canvas.shape(&outline, &format!("s{} band", series % SERIES));
}

fn draw_lines(canvas: &mut Canvas, x: &Scale, y: &Scale, cycle: &MeanCycle, series: usize) {
    let class = series % SERIES;
    let place = |(deg, p, _): (f64, f64, f64)| Some((x.at(deg)?, y.held(p)?));
    for run in runs(points(cycle, &cycle.fit_kpa).map(place)) {
        canvas.trace(&run, &format!("s{class} refill"));
    }
    let measured = runs(points(cycle, &cycle.p_kpa).map(place));
    for run in &measured {
        canvas.trace(run, &format!("s{class} trace"));
    }
    // Marks staggered by body, so that lines lying on each other stay apart.
    let all: Vec<_> = measured.into_iter().flatten().collect();
    let spacing = (all.len() / 4).max(1);
    for point in all
        .iter()
        .skip(spacing * (1 + class % 4) / 5)
        .step_by(spacing)
    {
        canvas.mark(series, *point, 4.0);
    }
}

fn axes(canvas: &mut Canvas, x: &Scale, y: &Scale, unit: &str) {
    canvas.levels(y, 5, LEFT, RIGHT);
    for degrees in [0.0, 180.0, 360.0, 540.0, CYCLE_DEG] {
        if let Some(at) = x.at(degrees) {
            canvas.line((at, TOP), (at, BOTTOM), "grid");
            let anchor = if degrees < CYCLE_DEG {
                Anchor::Middle
            } else {
                Anchor::End
            };
            canvas.text((at, BOTTOM + 16.0), anchor, "tick", &fixed(degrees, 0));
        }
    }
    canvas.line((LEFT, BOTTOM), (RIGHT, BOTTOM), "axis");
    canvas.text(
        (RIGHT, BOTTOM + 34.0),
        Anchor::End,
        "axis-name",
        "degrees after intake start",
    );
    canvas.text(
        (2.0, BOTTOM + 34.0),
        Anchor::Start,
        "axis-name",
        &format!("{unit} absolute"),
    );
}

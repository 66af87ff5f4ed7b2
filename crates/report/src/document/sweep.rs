//! The sweep with its reference: through-area over opening, against what the fitted machine shows.

use evenpull_diagnose::Assessment;

use super::model::{Block, Section};
use super::paper::JobPaper;
use super::picture::standing_alone;
use super::shared::key_words;
use crate::canvas::{Anchor, Canvas};
use crate::scale::{Scale, extent};

const WIDTH: f64 = 360.0;
const HEIGHT: f64 = 230.0;
const LEFT: f64 = 36.0;
const RIGHT: f64 = WIDTH - 10.0;
const TOP: f64 = 8.0;
const BOTTOM: f64 = HEIGHT - 40.0;
/// Fewer openings make no sweep.
const FEWEST: usize = 3;

/// One opening of one body.
struct Point {
    opening_deg: f64,
    area_mm2: f64,
    reference_mm2: Option<f64>,
}

/// The section on the sweep; `None` where there are too few openings.
pub(crate) fn sweep(paper: &JobPaper<'_>) -> Option<Section> {
    let t = paper.texts;
    let a = paper.now;
    let bodies: Vec<Vec<Point>> = (0..a.body_names.len()).map(|i| points(a, i)).collect();
    if bodies.iter().all(|p| p.len() < FEWEST) {
        return None;
    }
    let desc = description(paper, &bodies);
    let drawing = draw(paper, &bodies, &desc)?;
    let mut section = Section::new(t.at("sweep.heading"));
    section.push(Block::text(t.at("sweep.how")));
    section.push(Block::Picture {
        svg: standing_alone(&drawing),
        file: String::new(),
        alt: desc,
        caption: format!("{} {}", t.at("sweep.caption"), key_words(paper)),
        width_percent: 52,
    });
    Some(section)
}

/// Openings of one body, smallest first.
fn points(a: &Assessment, body: usize) -> Vec<Point> {
    let mut all: Vec<Point> = a
        .readings
        .iter()
        .filter_map(|r| {
            let name = &a.body_names[body];
            let channel = r
                .cycle
                .as_ref()?
                .channels
                .iter()
                .find(|c| c.body == *name)?;
            Some(Point {
                opening_deg: r.plate_deg.filter(|d| d.is_finite())?,
                area_mm2: channel.through_area_mm2.map(|s| s.value)?,
                reference_mm2: r
                    .model_area_mm2
                    .get(body)
                    .copied()
                    .filter(|v| v.is_finite()),
            })
        })
        .filter(|p| p.area_mm2.is_finite())
        .collect();
    all.sort_by(|x, y| x.opening_deg.total_cmp(&y.opening_deg));
    all
}

fn description(paper: &JobPaper<'_>, bodies: &[Vec<Point>]) -> String {
    let w = paper.writing;
    let mut desc = paper.texts.own("sweep.picture_alt");
    for (name, points) in paper.now.body_names.iter().zip(bodies) {
        if let (Some(first), Some(last)) = (points.first(), points.last()) {
            desc.push_str(&format!(
                " {name}: {} mm² at {}°, {} mm² at {}°.",
                w.figure(first.area_mm2, 1),
                w.figure(first.opening_deg, 1),
                w.figure(last.area_mm2, 1),
                w.figure(last.opening_deg, 1)
            ));
        }
    }
    desc
}

fn draw(paper: &JobPaper<'_>, bodies: &[Vec<Point>], desc: &str) -> Option<String> {
    let t = paper.texts;
    let all = || bodies.iter().flatten();
    let openings = extent(all().map(|p| p.opening_deg))?;
    let areas = extent(
        all()
            .flat_map(|p| [Some(p.area_mm2), p.reference_mm2])
            .flatten(),
    )?;
    let x = Scale::round(openings.0, openings.1, LEFT + 6.0, RIGHT - 6.0, 6);
    let y = Scale::round(0.0, areas.1, BOTTOM, TOP, 6);
    let canvas = Canvas::new("sweep-picture", t.at("sweep.heading"), desc, WIDTH, HEIGHT);
    let mut canvas = canvas.written(paper.writing);
    canvas.levels(&y, 6, LEFT, RIGHT);
    let (ticks, decimals) = x.ticks(6);
    for tick in ticks {
        if let Some(at) = x.at(tick) {
            canvas.line((at, TOP), (at, BOTTOM), "grid");
            canvas.text(
                (at, BOTTOM + 15.0),
                Anchor::Middle,
                "tick",
                &paper.writing.figure(tick, decimals),
            );
        }
    }
    canvas.line((LEFT, BOTTOM), (RIGHT, BOTTOM), "axis");
    canvas.text(
        (RIGHT, BOTTOM + 33.0),
        Anchor::End,
        "axis-name",
        t.at("sweep.opening_axis"),
    );
    canvas.text(
        (2.0, BOTTOM + 33.0),
        Anchor::Start,
        "axis-name",
        t.at("sweep.area_axis"),
    );
    for (series, points) in bodies.iter().enumerate() {
        let line: Vec<(f64, f64)> = points
            .iter()
            .filter_map(|p| Some((x.at(p.opening_deg)?, y.at(p.reference_mm2?)?)))
            .collect();
        canvas.trace(&line, &format!("s{} trace", series % crate::canvas::SERIES));
        for p in points {
            if let (Some(px), Some(py)) = (x.at(p.opening_deg), y.at(p.area_mm2)) {
                canvas.mark(series, (px, py), 4.5);
            }
        }
    }
    Some(canvas.finish())
}

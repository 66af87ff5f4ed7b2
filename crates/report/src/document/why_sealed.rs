//! One page for owners: why sealed parts stay sealed, in the figures of this engine.

use super::model::{Block, Document, Section};
use super::paper::JobPaper;
use super::picture::standing_alone;
use super::shared::begun;
use crate::canvas::{Anchor, Canvas};
use crate::scale::Scale;

/// What a small turn of one stop does to one body, by the engine's own geometry.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct TurnedStop {
    /// How much further the plate stands open [deg].
    pub opened_deg: f64,
    /// Through-area of the body at idle before [mm2].
    pub before_mm2: f64,
    /// The same after the turn [mm2].
    pub after_mm2: f64,
    /// Opening the fuel computer believes in [deg], and air beyond what it reckons with [%].
    pub air_error_percent: Vec<(f64, f64)>,
}

/// The page for owners.
pub fn why_sealed(paper: &JobPaper<'_>, turned: &TurnedStop) -> Document {
    let t = paper.texts;
    let mut document = begun(paper, "why.title");
    document.sections = vec![what(paper, turned), how_far(paper, turned)];
    for (heading, keys) in [
        (
            "why.back_heading",
            &["why.back_mark", "why.back_learn", "why.back_balance"][..],
        ),
        ("why.instead_heading", &["why.instead"]),
        ("why.broken_heading", &["why.broken"]),
    ] {
        let mut section = Section::new(t.at(heading));
        let texts = keys.iter().map(|key| t.own(key));
        section.push(match keys.len() {
            1 => Block::text(t.at(keys[0])),
            _ => Block::List {
                items: texts.collect(),
            },
        });
        document.sections.push(section);
    }
    document
}

fn what(paper: &JobPaper<'_>, turned: &TurnedStop) -> Section {
    let (t, w) = (paper.texts, paper.writing);
    let mut section = Section::new(t.at("why.subtitle_heading"));
    let percent = 100.0 * (turned.after_mm2 / turned.before_mm2 - 1.0);
    section.push(Block::text(
        t.fill("why.screw", &[("degrees", &w.figure(turned.opened_deg, 2))]),
    ));
    section.push(Block::lead(t.fill(
        "why.air",
        &[
            ("percent", &w.figure(percent, 0)),
            ("before", &w.figure(turned.before_mm2, 1)),
            ("after", &w.figure(turned.after_mm2, 1)),
        ],
    )));
    section.push(Block::text(t.fill(
        "why.computer",
        &[("degrees", &w.figure(turned.opened_deg, 2))],
    )));
    section
}

fn how_far(paper: &JobPaper<'_>, turned: &TurnedStop) -> Section {
    let (t, w) = (paper.texts, paper.writing);
    let mut section = Section::new(t.at("why.picture_heading"));
    let mut alt = t.own("why.picture_alt");
    for (deg, percent) in &turned.air_error_percent {
        alt.push_str(&format!(
            " {}°: {} %.",
            w.figure(*deg, 0),
            w.figure(*percent, 0)
        ));
    }
    section.push(Block::Picture {
        svg: standing_alone(&bars(paper, turned, &alt)),
        file: String::new(),
        alt,
        caption: t.fill("why.caption", &[("profile", &paper.profile.name)]),
        width_percent: 64,
    });
    section
}

/// One bar an opening, its figure at the end.
fn bars(paper: &JobPaper<'_>, turned: &TurnedStop, alt: &str) -> String {
    const WIDTH: f64 = 360.0;
    const LEFT: f64 = 104.0;
    const ROW: f64 = 24.0;
    let (t, w) = (paper.texts, paper.writing);
    let errors = &turned.air_error_percent;
    let most = errors.iter().map(|(_, e)| *e).fold(1.0, f64::max);
    let x = Scale::new(0.0, most, LEFT, WIDTH - 48.0);
    let height = 8.0 + ROW * errors.len() as f64 + 26.0;
    let mut canvas = Canvas::new("why-bars", t.at("why.picture"), alt, WIDTH, height);
    for (i, (deg, percent)) in errors.iter().enumerate() {
        let y = 8.0 + ROW * i as f64;
        let name = t.fill("why.opening", &[("deg", &w.figure(*deg, 0))]);
        canvas.text((LEFT - 6.0, y + 14.0), Anchor::End, "row-name", &name);
        if let Some(end) = x.held(percent.max(0.0)) {
            canvas.rect(
                (LEFT, y + 2.0),
                (end.max(LEFT + 1.0), y + ROW - 5.0),
                "metal",
            );
            let figure = format!("{} %", w.figure(*percent, 0));
            canvas.text((end + 5.0, y + 14.0), Anchor::Start, "row-name", &figure);
        }
    }
    let bottom = height - 22.0;
    canvas.line((LEFT, 6.0), (LEFT, bottom), "axis");
    canvas.text(
        (LEFT, height - 6.0),
        Anchor::Start,
        "axis-name",
        t.at("why.axis"),
    );
    canvas.finish()
}

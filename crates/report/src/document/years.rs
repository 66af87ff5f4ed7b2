//! The visits of a machine in its papers: wear with a forecast, what was changed between visits, and the
//! pictures of what moves.

use evenpull_diagnose::{Axis, Interval, Quantity, Series};

use super::model::{Block, Section};
use super::paper::{JobPaper, PaperYears};
use super::picture::standing_alone;
use super::texts::DocumentTexts;
use crate::writing::Writing;
use crate::years_plot::{years_description, years_figures, years_picture, years_title};

/// Pictures in one document; the machine's page has them all.
const MOST_PICTURES: usize = 4;
/// Distance that a rate counts by [km]; see [`Axis::per`].
const PER_KM: f64 = 10_000.0;
/// Visits that make a history.
const FEWEST_VISITS: usize = 2;

/// The section on the visits; `None` where this visit is the only one.
pub(crate) fn years(paper: &JobPaper<'_>) -> Option<Section> {
    let years = told(paper)?;
    let (t, w) = (paper.texts, paper.writing);
    let mut section = Section::new(t.at("years.heading"));
    section.push(Block::text(
        t.fill("years.how", &[("visits", &years.labels.len().to_string())]),
    ));
    let mut items = forecast(paper);
    items.extend(years.moved.iter().map(|text| w.sentence(text)));
    if items.is_empty() {
        items.push(t.own("years.still"));
    }
    items.extend(years.history.changes.iter().map(|change| {
        t.fill(
            "years.changed",
            &[
                ("what", &w.sentence(&change.text)),
                ("percent", &w.figure(100.0 * change.probability, 0)),
            ],
        )
    }));
    let notices = years.history.notices.iter();
    items.extend(notices.map(|n| w.sentence(&n.text)));
    section.push(Block::List { items });
    let shown = shown(years);
    for index in shown.iter().take(MOST_PICTURES) {
        if let Some(picture) = picture(paper.texts, years, *index, w) {
            section.push(picture);
        }
    }
    section.push(Block::note(if shown.len() > MOST_PICTURES {
        let more = (shown.len() - MOST_PICTURES).to_string();
        t.fill("years.more", &[("more", &more)])
    } else {
        t.own("years.key")
    }));
    Some(section)
}

/// One sentence for each quantity that is known to change; where a limit is ahead, when.
pub(crate) fn forecast(paper: &JobPaper<'_>) -> Vec<String> {
    let Some(years) = told(paper) else {
        return Vec::new();
    };
    let all = years.history.series.iter();
    all.filter_map(|s| {
        let trend = s.trend.filter(|trend| trend.known)?;
        Some(rate(paper, years, s, &trend.rate))
    })
    .collect()
}

fn told<'a>(paper: &'a JobPaper<'_>) -> Option<&'a PaperYears> {
    let years = paper.record.years.as_ref()?;
    (years.labels.len() >= FEWEST_VISITS).then_some(years)
}

fn rate(paper: &JobPaper<'_>, years: &PaperYears, series: &Series, rate: &Interval) -> String {
    let (t, w) = (paper.texts, paper.writing);
    let per = match years.history.axis {
        Axis::Distance => {
            let distance = w.figure(PER_KM, 0);
            t.fill("years.per_distance", &[("distance", &distance)])
        }
        Axis::Time => t.own("years.per_time"),
    };
    let figures = years_figures(series.quantity, w);
    let change = |v: f64| {
        let figure = figures.figure(v, 1);
        // A change says which way it goes; a written minus stands there already.
        if v > 0.0 {
            format!("+{figure}")
        } else {
            figure
        }
    };
    let sentence = t.fill(
        "years.rate",
        &[
            ("what", &years_title(series, t)),
            ("rate", &change(rate.value)),
            ("low", &change(rate.lo90)),
            ("high", &change(rate.hi90)),
            ("unit", &figures.unit_words(t)),
            ("per", &per),
            ("visits", &series.dots.len().to_string()),
        ],
    );
    let ahead = limit(t, w, series).unwrap_or_else(|| t.own("years.no_limit"));
    format!("{sentence} {ahead}")
}

fn limit(t: &DocumentTexts, w: Writing, series: &Series) -> Option<String> {
    let f = series.forecast?;
    let at = f.distance_km.filter(|d| d.value.is_finite())?;
    let end = |v: f64| {
        if v.is_finite() {
            format!("{} km", w.figure(v, 0))
        } else {
            t.own("years.never")
        }
    };
    let figures = years_figures(series.quantity, w);
    let limit = figures.figure(f.limit, 0);
    Some(t.fill(
        "years.reached",
        &[
            ("limit", &format!("{limit} {}", figures.unit_words(t))),
            ("at", &end(at.value)),
            ("low", &end(at.lo90)),
            ("high", &end(at.hi90)),
        ],
    ))
}

/// Series worth a picture: what moves or stepped, else the leaks, by which a spindle wears.
fn shown(years: &PaperYears) -> Vec<usize> {
    let all = || years.history.series.iter().enumerate();
    let of = |keep: &dyn Fn(&Series) -> bool| -> Vec<usize> {
        let read = |s: &Series| s.dots.len() >= FEWEST_VISITS;
        all()
            .filter(|(_, s)| read(s) && keep(s))
            .map(|(i, _)| i)
            .collect()
    };
    let moving = of(&|s| s.trend.is_some_and(|t| t.known) || !s.steps.is_empty());
    if moving.is_empty() {
        of(&|s| s.quantity == Quantity::Leak)
    } else {
        moving
    }
}

fn picture(
    texts: &DocumentTexts,
    years: &PaperYears,
    index: usize,
    writing: Writing,
) -> Option<Block> {
    let series = years.history.series.get(index)?;
    let drawing = years_picture(&years.history, index, &years.labels, texts, writing)?;
    Some(Block::Picture {
        svg: standing_alone(&drawing),
        file: String::new(),
        alt: years_description(series, &years.labels, texts, writing),
        caption: years_title(series, texts),
        width_percent: 46,
    })
}

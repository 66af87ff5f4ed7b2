//! The history section of a machine's page.

use evenpull_app::{MachineHistory, MovedAnswer, RangeAnswer, SeriesAnswer};

use crate::state::Web;

/// One quantity.
#[derive(Debug)]
pub(super) struct YearsRow {
    /// Quantity and part.
    pub(super) title: String,
    /// Its picture.
    pub(super) svg: String,
    /// How it changes, with its interval; empty where that is not known.
    pub(super) rate: String,
    /// When its limit is reached; empty where that is not foreseen.
    pub(super) reached: String,
}

/// Something changed between two visits.
#[derive(Debug)]
pub(super) struct YearsChange {
    /// Job that shows it first.
    pub(super) job: i64,
    /// One sentence.
    pub(super) text: String,
    /// Probability [%], of what somebody changed.
    pub(super) percent: Option<String>,
}

/// The years of a machine.
#[derive(Debug)]
pub(super) struct YearsView {
    /// What was changed behind the shop's back, latest first, then what else moved.
    pub(super) changes: Vec<YearsChange>,
    /// What moves: a known trend, a forecast or a step.
    pub(super) moving: Vec<YearsRow>,
    /// Everything else.
    pub(super) still: Vec<YearsRow>,
    /// Doubts.
    pub(super) notices: Vec<String>,
    /// Jobs without findings that could be used.
    pub(super) without: Vec<i64>,
}

pub(super) fn view(history: &MachineHistory, web: &Web) -> YearsView {
    let answer = history.answer();
    let (mut moving, mut still) = (Vec::new(), Vec::new());
    for (i, series) in answer.series.iter().enumerate() {
        let Some(svg) = history.picture(i, web.writing()) else {
            continue;
        };
        let row = YearsRow {
            title: history.title(i),
            svg,
            rate: rate(series, answer.rate_per, web),
            reached: reached(series, web),
        };
        let own = |m: &&MovedAnswer| m.quantity == series.quantity && m.part == series.part;
        let moves = series.rate_known
            || !history.history.series[i].steps.is_empty()
            || answer.moved.iter().any(|m| own(&m));
        if moves {
            moving.push(row);
        } else {
            still.push(row);
        }
    }
    let change = |c: &evenpull_app::ChangeAnswer| YearsChange {
        job: c.job,
        text: sentence(&c.text),
        percent: Some(format!("{:.0}", 100.0 * c.probability)),
    };
    let moved = |m: &MovedAnswer| YearsChange {
        job: m.job,
        text: sentence(&web.writing().sentence(&m.text)),
        percent: None,
    };
    let changed = answer.changes.iter().rev().map(change);
    YearsView {
        changes: (changed.chain(answer.moved.iter().rev().map(moved))).collect(),
        moving,
        still,
        notices: answer.notices,
        without: answer.without,
    }
}

fn sentence(text: &str) -> String {
    let mut letters = text.chars();
    let head = letters.next().into_iter().flat_map(char::to_uppercase);
    head.chain(letters).collect()
}

/// A range in another unit, `per` of it in one of its own.
fn scaled(range: RangeAnswer, per: f64) -> RangeAnswer {
    let scale = |v: Option<f64>| v.map(|v| v * per);
    RangeAnswer {
        value: scale(range.value),
        lo90: scale(range.lo90),
        hi90: scale(range.hi90),
    }
}

fn span(range: RangeAnswer, digits: usize, web: &Web) -> Option<String> {
    let figure = |v: Option<f64>| v.map(|v| web.writing().fixed(v, digits));
    let open = || web.texts().at("years.open").to_owned();
    let hi = figure(range.hi90).unwrap_or_else(open);
    Some(format!(
        "{} ({} {} {hi})",
        figure(range.value)?,
        figure(range.lo90)?,
        web.texts().at("years.to")
    ))
}

fn rate(series: &SeriesAnswer, per: &str, web: &Web) -> String {
    let texts = web.texts();
    let writing = web.writing();
    let (unit, digits) = match series.quantity {
        q if q.ends_with("_mm2") => ("mm\u{b2}", 2),
        q if q.ends_with("_deg") => ("\u{b0}", 3),
        q if q.ends_with("_v") => ("V", 4),
        q if q.ends_with("steps") => (texts.at("years.steps"), 1),
        q if q.ends_with("percent") => ("%", 2),
        _ => (writing.unit(), writing.decimals() + 1),
    };
    let per_own = if series.quantity.ends_with("_kpa") {
        writing.per_kpa()
    } else {
        1.0
    };
    let text = series
        .rate
        .and_then(|r| span(scaled(r, per_own), digits, web));
    text.map_or(String::new(), |t| {
        format!("{t} {unit} {} {per}", web.texts().at("years.per"))
    })
}

fn reached(series: &SeriesAnswer, web: &Web) -> String {
    let text = match (series.limit_at_km, series.limit_in_days) {
        (Some(km), _) => span(km, 0, web).map(|t| format!("{t} km")),
        (None, Some(days)) => {
            span(days, 0, web).map(|t| format!("{t} {}", web.texts().at("years.days")))
        }
        (None, None) => None,
    };
    text.unwrap_or_default()
}

//! One quantity of one machine over the visits: what was read, the wear, and where it leads.
//!
//! Dots with their 90 % intervals, the fitted level as a band through them and on beyond the last visit
//! where a trend is known, the limit as a broken line, and a mark where somebody changed something.

use evenpull_diagnose::{Axis, History, Interval, Quantity, Series};

use crate::canvas::{Anchor, Canvas, SERIES};
use crate::document::DocumentTexts;
use crate::scale::{Scale, extent};
use crate::writing::Writing;

const WIDTH: f64 = 360.0;
const HEIGHT: f64 = 230.0;
const LEFT: f64 = 44.0;
const RIGHT: f64 = WIDTH - 12.0;
const TOP: f64 = 14.0;
const BOTTOM: f64 = HEIGHT - 42.0;

/// Days in a year, for the axis.
const YEAR_D: f64 = 365.25;

/// Least width of the picture [1,000 km or years].
const LEAST: f64 = 0.2;

/// Share of the picture that a limit may take from the readings before it is left out and named in
/// words only.
const ROOM: f64 = 2.5;

/// How the figures of a quantity are written.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Figures {
    writing: Writing,
    /// The shop's unit in one of the quantity's own.
    per: f64,
    decimals: usize,
    /// Unit as it is written behind a number.
    unit: &'static str,
}

impl Figures {
    /// The unit in the words of a table of texts; symbols stay.
    pub(crate) fn unit_words(self, texts: &DocumentTexts) -> String {
        match self.unit {
            "steps" => texts.own("years.steps"),
            "degrees" => texts.own("years.degrees"),
            symbol => symbol.to_owned(),
        }
    }

    /// A value in the quantity's own unit; `finer` decimals more than it is read to.
    pub(crate) fn figure(self, value: f64, finer: usize) -> String {
        self.writing.figure(self.per * value, self.decimals + finer)
    }
}

/// How the figures of `quantity` are written in this shop.
pub(crate) fn years_figures(quantity: Quantity, writing: Writing) -> Figures {
    let (per, decimals, unit) = match quantity.unit() {
        "kPa" => (writing.per_kpa(), writing.decimals(), writing.unit()),
        "V" => (1.0, 3, "V"),
        "steps" => (1.0, 0, "steps"),
        "%" => (1.0, 1, "%"),
        "mm2" => (1.0, 2, "mm²"),
        "deg" => (1.0, 2, "degrees"),
        unit => (1.0, 2, unit),
    };
    Figures {
        writing,
        per,
        decimals,
        unit,
    }
}

/// The picture of one series by its place in the history; `None` when nothing is finite.
///
/// `labels` name the visits as in the history; `texts` hold every word. Bodies keep their colour and mark from picture to picture.
pub fn years_picture(
    history: &History,
    index: usize,
    labels: &[String],
    texts: &DocumentTexts,
    writing: Writing,
) -> Option<String> {
    let series = history.series.get(index)?;
    let same = |s: &&Series| s.quantity == series.quantity;
    let number = (history.series.iter().filter(same))
        .position(|s| s.part == series.part)
        .unwrap_or(0);
    let figures = years_figures(series.quantity, writing);
    let unit = figures.unit_words(texts);
    let first = series.dots.first()?.at;
    let place = |at: f64| match history.axis {
        Axis::Distance => at / 1_000.0,
        Axis::Time => (at - first) / YEAR_D,
    };
    let ends = |i: &Interval| [i.lo90, i.value, i.hi90];
    let across = extent(
        (series.dots.iter().map(|d| d.at))
            .chain(series.ahead.iter().map(|a| a.0))
            .map(place),
    )?;
    let read = extent(
        series
            .dots
            .iter()
            .flat_map(|d| ends(&d.read).into_iter().chain(ends(&d.level)))
            .chain(series.ahead.iter().flat_map(|a| ends(&a.1))),
    )?;
    let limits = limits_shown(series, read);
    let high = extent(limits.iter().copied().chain([read.0, read.1]))?;
    // Visits of one day would ask for more digits than there is room for.
    let x = Scale::new(
        across.0,
        across.1.max(across.0 + LEAST),
        LEFT + 10.0,
        RIGHT - 10.0,
    );
    let y = Scale::round(figures.per * high.0, figures.per * high.1, BOTTOM, TOP, 5);
    let title = years_title(series, texts);
    let id = format!("years-{index}");
    let described = years_description(series, labels, texts, writing);
    let mut canvas = Canvas::new(&id, &title, &described, WIDTH, HEIGHT).written(writing);
    let across = match history.axis {
        Axis::Distance => {
            let thousand = canvas.figure(1_000.0, 0);
            texts.fill("years.axis_distance", &[("thousand", &thousand)])
        }
        Axis::Time => texts.own("years.axis_time"),
    };
    axes(&mut canvas, &x, &y, &across, &unit);
    let up = Upright {
        y,
        per: figures.per,
    };
    for limit in limits {
        if let Some(at) = up.at(limit) {
            canvas.line((LEFT, at), (RIGHT, at), "limit");
            let word = texts.at("years.limit");
            canvas.text((RIGHT - 4.0, at - 4.0), Anchor::End, "tick halo", word);
        }
    }
    changed(&mut canvas, &x, series, texts, place);
    level(&mut canvas, &x, &up, series, number, place);
    for dot in &series.dots {
        let at = |v: f64| Some((x.at(place(dot.at))?, up.held(v)?));
        if let (Some(lo), Some(hi), Some(middle)) =
            (at(dot.read.lo90), at(dot.read.hi90), at(dot.read.value))
        {
            let class = number % SERIES;
            canvas.line(lo, hi, &format!("s{class} bar-thin"));
            canvas.mark(number, middle, 5.0);
        }
    }
    Some(canvas.finish())
}

/// Quantity and part in words.
pub fn years_title(series: &Series, texts: &DocumentTexts) -> String {
    let key = format!("quantity.{}", series.quantity.code());
    let words = texts.at(&key);
    match series.part.as_str() {
        "" => words.to_owned(),
        part => texts.fill("years.of_part", &[("what", words), ("part", part)]),
    }
}

/// The upright scale, in the shop's unit, for values in the quantity's own.
struct Upright {
    y: Scale,
    per: f64,
}

impl Upright {
    fn at(&self, value: f64) -> Option<f64> {
        self.y.at(self.per * value)
    }

    fn held(&self, value: f64) -> Option<f64> {
        self.y.held(self.per * value)
    }
}

fn limits_shown(series: &Series, read: (f64, f64)) -> Vec<f64> {
    let span = (read.1 - read.0).max(1e-9);
    let near = |v: &f64| (v - read.0).abs().max((v - read.1).abs()) < (1.0 + ROOM) * span;
    let limit = series.limit;
    [limit.and_then(|l| l.lo), limit.and_then(|l| l.hi)]
        .into_iter()
        .flatten()
        .filter(near)
        .collect()
}

/// What a picture shows, for those who do not see it.
pub(crate) fn years_description(
    series: &Series,
    labels: &[String],
    texts: &DocumentTexts,
    writing: Writing,
) -> String {
    let figures = years_figures(series.quantity, writing);
    let unit = figures.unit_words(texts);
    let value = |v: f64| format!("{} {unit}", figures.figure(v, 0));
    let name = |visit: usize| labels.get(visit).map_or("", String::as_str);
    let mut told = Vec::new();
    if let (Some(first), Some(last)) = (series.dots.first(), series.dots.last()) {
        told.push(texts.fill(
            "years.picture_alt",
            &[
                ("visits", &series.dots.len().to_string()),
                ("first", &value(first.read.value)),
                ("first_visit", name(first.visit)),
                ("last", &value(last.read.value)),
                ("last_visit", name(last.visit)),
            ],
        ));
    }
    for step in &series.steps {
        let size = value(step.size.value);
        let values = [("size", size.as_str()), ("visit", name(step.visit))];
        told.push(texts.fill("years.step_alt", &values));
    }
    if let Some(forecast) = series.forecast {
        let limit = value(forecast.limit);
        told.push(texts.fill("years.limit_alt", &[("limit", &limit)]));
    }
    told.join(" ")
}

fn axes(canvas: &mut Canvas, x: &Scale, y: &Scale, across: &str, unit: &str) {
    canvas.levels(y, 5, LEFT, RIGHT);
    let (ticks, digits) = x.ticks(5);
    for tick in ticks {
        if let Some(at) = x.at(tick) {
            canvas.line((at, TOP), (at, BOTTOM), "grid");
            let figure = canvas.figure(tick, digits);
            canvas.text((at, BOTTOM + 16.0), Anchor::Middle, "tick", &figure);
        }
    }
    canvas.line((LEFT, BOTTOM), (RIGHT, BOTTOM), "axis");
    canvas.text((RIGHT, BOTTOM + 34.0), Anchor::End, "axis-name", across);
    canvas.text((2.0, BOTTOM + 34.0), Anchor::Start, "axis-name", unit);
}

/// Where something stepped, and where the shop set it itself.
fn changed(
    canvas: &mut Canvas,
    x: &Scale,
    series: &Series,
    texts: &DocumentTexts,
    place: impl Fn(f64) -> f64,
) {
    for pair in series.dots.windows(2) {
        let stepped = series.steps.iter().any(|s| s.visit == pair[1].visit);
        let word = match (stepped, pair[1].set) {
            (true, _) => texts.at("years.changed_here"),
            (_, true) => texts.at("years.set_here"),
            _ => continue,
        };
        if let Some(at) = x.at(0.5 * (place(pair[0].at) + place(pair[1].at))) {
            canvas.line((at, TOP), (at, BOTTOM), "refused");
            canvas.text((at, TOP + 2.0), Anchor::Middle, "tick halo", word);
        }
    }
}

/// The fitted level: one stretch from step to step, the last on into what is foreseen.
fn level(
    canvas: &mut Canvas,
    x: &Scale,
    up: &Upright,
    series: &Series,
    number: usize,
    place: impl Fn(f64) -> f64,
) {
    let class = number % SERIES;
    let mut stretches: Vec<Vec<(f64, Interval)>> = vec![Vec::new()];
    for dot in &series.dots {
        let broken = dot.set || series.steps.iter().any(|s| s.visit == dot.visit);
        if broken {
            stretches.push(Vec::new());
        }
        if let Some(last) = stretches.last_mut() {
            last.push((dot.at, dot.level));
        }
    }
    if let Some(last) = stretches.last_mut() {
        last.extend(series.ahead.iter().copied());
    }
    for stretch in stretches {
        let at = |place_at: f64, v: f64| Some((x.at(place(place_at))?, up.held(v)?));
        let upper = stretch.iter().filter_map(|(p, i)| at(*p, i.hi90));
        let lower = stretch.iter().rev().filter_map(|(p, i)| at(*p, i.lo90));
        let band: Vec<_> = upper.chain(lower).collect();
        canvas.shape(&band, &format!("s{class} band"));
        let middle: Vec<_> = stretch
            .iter()
            .filter_map(|(p, i)| at(*p, i.value))
            .collect();
        canvas.trace(&middle, &format!("s{class} trace"));
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use evenpull_diagnose::{Dot, Limit, Step, Trend};

    fn about(value: f64, half: f64) -> Interval {
        Interval {
            value,
            lo90: value - half,
            hi90: value + half,
        }
    }

    fn specimen() -> History {
        let dots = (0..7).map(|i| {
            let value = 0.3 + 0.15 * i as f64 + if i > 3 { 0.8 } else { 0.0 };
            Dot {
                visit: i,
                at: 6_000.0 * i as f64,
                read: about(value, 0.12),
                level: about(value, 0.08),
                set: false,
            }
        });
        History {
            axis: Axis::Distance,
            series: vec![Series {
                quantity: Quantity::Leak,
                part: "left".to_owned(),
                dots: dots.collect(),
                trend: Some(Trend {
                    rate: about(0.25, 0.05),
                    known: true,
                }),
                limit: Some(Limit {
                    lo: None,
                    hi: Some(2.5),
                    why: "worn out",
                }),
                forecast: None,
                ahead: vec![(36_000.0, about(2.0, 0.1)), (45_000.0, about(2.2, 0.3))],
                steps: vec![Step {
                    visit: 4,
                    probability: 0.97,
                    size: about(0.8, 0.1),
                }],
                hints: Vec::new(),
            }],
            changes: Vec::new(),
            notices: Vec::new(),
        }
    }

    #[test]
    fn the_picture_shows_dots_band_limit_and_the_step() {
        let history = specimen();
        let labels: Vec<String> = (0..7).map(|i| format!("job {i}")).collect();
        let svg = years_picture(
            &history,
            0,
            &labels,
            &DocumentTexts::english(),
            Writing::default(),
        )
        .unwrap();
        roxmltree::Document::parse(&svg).unwrap();
        for part in ["s0 mark", "s0 band", "limit", "changed", "1,000 km", "mm²"] {
            assert!(svg.contains(part), "{part}");
        }
        assert!(
            svg.contains("A step of") && svg.contains("before job 4"),
            "{svg}"
        );
    }
}

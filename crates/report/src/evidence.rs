//! The readings as tables and pictures: depression, through-area, cycles, technical figures.

use evenpull_diagnose::{Assessment, ChannelReading, CycleReading, ReadingResult, Scaled};

use crate::cycle_plot::cycle_panel;
use crate::legend::{glyph, series_of, shown};
use crate::number::{fixed, percent_of_one, signed};
use crate::row_plot::{Lane, Row, RowPlot, Strip, Value};
use crate::scale::extent;
use crate::wording::condition;

/// Half width of a 90 % interval in standard deviations of a Gaussian (table of the normal
/// distribution, 95th percentile).
const SD_TO_90: f64 = 1.645;

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

/// Through-areas of one reading.
#[derive(Debug)]
pub(crate) struct AreaRow {
    pub(crate) reading: String,
    pub(crate) cells: Vec<AreaCell>,
}

/// One body's through-area in one reading.
#[derive(Debug)]
pub(crate) struct AreaCell {
    pub(crate) body: String,
    pub(crate) glyph: String,
    pub(crate) value: String,
    pub(crate) expected: String,
    pub(crate) refused: bool,
}

/// The cycles of one reading.
#[derive(Debug)]
pub(crate) struct CyclePanel {
    pub(crate) reading: String,
    pub(crate) picture: Option<String>,
    pub(crate) notices: Vec<String>,
}

/// One body in one reading, all figures.
#[derive(Debug)]
pub(crate) struct TechnicalRow {
    pub(crate) reading: String,
    pub(crate) glyph: String,
    pub(crate) body: String,
    pub(crate) cells: Vec<String>,
}

/// `3 · sweep · 2,600 rpm`: short enough for a picture, plain enough for a table.
pub(crate) fn short_name(index: usize, reading: &ReadingResult) -> String {
    let mut name = format!("{} · {}", index + 1, condition(&reading.condition));
    if let Some(rpm) = reading
        .cycle
        .as_ref()
        .map(|c| c.rpm.value)
        .filter(|r| r.is_finite())
    {
        name.push_str(&format!(" · {} rpm", fixed((rpm / 10.0).round() * 10.0, 0)));
    }
    name
}

/// Depressions per reading and source, in the job's order.
pub(crate) fn depression_rows(a: &Assessment) -> Vec<DepressionRow> {
    sources(a)
        .into_iter()
        .map(|s| DepressionRow {
            reading: s.name,
            source: s.source,
            cells: s
                .kpa
                .iter()
                .map(|v| v.map_or("–".to_owned(), |v| fixed(v, 1)))
                .collect(),
            difference: difference(&s.kpa).map_or("–".to_owned(), |d| fixed(d, 1)),
            spread: spread(&s.kpa).map_or("–".to_owned(), percent_or_tenths),
            standing: standing(difference(&s.kpa), a),
        })
        .collect()
}

/// How far each body's depression stands from the middle of them all, against the limits.
pub(crate) fn depression_picture(a: &Assessment) -> Option<String> {
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
                value: (*v)? - 0.5 * (hi + lo),
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
        axis: "kPa from the middle of the bodies",
        rows,
        strips: strips
            .into_iter()
            .filter(|(limit, ..)| limit.is_finite() && *limit > 0.0)
            .map(|(limit, class, word)| Strip {
                half_width: 0.5 * limit,
                class,
                label: word,
            })
            .collect(),
        about_zero: true,
    }
    .draw()
}

/// Through-areas per reading that has a recording.
pub(crate) fn area_rows(a: &Assessment) -> Vec<AreaRow> {
    recorded(a)
        .map(|(i, reading, cycle)| AreaRow {
            reading: short_name(i, reading),
            cells: cycle
                .channels
                .iter()
                .map(|channel| area_cell(a, reading, channel))
                .collect(),
        })
        .collect()
}

/// Through-areas with both parts of their intervals and what the model expects.
pub(crate) fn area_picture(a: &Assessment) -> Option<String> {
    let mut desc = String::from(
        "Through-area per reading and body. Thick bar: random part of the 90 % interval; thin bar: \
         with the part common to all bodies; hollow bar: what the fitted model expects.",
    );
    let mut rows = Vec::new();
    for (i, reading, cycle) in recorded(a) {
        let name = short_name(i, reading);
        desc.push_str(&format!(" {name}:"));
        let lanes = cycle.channels.iter().map(|channel| {
            let series = series_of(&a.body_names, &channel.body);
            let Some(area) = finite_area(channel) else {
                desc.push_str(&format!(" {} refused;", channel.body));
                return Lane::Refused { series };
            };
            desc.push_str(&format!(" {} {};", channel.body, fixed(area.value, 2)));
            Lane::Value(Value {
                series,
                value: area.value,
                inner: about(area.value, area.sd),
                outer: about(area.value, area.sd.hypot(area.scale_sd)),
                expected: expected(reading, series),
            })
        });
        rows.push(Row {
            label: name.clone(),
            lanes: lanes.collect(),
        });
    }
    RowPlot {
        id: "area-rows",
        title: "Through-area of each body",
        desc,
        axis: "through-area, mm²",
        rows,
        strips: Vec::new(),
        about_zero: false,
    }
    .draw()
}

/// Each body's through-area over the mean of the bodies, where the common scale cancels.
pub(crate) fn evenness_picture(a: &Assessment) -> Option<String> {
    let mut desc = String::from(
        "Through-area of each body over the mean of the bodies, in per cent; the common scale \
         cancels, the bar is the random 90 % interval; hollow bar: what the fitted model expects.",
    );
    let mut rows = Vec::new();
    for (i, reading, cycle) in recorded(a) {
        let found: Vec<(usize, Scaled)> = cycle
            .channels
            .iter()
            .filter_map(|c| Some((series_of(&a.body_names, &c.body), finite_area(c)?)))
            .collect();
        let n = found.len() as f64;
        let mean = found.iter().map(|(_, s)| s.value).sum::<f64>() / n;
        if found.len() < 2 || mean <= 0.0 {
            continue;
        }
        let name = short_name(i, reading);
        desc.push_str(&format!(" {name}:"));
        let model = model_mean(reading, &found);
        let lanes = found.iter().map(|&(series, area)| {
            let percent = 100.0 * (area.value / mean - 1.0);
            desc.push_str(&format!(" {} %;", signed(percent, 1)));
            Lane::Value(Value {
                series,
                value: percent,
                inner: about(percent, 100.0 * ratio_sd(&found, series, mean)),
                outer: None,
                expected: model.and_then(|m| Some(100.0 * (expected(reading, series)? / m - 1.0))),
            })
        });
        rows.push(Row {
            label: name.clone(),
            lanes: lanes.collect(),
        });
    }
    RowPlot {
        id: "evenness-rows",
        title: "Through-area of each body over the mean of the bodies",
        desc,
        axis: "% from the mean of the bodies",
        rows,
        strips: Vec::new(),
        about_zero: true,
    }
    .draw()
}

/// One panel per reading that has a recording.
pub(crate) fn cycle_panels(a: &Assessment) -> Vec<CyclePanel> {
    recorded(a)
        .map(|(i, reading, cycle)| {
            let name = short_name(i, reading);
            let title = format!("Measured cycle, reading {name}");
            CyclePanel {
                picture: cycle_panel(&format!("cycle-{}", i + 1), &title, &a.body_names, cycle),
                notices: crossed(cycle)
                    .into_iter()
                    .chain(cycle.notices.iter().map(|n| n.text.clone()))
                    .collect(),
                reading: name,
            }
        })
        .collect()
}

/// Every figure of every body of every recording.
pub(crate) fn technical_rows(a: &Assessment) -> Vec<TechnicalRow> {
    recorded(a)
        .flat_map(|(i, reading, cycle)| {
            let name = short_name(i, reading);
            cycle.channels.iter().map(move |channel| TechnicalRow {
                reading: name.clone(),
                glyph: glyph(series_of(&a.body_names, &channel.body)),
                body: shown(&a.body_names, &channel.body),
                cells: technical_cells(cycle, channel),
            })
        })
        .collect()
}

/// Which traces sit on another body than the hoses say, by the firing intervals.
fn crossed(cycle: &CycleReading) -> Option<String> {
    let body = |i: usize| cycle.channels.get(i).map(|c| c.body.as_str());
    let moved: Vec<String> = cycle
        .traces_on
        .iter()
        .enumerate()
        .filter(|(i, on)| i != *on)
        .filter_map(|(i, &on)| Some(format!("the trace of {} sits on {}", body(i)?, body(on)?)))
        .collect();
    (!moved.is_empty()).then(|| format!("By the firing intervals {}.", moved.join(", ")))
}

struct Source {
    name: String,
    source: &'static str,
    kpa: Vec<Option<f64>>,
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

fn recorded(a: &Assessment) -> impl Iterator<Item = (usize, &ReadingResult, &CycleReading)> {
    a.readings
        .iter()
        .enumerate()
        .filter_map(|(i, r)| Some((i, r, r.cycle.as_ref()?)))
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

fn percent_or_tenths(spread: f64) -> String {
    if spread < 0.1 {
        format!("{} %", fixed(100.0 * spread, 1))
    } else {
        percent_of_one(spread)
    }
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

fn area_cell(a: &Assessment, reading: &ReadingResult, channel: &ChannelReading) -> AreaCell {
    let series = series_of(&a.body_names, &channel.body);
    let area = finite_area(channel);
    AreaCell {
        body: shown(&a.body_names, &channel.body),
        glyph: glyph(series),
        value: area.map_or_else(
            || "refused".to_owned(),
            |s| {
                let half = SD_TO_90 * s.sd.hypot(s.scale_sd);
                format!("{} ± {}", fixed(s.value, 2), fixed(half, 2))
            },
        ),
        expected: expected(reading, series).map_or("–".to_owned(), |m| fixed(m, 2)),
        refused: area.is_none(),
    }
}

fn finite_area(channel: &ChannelReading) -> Option<Scaled> {
    channel.through_area_mm2.filter(|s| s.value.is_finite())
}

fn expected(reading: &ReadingResult, series: usize) -> Option<f64> {
    reading
        .model_area_mm2
        .get(series)
        .copied()
        .filter(|m| m.is_finite())
}

fn model_mean(reading: &ReadingResult, found: &[(usize, Scaled)]) -> Option<f64> {
    let all: Option<Vec<f64>> = found
        .iter()
        .map(|&(series, _)| expected(reading, series))
        .collect();
    let all = all?;
    let mean = all.iter().sum::<f64>() / all.len() as f64;
    (mean > 0.0).then_some(mean)
}

fn about(value: f64, sd: f64) -> Option<(f64, f64)> {
    (sd.is_finite() && sd >= 0.0).then_some((value - SD_TO_90 * sd, value + SD_TO_90 * sd))
}

/// Standard deviation of one area over the mean of all, to first order, from the random parts.
///
/// `d(a_i/m) = sum_j (delta_ij - a_i/(n m)) da_j / m` with `m` the mean of the `n` areas.
fn ratio_sd(found: &[(usize, Scaled)], series: usize, mean: f64) -> f64 {
    let n = found.len() as f64;
    let own = found
        .iter()
        .find(|(s, _)| *s == series)
        .map_or(mean, |(_, a)| a.value);
    let part = |&(s, area): &(usize, Scaled)| {
        let slope = f64::from(u8::from(s == series)) - own / (n * mean);
        (slope * area.sd / mean).powi(2)
    };
    found.iter().map(part).sum::<f64>().sqrt()
}

fn technical_cells(cycle: &CycleReading, channel: &ChannelReading) -> Vec<String> {
    let scaled = |value: Option<Scaled>, decimals: usize| match value {
        Some(s) => format!(
            "{} · {} · {}",
            fixed(s.value, decimals),
            fixed(s.sd, decimals + 1),
            fixed(s.scale_sd, decimals)
        ),
        None => "refused".to_owned(),
    };
    vec![
        format!("{} · {}", fixed(cycle.rpm.value, 1), fixed(cycle.rpm.sd, 1)),
        fixed(cycle.rpm_scatter, 1),
        cycle.cycles.to_string(),
        fixed(channel.mean_depression_kpa, 2),
        fixed(channel.lowest_kpa, 2),
        format!(
            "{} · {}",
            fixed(channel.refill_rate_per_s.value, 2),
            fixed(channel.refill_rate_per_s.sd, 3)
        ),
        scaled(channel.through_area_mm2, 2),
        scaled(channel.drawn_air_mg, 1),
        fixed(channel.misfit, 2),
    ]
}

#[cfg(test)]
mod tests {
    use super::*;

    fn area(value: f64, sd: f64) -> Scaled {
        Scaled {
            value,
            sd,
            scale_sd: 1.0,
        }
    }

    /// Against central differences of `a_i / mean`.
    #[test]
    fn ratio_sd_agrees_with_finite_differences() {
        let areas = [area(8.0, 0.05), area(7.2, 0.07), area(8.9, 0.04)];
        let found: Vec<_> = areas.iter().copied().enumerate().collect();
        let ratio = |v: [f64; 3], i: usize| v[i] / (v.iter().sum::<f64>() / 3.0);
        let mean = 24.1 / 3.0;
        for i in 0..3 {
            let mut variance = 0.0;
            for j in 0..3 {
                let (mut up, mut down) = ([8.0, 7.2, 8.9], [8.0, 7.2, 8.9]);
                up[j] += 1e-5;
                down[j] -= 1e-5;
                let slope = (ratio(up, i) - ratio(down, i)) / 2e-5;
                variance += (slope * areas[j].sd).powi(2);
            }
            let got = ratio_sd(&found, i, mean);
            assert!(
                (got - variance.sqrt()).abs() < 1e-9,
                "{got} {}",
                variance.sqrt()
            );
        }
    }
}

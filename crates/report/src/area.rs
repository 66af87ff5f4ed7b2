//! Through-areas by reading: absolute, and of each body over the mean of the bodies.

use evenpull_diagnose::{Assessment, ChannelReading, ReadingResult, Scaled};

use crate::legend::{glyph, series_of, shown};
use crate::number::{fixed, signed};
use crate::recordings::{recorded, short_name};
use crate::row_plot::{Lane, Row, RowPlot, Value};
use crate::writing::Writing;

/// Half width of a 90 % interval in standard deviations of a Gaussian (table of the normal
/// distribution, 95th percentile).
const SD_TO_90: f64 = 1.645;

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
        writing: Writing::default(),
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
        writing: Writing::default(),
    }
    .draw()
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

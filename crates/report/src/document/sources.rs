//! Where the figures of a document come from: every reading with its number, time and the check of its
//! sensors, and how sure the figures are, in words.

use evenpull_diagnose::ReadingResult;
use evenpull_job::{Pinch, Reading};

use super::before_after::condition_words;
use super::model::{Block, Column, Section};
use super::paper::{JobPaper, ReadingSource};

/// Digits of a hash that are printed: enough to tell files apart, short enough to compare by eye.
pub(crate) const HASH_DIGITS: usize = 12;

/// The section that ends every document with figures.
pub(crate) fn sources(paper: &JobPaper<'_>) -> Section {
    let t = paper.texts;
    let mut section = Section::new(t.at("sources.heading"));
    section.push(Block::text(t.at("sources.how")));
    section.push(readings(paper));
    section.push(Block::List {
        items: [sensor_check(paper), how_sure(paper)].concat(),
    });
    section
}

fn readings(paper: &JobPaper<'_>) -> Block {
    let t = paper.texts;
    let none = ReadingSource::default();
    let rows = paper.job.readings.iter().enumerate().map(|(i, reading)| {
        let source = paper.record.readings.get(i).unwrap_or(&none);
        let result = paper.now.readings.get(i);
        vec![
            format!("R{}", i + 1),
            number_and_time(paper, source),
            condition_words(t, reading.condition),
            speed(paper, result, reading),
            how_read(paper, reading, source),
        ]
    });
    Block::Table {
        caption: String::new(),
        columns: vec![
            Column::words(t.at("sources.reading")),
            Column::words(t.at("sources.on_record")),
            Column::words(t.at("sources.condition")),
            Column::figures(t.at("sources.speed")),
            Column::words(t.at("sources.instrument")),
        ],
        rows: rows.collect(),
        tall: false,
    }
}

fn number_and_time(paper: &JobPaper<'_>, source: &ReadingSource) -> String {
    let t = paper.texts;
    match (source.number, &source.taken) {
        (Some(number), Some(taken)) => format!("{number}, {taken}"),
        (Some(number), None) => number.to_string(),
        (None, Some(taken)) => taken.clone(),
        (None, None) => t.own("sources.no_time"),
    }
}

fn speed(paper: &JobPaper<'_>, result: Option<&ReadingResult>, reading: &Reading) -> String {
    let recorded = result.and_then(|r| r.cycle.as_ref()).map(|c| c.rpm.value);
    recorded
        .filter(|v| v.is_finite())
        .or(reading.rpm)
        .map_or_else(|| "–".to_owned(), |v| paper.writing.figure(v, 0))
}

/// Recording with its hash, gauges, and what was done to the hoses.
fn how_read(paper: &JobPaper<'_>, reading: &Reading, source: &ReadingSource) -> String {
    let t = paper.texts;
    let mut words = Vec::new();
    if let Some(name) = &reading.recording {
        let hash = source
            .recording_sha256
            .as_deref()
            .map_or_else(String::new, |h| {
                format!(" ({})", h.chars().take(HASH_DIGITS).collect::<String>())
            });
        words.push(format!("{name}{hash}"));
    }
    if reading.gauge.is_some() {
        words.push(t.own("sources.gauges"));
    }
    if reading.practice {
        words.push(t.own("sources.practice"));
    }
    if reading.swapped {
        words.push(t.own("sources.swapped"));
    }
    words.extend(reading.pinched.iter().map(|p| {
        t.own(match p {
            Pinch::IdleValve => "sources.pinched_idle_valve",
            Pinch::BalancePipe => "sources.pinched_balance_pipe",
        })
    }));
    if let Some(c) = reading.engine_c {
        words.push(format!("{} °C", paper.writing.figure(c, 0)));
    }
    words.join("; ")
}

/// What was done that day to know that the sensors and gauges read true.
fn sensor_check(paper: &JobPaper<'_>) -> Vec<String> {
    let (t, w) = (paper.texts, paper.writing);
    let mut said = Vec::new();
    let ambient = &paper.job.ambient;
    if let Some(off) = &ambient.key_off_kpa {
        let values: Vec<String> = paper
            .profile
            .bodies()
            .iter()
            .zip(off.iter())
            .filter_map(|(body, kpa)| Some(format!("{body} {}", w.pressure_figure(*kpa?, 1))))
            .collect();
        said.push(t.fill("sources.key_off", &[("values", &values.join(", "))]));
    } else if paper.job.readings.iter().any(|r| r.recording.is_some()) {
        said.push(t.own("sources.no_key_off"));
    }
    if paper.job.readings.iter().any(|r| r.gauge.is_some()) {
        said.push(t.own(match paper.job.checks.gauges_zeroed {
            Some(true) => "sources.gauges_zeroed",
            Some(false) => "sources.gauges_not_zeroed",
            None => "sources.gauges_unknown",
        }));
    }
    if paper.job.readings.iter().any(|r| r.swapped) {
        said.push(t.own("sources.was_swapped"));
    }
    let measured = match (ambient.pressure_measured, ambient.temperature_measured) {
        (true, true) => "sources.air_measured",
        (true, false) => "sources.air_temperature_assumed",
        (false, true) => "sources.air_assumed",
        (false, false) => "sources.air_all_assumed",
    };
    let air = [
        ("pressure", w.pressure_figure(ambient.pressure_kpa, 0)),
        ("c", w.figure(ambient.temperature_c, 0)),
    ];
    said.push(t.fill(measured, &[("pressure", &air[0].1), ("c", &air[1].1)]));
    said
}

/// How sure the figures are, in words.
fn how_sure(paper: &JobPaper<'_>) -> Vec<String> {
    let (t, w) = (paper.texts, paper.writing);
    let mut said = Vec::new();
    let areas: Vec<_> = paper
        .now
        .readings
        .iter()
        .filter_map(|r| r.cycle.as_ref())
        .flat_map(|c| &c.channels)
        .filter_map(|c| c.through_area_mm2)
        .filter(|a| a.value > 0.0 && a.sd.is_finite() && a.scale_sd.is_finite())
        .collect();
    if !areas.is_empty() {
        let worst = |of: fn(&evenpull_diagnose::Scaled) -> f64| {
            // 1.645 standard deviations each way hold nine in ten.
            let share = areas.iter().map(|a| 164.5 * of(a) / a.value);
            share.fold(0.0, f64::max)
        };
        let (own, common) = (worst(|a| a.sd), worst(|a| a.scale_sd));
        said.push(t.fill(
            "sources.area_sure",
            &[("own", &w.figure(own, 1)), ("common", &w.figure(common, 0))],
        ));
    }
    said.push(t.own("sources.nine_in_ten"));
    said
}

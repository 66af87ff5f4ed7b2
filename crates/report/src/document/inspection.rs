//! The second-hand inspection: what the evidence shows, what it does not, and no promise beyond it.

use evenpull_diagnose::Interval;
use evenpull_job::{PerBody, SealState};

use super::before_after::{Pair, condition_words, pairs};
use super::model::{Block, Column, Document, Section};
use super::paper::{JobPaper, RemarkTopic};
use super::shared::{begun, by_hand, causes, part_words, photos, push_all, sealed_parts, seals};
use super::sources::sources;
use super::years::years;
use crate::legend::shown;
use crate::wording::body_words;

/// The inspection of a machine that is to be bought or sold.
pub fn inspection(paper: &JobPaper<'_>) -> Document {
    let mut document = begun(paper, "inspection.title");
    document.sections = [
        Some(in_short(paper)),
        Some(seen(paper)),
        Some(measured(paper)),
        Some(state(paper)),
        Some(wear(paper)),
        years(paper),
        Some(not_checked(paper)),
        Some(limits(paper)),
        Some(sources(paper)),
    ]
    .into_iter()
    .flatten()
    .collect();
    document
}

fn in_short(paper: &JobPaper<'_>) -> Section {
    let t = paper.texts;
    let mut section = Section::new(t.at("inspection.short"));
    let of = |state| {
        let parts = sealed_parts(paper);
        parts
            .iter()
            .filter(|p| paper.job.seal(p) == Some(state))
            .count()
    };
    let all = sealed_parts(paper).len();
    let (intact, disturbed) = (of(SealState::Intact), of(SealState::Disturbed));
    let unseen = of(SealState::CannotSee);
    section.push(Block::lead(t.fill(
        "inspection.seal_count",
        &[
            ("intact", &intact.to_string()),
            ("disturbed", &disturbed.to_string()),
            ("unseen", &unseen.to_string()),
            ("unnoted", &(all - intact - disturbed - unseen).to_string()),
            ("all", &all.to_string()),
        ],
    )));
    push_all(&mut section, causes(paper, paper.now));
    let items = by_hand(paper);
    if !items.is_empty() {
        section.push(Block::text(t.at("inspection.by_hand")));
        section.push(Block::List { items });
    }
    section
}

/// Seals and what else was seen.
fn seen(paper: &JobPaper<'_>) -> Section {
    let t = paper.texts;
    let mut section = Section::new(t.at("inspection.seen"));
    section.push(seals(paper, false));
    section.push(Block::note(t.at("inspection.intact_means")));
    let found = paper.remarks(RemarkTopic::Found);
    if !found.is_empty() {
        section.push(Block::List { items: found });
    }
    push_all(&mut section, photos(paper, false));
    push_all(&mut section, photos(paper, true));
    section
}

/// Depressions as read, one row a condition and cylinder.
fn measured(paper: &JobPaper<'_>) -> Section {
    let (t, w) = (paper.texts, paper.writing);
    let mut section = Section::new(t.at("inspection.measured"));
    let pairs = pairs(paper);
    if pairs.is_empty() {
        section.push(Block::text(t.at("measured.no_readings")));
    } else {
        section.push(Block::Table {
            caption: t.own("inspection.measured_caption"),
            columns: vec![
                Column::words(t.at("measured.condition")),
                Column::words(t.at("measured.what")),
                Column::figures(t.at("inspection.value")),
                Column::words(t.at("inspection.reading")),
            ],
            rows: pairs.iter().flat_map(|p| rows(paper, p)).collect(),
            tall: false,
        });
    }
    let mut facts = Vec::new();
    if let Some(r) = paper.job.readings.iter().find(|r| r.sensor_v.is_some()) {
        let on_record = paper.profile.sensor.map_or_else(
            || t.own("inspection.no_record"),
            |s| {
                t.fill(
                    "inspection.on_record",
                    &[("volts", &w.figure(s.volts_at_stop, 3))],
                )
            },
        );
        let volts = r.sensor_v.map_or_else(String::new, |v| w.figure(v, 3));
        let condition = condition_words(t, r.condition);
        facts.push((
            t.own("inspection.sensor"),
            format!("{volts} V, {condition}; {on_record}"),
        ));
    }
    if let Some(r) = paper
        .job
        .readings
        .iter()
        .find(|r| r.idle_valve_steps.is_some())
    {
        let steps = r
            .idle_valve_steps
            .map_or_else(String::new, |v| w.figure(v, 0));
        let of = paper.profile.idle_valve.map_or_else(String::new, |v| {
            format!(" / {}", w.figure(f64::from(v.steps), 0))
        });
        let condition = condition_words(t, r.condition);
        facts.push((
            t.own("inspection.steps"),
            format!("{steps}{of}, {condition}"),
        ));
    }
    if !facts.is_empty() {
        section.push(Block::Facts { rows: facts });
    }
    section
}

fn rows(paper: &JobPaper<'_>, pair: &Pair) -> Vec<Vec<String>> {
    let (t, w) = (paper.texts, paper.writing);
    let last = &pair.latest;
    let row = |what: String, value: String| vec![String::new(), what, value, String::new()];
    let kpa = |v: Option<f64>| v.map_or_else(|| "–".to_owned(), |v| w.pressure_figure(v, 0));
    let bodies = paper.now.body_names.iter().zip(&last.kpa);
    let mut all: Vec<Vec<String>> = bodies
        .map(|(body, v)| {
            row(
                t.fill(
                    "measured.depression",
                    &[("body", &shown(&paper.now.body_names, body))],
                ),
                kpa(*v),
            )
        })
        .collect();
    all.push(row(t.own("measured.apart"), kpa(last.apart_kpa(w))));
    if let Some(first) = all.first_mut() {
        first[0] = condition_words(t, pair.condition);
        first[3] = format!("R{}", last.index + 1);
    }
    all
}

/// Where plates, leaks and bleeds stand, with their ranges.
fn state(paper: &JobPaper<'_>) -> Section {
    let (t, w) = (paper.texts, paper.writing);
    let mut section = Section::new(t.at("inspection.state"));
    if paper.now.bodies.is_empty() {
        section.push(Block::text(t.at("inspection.no_state")));
        return section;
    }
    let range = |i: &Interval, decimals| {
        t.fill(
            "inspection.range",
            &[
                ("value", &w.figure(i.value, decimals)),
                ("low", &w.figure(i.lo90, decimals)),
                ("high", &w.figure(i.hi90, decimals)),
            ],
        )
    };
    let bodies = paper.now.bodies.iter().map(|b| {
        vec![
            body_words(&b.body),
            range(&b.offset_deg, 2),
            range(&b.leak_mm2, 1),
            range(&b.bleed_mm2, 1),
        ]
    });
    section.push(Block::Table {
        caption: t.own("inspection.state_caption"),
        columns: vec![
            Column::words(t.at("inspection.cylinder")),
            Column::figures(t.at("inspection.offset")),
            Column::figures(t.at("inspection.leak")),
            Column::figures(t.at("inspection.bleed")),
        ],
        rows: bodies.collect(),
        tall: false,
    });
    section
}

/// What wears, as measured by hand and by air.
fn wear(paper: &JobPaper<'_>) -> Section {
    let (t, w) = (paper.texts, paper.writing);
    let mut section = Section::new(t.at("inspection.wear"));
    let c = &paper.job.checks;
    let names = paper.profile.bodies();
    let list = |values: &Option<PerBody<f64>>, unit: &str, decimals| {
        let values = values.as_ref()?;
        let given: Vec<String> = names
            .iter()
            .zip(values.iter())
            .filter_map(|(b, v)| {
                Some(format!(
                    "{} {} {unit}",
                    body_words(b),
                    w.figure(*v?, decimals)
                ))
            })
            .collect();
        (!given.is_empty()).then(|| given.join(", "))
    };
    let rows: Vec<(String, String)> = [
        ("inspection.play", list(&c.spindle_play_mm, "mm", 2)),
        ("inspection.compression", list(&c.compression_kpa, "kPa", 0)),
        ("inspection.leak_down", list(&c.leak_down_percent, "%", 0)),
    ]
    .into_iter()
    .filter_map(|(key, value)| Some((t.own(key), value?)))
    .collect();
    if rows.is_empty() {
        section.push(Block::text(t.at("inspection.no_wear")));
    } else {
        section.push(Block::Facts { rows });
    }
    let mut items = by_hand(paper);
    items.push(
        t.own(if paper.job.earlier.is_empty() && years(paper).is_none() {
            "inspection.one_visit"
        } else {
            "inspection.earlier_visits"
        }),
    );
    section.push(Block::List { items });
    section
}

/// What this inspection did not look at, by what is on record.
fn not_checked(paper: &JobPaper<'_>) -> Section {
    let t = paper.texts;
    let mut section = Section::new(t.at("inspection.not_checked"));
    let mut items: Vec<String> = sealed_parts(paper)
        .iter()
        .filter(|p| {
            !matches!(
                paper.job.seal(p),
                Some(SealState::Intact | SealState::Disturbed)
            )
        })
        .map(|p| {
            let key = match paper.job.seal(p) {
                Some(SealState::CannotSee) => "inspection.seal_unseen",
                _ => "inspection.seal_unnoted",
            };
            t.fill(key, &[("part", &part_words(paper, p))])
        })
        .collect();
    let c = &paper.job.checks;
    let readings = &paper.job.readings;
    let missing = [
        (c.clearances.is_none(), "inspection.no_clearances"),
        (c.compression_kpa.is_none(), "inspection.no_compression"),
        (c.leak_down_percent.is_none(), "inspection.no_leak_down"),
        (c.spindle_play_mm.is_none(), "inspection.no_play"),
        (c.stub_spray.is_none(), "inspection.no_spray"),
        (c.cable_slack.is_none(), "inspection.no_cable"),
        (c.snap_shut_v.is_empty(), "inspection.no_snaps"),
        (
            readings.iter().all(|r| r.lambda.is_none()),
            "inspection.no_lambda",
        ),
        (paper.record.odometer_km.is_none(), "inspection.no_odometer"),
    ];
    let said = missing.into_iter().filter(|(is, _)| *is);
    items.extend(said.map(|(_, key)| t.own(key)));
    items.extend(paper.remarks(RemarkTopic::NotChecked));
    section.push(if items.is_empty() {
        Block::text(t.at("inspection.all_checked"))
    } else {
        Block::List { items }
    });
    section
}

fn limits(paper: &JobPaper<'_>) -> Section {
    let t = paper.texts;
    let mut section = Section::new(t.at("inspection.limits"));
    section.push(Block::Frame {
        head: t.own("inspection.limits_head"),
        lines: [
            "inspection.limits_day",
            "inspection.limits_seals",
            "inspection.limits_none",
        ]
        .map(|key| t.own(key))
        .into(),
    });
    section
}

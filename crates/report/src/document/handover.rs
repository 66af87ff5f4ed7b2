//! The handover: what was asked, found, done and declined, and what the readings say before and after.

use evenpull_job::SealState;

use super::before_after::{
    Missing, Pair, Seen, before_after_picture, condition_words, pairs, unequal_words,
};
use super::consequence::consequence;
use super::model::{Block, Column, Document, Section};
use super::paper::{JobPaper, RemarkTopic};
use super::picture::standing_alone;
use super::shared::{
    begun, by_hand, cause_line, causes, cautions, do_not_turn, key_words, photos, push_all,
    sealed_turned, seals, turned,
};
use super::sources::sources;
use super::sweep::sweep;
use super::years::years;
use crate::legend::shown;

/// The handover of a job.
pub fn handover(paper: &JobPaper<'_>) -> Document {
    let mut document = begun(paper, "handover.title");
    let pairs = pairs(paper);
    document.sections = [
        Some(in_short(paper, &pairs)),
        Some(asked(paper)),
        Some(found(paper)),
        Some(done(paper)),
        Some(before_after(paper, &pairs)),
        sweep(paper),
        years(paper),
        declined(paper),
        Some(sealed(paper)),
        consequence(paper),
        Some(next(paper)),
        Some(sources(paper)),
    ]
    .into_iter()
    .flatten()
    .collect();
    document
}

/// What an owner reads if only one thing is read.
fn in_short(paper: &JobPaper<'_>, pairs: &[Pair]) -> Section {
    let t = paper.texts;
    let mut section = Section::new(t.at("handover.short"));
    let found = paper.found();
    let line = match found.causes.first() {
        Some(cause) if !found.undetermined => cause_line(cause, found),
        _ => t.own("findings.undetermined_short"),
    };
    let key = if paper.turned_before_reading() {
        "handover.found_line_after"
    } else {
        "handover.found_line"
    };
    section.push(Block::lead(t.fill(key, &[("found", &line)])));
    let judged: Vec<String> = pairs.iter().filter_map(|p| apart_line(paper, p)).collect();
    section.push(if judged.is_empty() {
        Block::text(t.at("measured.no_readings"))
    } else {
        Block::List { items: judged }
    });
    section
}

/// How far the cylinders are apart, before and after, judged by the limits.
fn apart_line(paper: &JobPaper<'_>, pair: &Pair) -> Option<String> {
    let (t, w) = (paper.texts, paper.writing);
    let condition = condition_words(t, pair.condition);
    let apart = |side: &Option<Seen>| side.as_ref()?.apart_kpa(w);
    let (before, after) = (apart(&pair.before), apart(&pair.after));
    let key = match (before, after, &pair.missing) {
        (Some(_), Some(_), _) => "handover.apart",
        (None, Some(_), _) => "handover.apart_after",
        (Some(_), None, Some(Missing::NotSince)) => "handover.apart_not_since",
        (Some(_), None, _) => "handover.apart_before",
        (None, None, _) => return None,
    };
    let figure = |v: Option<f64>| v.map_or_else(String::new, |v| w.pressure_figure(v, 0));
    Some(t.fill(
        key,
        &[
            ("condition", &condition),
            ("before", &figure(before)),
            ("after", &figure(after)),
            ("word", standing(paper, after.or(before)?)),
        ],
    ))
}

/// A difference against the limits, in words.
fn standing<'t>(paper: &'t JobPaper<'_>, apart_kpa: f64) -> &'t str {
    let limits = paper.profile.tolerance;
    paper.texts.at(if apart_kpa <= limits.good_kpa {
        "measured.good"
    } else if apart_kpa <= limits.act_kpa {
        "measured.watch"
    } else {
        "measured.act"
    })
}

fn asked(paper: &JobPaper<'_>) -> Section {
    let t = paper.texts;
    let mut section = Section::new(t.at("handover.asked"));
    let mut items: Vec<String> = Vec::new();
    if !paper.record.complaint.is_empty() {
        items.push(paper.record.complaint.clone());
    }
    items.extend(paper.remarks(RemarkTopic::Asked));
    items.extend(paper.job.notes.iter().cloned());
    section.push(if items.is_empty() {
        Block::text(t.at("handover.nothing_asked"))
    } else {
        Block::List { items }
    });
    section
}

/// As found, before anything was touched.
fn found(paper: &JobPaper<'_>) -> Section {
    let t = paper.texts;
    let mut section = Section::new(t.at("handover.as_found"));
    if paper.turned_before_reading() {
        section.push(Block::text(t.at("handover.not_as_found")));
    }
    push_all(&mut section, causes(paper, paper.found()));
    let mut items = paper.remarks(RemarkTopic::Found);
    let disturbed = |s: &&evenpull_job::Seal| s.state == SealState::Disturbed;
    let broken = paper.job.seals.iter().filter(disturbed).map(|s| {
        let part = super::shared::part_words(paper, &s.part);
        t.fill("handover.seal_broken", &[("part", &part)])
    });
    items.extend(broken);
    items.extend(by_hand(paper));
    if !items.is_empty() {
        section.push(Block::List { items });
    }
    push_all(&mut section, photos(paper, false));
    section
}

fn done(paper: &JobPaper<'_>) -> Section {
    let t = paper.texts;
    let mut section = Section::new(t.at("handover.done"));
    let mut items = turned(paper);
    items.extend(paper.record.overrides.iter().map(|(part, reason)| {
        let part = super::shared::part_words(paper, part);
        t.fill("done.override", &[("part", &part), ("reason", reason)])
    }));
    items.extend(paper.remarks(RemarkTopic::Done));
    section.push(if items.is_empty() {
        Block::text(t.at("done.nothing"))
    } else {
        Block::List { items }
    });
    if !paper.record.note.is_empty() {
        section.push(Block::text(paper.record.note.clone()));
    }
    push_all(&mut section, photos(paper, true));
    section
}

fn before_after(paper: &JobPaper<'_>, pairs: &[Pair]) -> Section {
    let (t, w) = (paper.texts, paper.writing);
    let mut section = Section::new(t.at("measured.heading"));
    if pairs.is_empty() {
        section.push(Block::text(t.at("measured.no_readings")));
        return section;
    }
    let limits = paper.profile.tolerance;
    section.push(Block::text(t.fill(
        "measured.how",
        &[
            ("good", &w.pressure_figure(limits.good_kpa, 0)),
            ("act", &w.pressure_figure(limits.act_kpa, 0)),
        ],
    )));
    section.push(Block::Table {
        caption: t.own("measured.caption"),
        columns: vec![
            Column::words(t.at("measured.condition")),
            Column::words(t.at("measured.what")),
            Column::figures(t.at("measured.before")),
            Column::figures(t.at("measured.after")),
            Column::words(t.at("measured.readings")),
        ],
        rows: pairs.iter().flat_map(|p| pair_rows(paper, p)).collect(),
        tall: false,
    });
    if let Some(drawing) = before_after_picture(paper, pairs) {
        section.push(Block::Picture {
            svg: standing_alone(&drawing),
            file: String::new(),
            alt: t.fill("measured.picture_alt", &[("unit", w.unit())]),
            caption: format!("{} {}", t.at("measured.picture_caption"), key_words(paper)),
            width_percent: 52,
        });
    }
    let missing: Vec<String> = pairs.iter().filter_map(|p| missing(paper, p)).collect();
    if !missing.is_empty() {
        section.push(Block::List { items: missing });
    }
    section
}

/// One row a body and quantity, and how far the bodies are apart.
fn pair_rows(paper: &JobPaper<'_>, pair: &Pair) -> Vec<Vec<String>> {
    let (t, w) = (paper.texts, paper.writing);
    let (before, after) = (pair.before.as_ref(), pair.after.as_ref());
    let dash = || "–".to_owned();
    let kpa = |v: Option<f64>| v.map_or_else(dash, |v| w.pressure_figure(v, 0));
    let number = |side: &Seen| format!("R{}", side.index + 1);
    let which = match (before, after) {
        (Some(b), Some(a)) => format!("{} → {}", number(b), number(a)),
        (Some(one), None) | (None, Some(one)) => number(one),
        (None, None) => return Vec::new(),
    };
    let row = |what: String, side: &dyn Fn(&Seen) -> String| {
        let cell = |seen: Option<&Seen>| seen.map_or_else(dash, side);
        vec![
            String::new(),
            what,
            cell(before),
            cell(after),
            String::new(),
        ]
    };
    let bodies = &paper.now.body_names;
    let named = bodies.iter().enumerate();
    let mut rows: Vec<Vec<String>> = (named.clone())
        .map(|(i, body)| {
            let what = t.fill("measured.depression", &[("body", &shown(bodies, body))]);
            row(what, &|side| kpa(side.kpa[i]))
        })
        .collect();
    rows.push(row(t.own("measured.apart"), &|side| kpa(side.apart_kpa(w))));
    let area = |side: &Seen, i: usize| {
        side.area_mm2[i].map_or_else(dash, |a| {
            format!(
                "{} ± {} mm²",
                w.figure(a.value, 2),
                w.figure(1.645 * a.sd, 2)
            )
        })
    };
    let has_area = |side: &Seen| side.area_mm2.iter().any(Option::is_some);
    if before.is_some_and(has_area) || after.is_some_and(has_area) {
        rows.extend(named.map(|(i, body)| {
            let what = t.fill("measured.area", &[("body", &shown(bodies, body))]);
            row(what, &|side| area(side, i))
        }));
    }
    // Said once for each condition: the eye finds where the next one begins.
    if let Some(first) = rows.first_mut() {
        first[0] = condition_words(t, pair.condition);
        first[4] = which;
    }
    rows
}

/// Why a condition has not both sides.
fn missing(paper: &JobPaper<'_>, pair: &Pair) -> Option<String> {
    let t = paper.texts;
    let condition = condition_words(t, pair.condition);
    let said = |key| t.fill(key, &[("condition", &condition)]);
    Some(match pair.missing.as_ref()? {
        Missing::Unequal(unequal) => t.fill(
            "measured.not_equal",
            &[
                ("condition", &condition),
                ("why", &unequal_words(paper, unequal)),
            ],
        ),
        Missing::NotAgain => said("measured.no_after"),
        Missing::NotBefore => said("measured.no_before"),
        Missing::NotSince => said("measured.not_since"),
        Missing::Between => said("measured.between"),
    })
}

fn declined(paper: &JobPaper<'_>) -> Option<Section> {
    let t = paper.texts;
    let mut items = paper.remarks(RemarkTopic::Declined);
    let unchecked = paper.remarks(RemarkTopic::NotChecked);
    items.extend(
        unchecked
            .iter()
            .map(|u| t.fill("handover.not_checked", &[("what", u)])),
    );
    let mut section = Section::new(t.at("handover.declined"));
    section.push(if items.is_empty() {
        Block::text(t.at("handover.nothing_declined"))
    } else {
        Block::List { items }
    });
    Some(section)
}

fn sealed(paper: &JobPaper<'_>) -> Section {
    let mut section = Section::new(paper.texts.at("handover.seals"));
    section.push(seals(paper, true));
    section.push(do_not_turn(paper));
    section
}

fn next(paper: &JobPaper<'_>) -> Section {
    let (t, w) = (paper.texts, paper.writing);
    let mut section = Section::new(t.at("handover.next"));
    let mut items = paper.remarks(RemarkTopic::NextCheck);
    items.push(match (sealed_turned(paper), paper.record.odometer_km) {
        (true, Some(km)) => t.fill(
            "next.soon_at",
            &[
                ("from", &w.figure((km + 500) as f64, 0)),
                ("to", &w.figure((km + 1000) as f64, 0)),
            ],
        ),
        (true, None) => t.fill(
            "next.soon",
            &[("from", &w.figure(500.0, 0)), ("to", &w.figure(1_000.0, 0))],
        ),
        (false, _) => t.own("next.with_valves"),
    });
    section.push(Block::List { items });
    section.push(cautions(paper));
    section
}

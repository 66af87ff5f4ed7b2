//! The job card: a sheet to fill in by hand where no screen survives.

use evenpull_job::{AdjusterKind, CautionWhen, Condition, Step, cautions_for};

use super::before_after::condition_words;
use super::model::{Block, Column, Document, Section};
use super::paper::JobPaper;
use super::shared::{begun, part_words, sealed_parts};

/// Readings of each condition there is room for.
const ROOM: usize = 2;

/// The card of a job, empty but for what is on record.
pub fn job_card(paper: &JobPaper<'_>) -> Document {
    let mut document = begun(paper, "card.title");
    document.sections = vec![
        asked(paper),
        seals(paper),
        readings(paper),
        checks(paper),
        order(paper),
        turned(paper),
        end(paper),
    ];
    document
}

fn asked(paper: &JobPaper<'_>) -> Section {
    let t = paper.texts;
    let mut section = Section::new(t.at("handover.asked"));
    if !paper.record.complaint.is_empty() {
        section.push(Block::text(paper.record.complaint.clone()));
    }
    section.push(Block::Lines {
        label: t.own("card.complaint"),
        count: 2,
    });
    let items = [
        "card.touched",
        "card.photos",
        "card.road_test",
        "card.extra_work",
    ];
    section.push(Block::Ticks {
        items: items.map(|key| t.own(key)).into(),
    });
    section
}

fn seals(paper: &JobPaper<'_>) -> Section {
    let t = paper.texts;
    let mut section = Section::new(t.at("card.seals"));
    let heads = [
        "seals.intact",
        "seals.disturbed",
        "seals.cannot_see",
        "seals.fitted",
    ];
    let mut columns = vec![Column::words(t.at("seals.part"))];
    columns.extend(heads.map(|key| Column::words(t.at(key))));
    section.push(Block::Table {
        caption: t.own("card.seals_how"),
        columns,
        rows: sealed_parts(paper)
            .iter()
            .map(|p| row(part_words(paper, p), heads.len()))
            .collect(),
        tall: true,
    });
    section
}

/// A row with a name and empty cells to write in.
fn row(name: String, empty: usize) -> Vec<String> {
    std::iter::once(name)
        .chain(std::iter::repeat_n(String::new(), empty))
        .collect()
}

fn readings(paper: &JobPaper<'_>) -> Section {
    let t = paper.texts;
    let mut section = Section::new(t.at("card.readings"));
    let mut lines = Vec::new();
    lines.extend(cautions_for(CautionWhen::EngineRuns).map(|c| c.text.to_owned()));
    section.push(Block::Frame {
        head: t.own("card.before_running"),
        lines,
    });
    let mut columns = vec![Column::words(t.at("measured.condition"))];
    let bodies = paper.profile.bodies().iter();
    columns.extend(bodies.map(|b| Column::words(t.fill("card.depression", &[("body", b)]))));
    let more = ["sources.speed", "card.heat", "card.volts", "card.steps"];
    columns.extend(more.map(|key| Column::words(t.at(key))));
    let empty = columns.len() - 1;
    let rows = Condition::ALL
        .into_iter()
        .flat_map(|c| std::iter::repeat_n(condition_words(t, c), ROOM))
        .map(|name| row(name, empty));
    section.push(Block::Table {
        caption: t.own("card.readings_how"),
        columns,
        rows: rows.collect(),
        tall: true,
    });
    section
}

fn checks(paper: &JobPaper<'_>) -> Section {
    let t = paper.texts;
    let mut section = Section::new(t.at("card.checks"));
    let mut columns = vec![Column::words(t.at("card.check"))];
    columns.extend(paper.profile.bodies().iter().map(Column::words));
    let empty = columns.len() - 1;
    let names = [
        "card.inlet",
        "card.exhaust",
        "inspection.compression",
        "inspection.leak_down",
        "inspection.play",
        "card.spray",
        "card.lambda",
    ];
    section.push(Block::Table {
        caption: String::new(),
        columns,
        rows: names.map(|key| row(t.own(key), empty)).into(),
        tall: true,
    });
    let ticks = ["card.zeroed", "card.key_off", "card.cable", "card.lid"];
    section.push(Block::Ticks {
        items: ticks.map(|key| t.own(key)).into(),
    });
    section
}

/// The order of work with its reasons.
fn order(paper: &JobPaper<'_>) -> Section {
    let t = paper.texts;
    let mut section = Section::new(t.at("card.order"));
    section.push(Block::Ticks {
        items: Step::ALL
            .into_iter()
            .map(|step| {
                format!(
                    "{}. {} ({})",
                    step.number(),
                    paper.writing.sentence(&step.action(paper.profile)),
                    step.reason()
                )
            })
            .collect(),
    });
    section
}

fn turned(paper: &JobPaper<'_>) -> Section {
    let t = paper.texts;
    let mut section = Section::new(t.at("card.turned"));
    let adjusters = paper.profile.adjusters().into_iter();
    let open = adjusters.filter(|a| matches!(a.kind, AdjusterKind::Balance | AdjusterKind::Bleed));
    let heads = ["card.from_seat", "card.turns", "card.way", "card.after"];
    let mut columns = vec![Column::words(t.at("card.adjuster"))];
    columns.extend(heads.map(|key| Column::words(t.at(key))));
    section.push(Block::Table {
        caption: t.own("card.turned_how"),
        columns,
        rows: open
            .map(|a| row(part_words(paper, &a.name), heads.len()))
            .collect(),
        tall: true,
    });
    section
}

fn end(paper: &JobPaper<'_>) -> Section {
    let t = paper.texts;
    let mut section = Section::new(t.at("card.end"));
    for (key, count) in [("card.done", 3), ("card.declined", 2), ("card.next", 1)] {
        section.push(Block::Lines {
            label: t.own(key),
            count,
        });
    }
    section.push(Block::Sign {
        labels: ["card.sign_shop", "card.sign_owner"]
            .map(|k| t.own(k))
            .into(),
    });
    section
}

//! What several documents say alike.

use evenpull_diagnose::{Assessment, Cause, CauseCode};
use evenpull_job::{AdjusterKind, CautionWhen, SealState, SprayResult, cautions_for};

use super::model::{Block, Column, Document, Photo, Section};
use super::paper::{JobPaper, PaperPhoto};
use super::sources::HASH_DIGITS;
use super::texts::DocumentTexts;
use crate::canvas::shortened;
use crate::turn;
use crate::verdict::{held_words, odds_of};
use crate::wording::{body_words, cause_headline};

/// Causes below this probability are left out of an owner's document; the findings page has them all.
const WORTH_SAYING: f64 = 0.10;
/// Letters of a job's name at the foot of a sheet.
const FOOT_ROOM: usize = 48;

/// A document with its head and foot, still without sections.
pub(crate) fn begun(paper: &JobPaper<'_>, title_key: &str) -> Document {
    let t = paper.texts;
    let r = paper.record;
    let mut head = vec![(t.own("head.machine"), paper.now.machine.clone())];
    if let Some(km) = r.odometer_km {
        head.push((
            t.own("head.odometer"),
            format!("{} km", paper.writing.figure(km as f64, 0)),
        ));
    }
    if let Some(booked) = &r.booked {
        head.push((t.own("head.booked"), booked.clone()));
    }
    if let Some(words) = practice(paper) {
        head.push((t.own("head.practice"), words));
    }
    head.push((t.own("head.written"), paper.stamp.written.text()));
    head.push((t.own("head.job"), paper.stamp.job_name.clone()));
    Document {
        title: t.own(title_key),
        shop: paper.stamp.shop.clone(),
        lang: t.own("head.lang"),
        head,
        sections: Vec::new(),
        foot: foot(paper),
        written: paper.stamp.written,
        ident: format!(
            "{title_key} {} {} {}",
            paper.stamp.job_name,
            paper.stamp.data_sha256,
            paper.stamp.written.text()
        ),
    }
}

/// Which readings are of the practice engine; an owner must not take them for the machine's.
fn practice(paper: &JobPaper<'_>) -> Option<String> {
    let t = paper.texts;
    let readings = &paper.job.readings;
    let numbers: Vec<String> = (readings.iter().enumerate())
        .filter(|(_, r)| r.practice)
        .map(|(i, _)| format!("R{}", i + 1))
        .collect();
    if numbers.is_empty() {
        None
    } else if numbers.len() == readings.len() {
        Some(t.own("head.practice_all"))
    } else {
        Some(t.fill("head.practice_some", &[("readings", &numbers.join(", "))]))
    }
}

/// Checks made by hand that say something by themselves, a sentence each.
pub(crate) fn by_hand(paper: &JobPaper<'_>) -> Vec<String> {
    let all = evenpull_job::check_findings(paper.job, paper.profile);
    let mut said: Vec<String> = (all.into_iter())
        .map(|n| paper.writing.sentence(&n.text))
        .collect();
    let sprayed = paper.job.checks.stub_spray.iter().flat_map(|s| s.iter());
    let bodies = paper.profile.bodies().iter().zip(sprayed);
    let leaks = bodies.filter(|(_, result)| *result == Some(&SprayResult::Change));
    said.extend(leaks.map(|(body, _)| {
        let body = body_words(body);
        paper.texts.fill("checks.sprayed", &[("body", &body)])
    }));
    said
}

/// Program, data and version, so that a sheet can be told from any other.
fn foot(paper: &JobPaper<'_>) -> String {
    let t = paper.texts;
    let s = paper.stamp;
    let digest: String = s.data_sha256.chars().take(HASH_DIGITS).collect();
    let mut foot = t.fill(
        "head.foot",
        &[
            ("version", &s.program_version),
            // The head has it whole; a foot of many lines would run off the sheet.
            ("job", &shortened(&s.job_name, FOOT_ROOM)),
            ("digest", &digest),
            ("written", &s.written.text()),
        ],
    );
    if let Some(version) = s.version {
        foot.push_str(&t.fill("head.foot_version", &[("number", &version.to_string())]));
    }
    foot
}

/// A sealed part or adjuster in an owner's words.
pub(crate) fn part_words(paper: &JobPaper<'_>, name: &str) -> String {
    let t = paper.texts;
    let Some(adjuster) = paper.profile.adjuster(name) else {
        return name.to_owned();
    };
    let bodies: Vec<String> = adjuster.bodies.iter().map(|b| body_words(b)).collect();
    let key = match adjuster.kind {
        AdjusterKind::Balance => return adjuster.name,
        AdjusterKind::Bleed => "parts.bleed",
        AdjusterKind::Stop => "parts.stop",
        AdjusterKind::LinkEnd => "parts.link",
        AdjusterKind::Sensor => "parts.sensor",
    };
    t.fill(key, &[("body", &bodies.join(", "))])
}

/// Names of the sealed parts of the machine.
pub(crate) fn sealed_parts(paper: &JobPaper<'_>) -> Vec<String> {
    let all = paper.profile.adjusters().into_iter();
    all.filter(|a| a.kind.is_sealed()).map(|a| a.name).collect()
}

/// A state in the words of the language; `None` stands for a seal nobody noted.
pub(crate) fn seal_words(texts: &DocumentTexts, state: Option<&str>) -> String {
    let is = |s: SealState| state == Some(s.as_str());
    texts.own(if is(SealState::Intact) {
        "seals.intact"
    } else if is(SealState::Disturbed) {
        "seals.disturbed"
    } else if is(SealState::CannotSee) {
        "seals.cannot_see"
    } else {
        "seals.not_noted"
    })
}

/// The state of every sealed part as found, and as handed over if `fitted`.
pub(crate) fn seals(paper: &JobPaper<'_>, fitted: bool) -> Block {
    let t = paper.texts;
    let mut columns = vec![
        Column::words(t.at("seals.part")),
        Column::words(t.at("seals.found")),
    ];
    if fitted {
        columns.push(Column::words(t.at("seals.fitted")));
    }
    let handed = |part: &str| {
        let last = paper.record.seals_fitted.iter().rev();
        last.into_iter()
            .find(|(p, _)| p == part)
            .map(|(_, state)| state.as_str())
    };
    let rows = sealed_parts(paper).into_iter().map(|part| {
        let found = paper.job.seal(&part).map(SealState::as_str);
        let mut row = vec![part_words(paper, &part), seal_words(t, found)];
        if fitted {
            row.push(seal_words(t, handed(&part)));
        }
        row
    });
    Block::Table {
        caption: String::new(),
        columns,
        rows: rows.collect(),
        tall: false,
    }
}

/// What the readings say is the matter, most probable first, with the strongest evidence.
pub(crate) fn causes(paper: &JobPaper<'_>, found: &Assessment) -> Vec<Block> {
    let texts = paper.texts;
    if found.causes.is_empty() {
        return vec![Block::text(texts.at("findings.none"))];
    }
    let mut blocks = Vec::new();
    if found.undetermined {
        blocks.push(Block::lead(texts.at("findings.undetermined")));
        let held = held_words(found).map(|words| Block::text(paper.writing.sentence(&words)));
        blocks.extend(held);
    }
    let worth = found
        .causes
        .iter()
        .enumerate()
        .filter(|(i, c)| *i == 0 || c.probability >= WORTH_SAYING);
    for (_, cause) in worth {
        let line = cause_line(cause, found);
        blocks.push(if found.undetermined {
            Block::text(line)
        } else {
            Block::lead(line)
        });
        let sides = [
            ("findings.for", &cause.evidence_for),
            ("findings.against", &cause.evidence_against),
        ];
        let points: Vec<String> = sides
            .iter()
            .flat_map(|(key, all)| {
                let side = texts.at(key);
                all.iter()
                    .map(move |e| format!("{side} {}", paper.writing.sentence(e)))
            })
            .collect();
        if !points.is_empty() {
            blocks.push(Block::List { items: points });
        }
    }
    blocks
}

/// `Inlet stub leak, right: almost certain (more than 99 %)`.
pub(crate) fn cause_line(cause: &Cause, found: &Assessment) -> String {
    let body = cause
        .body
        .as_deref()
        .filter(|_| cause.code != CauseCode::None)
        .map_or_else(String::new, |b| format!(", {}", body_words(b)));
    format!("{}{body}: {}", cause_headline(cause), odds_of(cause, found))
}

/// What was turned, each adjuster once with the sum of its turns.
pub(crate) fn turned(paper: &JobPaper<'_>) -> Vec<String> {
    let t = paper.texts;
    paper
        .turned()
        .into_iter()
        .map(|(name, sum)| {
            let adjuster = paper.profile.adjuster(&name);
            let way = adjuster.map_or_else(String::new, |a| a.way(sum).to_owned());
            let size = evenpull_diagnose::Interval {
                value: sum.abs(),
                lo90: sum.abs() - 1.0 / 32.0,
                hi90: sum.abs() + 1.0 / 32.0,
            };
            let count = turn::fraction(&size).unwrap_or_else(|| paper.writing.figure(sum.abs(), 2));
            let unit = turn::unit(&size);
            t.fill(
                "done.turned",
                &[
                    ("part", &part_words(paper, &name)),
                    ("turns", &format!("{count} {unit}")),
                    ("exact", &paper.writing.figure(sum.abs(), 2)),
                    ("way", &way),
                ],
            )
        })
        .collect()
}

/// True if a sealed part was turned in this job.
pub(crate) fn sealed_turned(paper: &JobPaper<'_>) -> bool {
    paper.turned().iter().any(|(name, turns)| {
        let adjuster = paper.profile.adjuster(name);
        *turns != 0.0 && adjuster.is_some_and(|a| a.kind.is_sealed())
    })
}

/// Photos of one side of the work, or nothing.
pub(crate) fn photos(paper: &JobPaper<'_>, after: bool) -> Option<Block> {
    let side = paper.record.photos.iter().filter(|p| p.after == after);
    let photos: Vec<Photo> = side.map(|p| photo(p, paper.texts)).collect();
    (!photos.is_empty()).then_some(Block::Photos { photos })
}

fn photo(photo: &PaperPhoto, texts: &DocumentTexts) -> Photo {
    let caption = if photo.caption.trim().is_empty() {
        texts.own("photos.no_caption")
    } else {
        photo.caption.clone()
    };
    Photo {
        jpeg: photo.jpeg.clone(),
        file: String::new(),
        caption,
    }
}

/// What to mind on the road and with emission parts.
pub(crate) fn cautions(paper: &JobPaper<'_>) -> Block {
    let t = paper.texts;
    let kinds = [CautionWhen::RoadTest, CautionWhen::EmissionParts];
    let of_kind = kinds.into_iter().flat_map(cautions_for);
    let mut items: Vec<String> = of_kind.map(|c| c.text.to_owned()).collect();
    items.push(t.own("cautions.manual"));
    Block::List { items }
}

/// Why sealed parts stay sealed, in a frame.
pub(crate) fn do_not_turn(paper: &JobPaper<'_>) -> Block {
    let t = paper.texts;
    let parts: Vec<String> = sealed_parts(paper)
        .iter()
        .map(|p| part_words(paper, p))
        .collect();
    Block::Frame {
        head: t.own("sealed.head"),
        lines: vec![
            t.fill("sealed.parts", &[("parts", &parts.join("; "))]),
            t.own("sealed.why"),
            t.own("sealed.if"),
        ],
    }
}

/// Bodies with the mark each has in the pictures.
pub(crate) fn key_words(paper: &JobPaper<'_>) -> String {
    const MARKS: [&str; 8] = [
        "marks.disc",
        "marks.square",
        "marks.triangle",
        "marks.diamond",
        "marks.down",
        "marks.tall",
        "marks.flat",
        "marks.hourglass",
    ];
    let t = paper.texts;
    let bodies = paper.now.body_names.iter().enumerate();
    let named: Vec<String> = bodies
        .map(|(i, body)| format!("{}: {}", t.at(MARKS[i % MARKS.len()]), body_words(body)))
        .collect();
    format!("{}.", named.join("; "))
}

/// Pushes what is there.
pub(crate) fn push_all(section: &mut Section, blocks: impl IntoIterator<Item = Block>) {
    for block in blocks {
        section.push(block);
    }
}

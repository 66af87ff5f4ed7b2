//! The page as a whole.

use askama::Template;
use evenpull_diagnose::Assessment;

use crate::area::{AreaRow, area_picture, area_rows, evenness_picture};
use crate::baseline::{BaselineView, baseline};
use crate::bodies::{Bodies, bodies};
use crate::causes::{CauseView, causes};
use crate::depression::{DepressionRow, depression_picture, depression_rows};
use crate::legend::{LegendEntry, legend};
use crate::mixture::{Mixture, mixture};
use crate::number::fixed;
use crate::recordings::{CyclePanel, TechnicalRow, cycle_panels, short_name, technical_rows};
use crate::row_plot::NamedPicture;
use crate::steps::{Step, steps};
use crate::verdict::{Verdict, verdict};
use crate::writing::Writing;
use crate::written_page::as_written;

/// Style of the page, tokens first; served pages add to it.
pub const STYLE: &str = include_str!("../templates/page.css");

/// What the page says about itself.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Meta {
    /// Title of the document, e.g. `Findings`.
    pub title: String,
    /// Version of the program that wrote it.
    pub program_version: String,
    /// Date and time of writing, as it shall be read.
    pub written_at: String,
    /// Name of the job's folder.
    pub job_name: String,
    /// What to mind where the engine runs, one sentence each, in order.
    pub cautions: Vec<String>,
    /// Decimal sign, and unit of pressures.
    pub writing: Writing,
}

/// A remark with its code.
#[derive(Debug)]
struct Remark {
    code: &'static str,
    text: String,
    /// Reading it concerns; `None` for the whole job.
    reading: Option<String>,
}

/// A numbered reading and its full label.
#[derive(Debug)]
struct ReadingName {
    short: String,
    label: String,
    plate: Option<String>,
}

#[derive(Debug, Template)]
#[template(path = "page.html")]
struct Page<'a> {
    style: &'static str,
    meta: &'a Meta,
    machine: &'a str,
    profile: &'a str,
    verdict: Verdict,
    steps: Vec<Step>,
    leave_sealed: &'a [String],
    baseline: Option<BaselineView>,
    legend: Vec<LegendEntry>,
    causes: Vec<CauseView>,
    good_kpa: String,
    act_kpa: String,
    /// Unit of pressures.
    unit: &'static str,
    depression: Vec<DepressionRow>,
    depression_picture: Option<String>,
    areas: Vec<AreaRow>,
    area_pictures: Vec<NamedPicture>,
    cycles: Vec<CyclePanel>,
    bodies: Bodies,
    mixture: Mixture,
    remarks: Vec<Remark>,
    readings: Vec<ReadingName>,
    technical: Vec<TechnicalRow>,
}

/// Writes an assessment as one self-contained page (HTML that is also well-formed XML).
///
/// All text of `assessment` and `meta` is escaped. Values that are missing or not finite are
/// named in words and left out of the pictures; sections without content say so. The page holds
/// its styles and pictures itself, runs no script and asks nothing of a network.
pub fn page(assessment: &Assessment, meta: &Meta) -> String {
    // Decimal signs are set once, in the whole page.
    let plain = meta.writing.with(None, Some(false));
    let page = Page {
        style: STYLE,
        meta,
        machine: &assessment.machine,
        profile: &assessment.profile,
        verdict: verdict(assessment),
        steps: steps(assessment),
        leave_sealed: &assessment.leave_sealed,
        baseline: baseline(assessment, plain),
        legend: legend(&assessment.body_names),
        causes: causes(assessment),
        good_kpa: fixed(assessment.good_kpa, 1),
        act_kpa: fixed(assessment.act_kpa, 1),
        unit: plain.unit(),
        depression: depression_rows(assessment, plain),
        depression_picture: depression_picture(assessment, plain),
        areas: area_rows(assessment),
        area_pictures: area_pictures(assessment),
        cycles: cycle_panels(assessment, plain),
        bodies: bodies(assessment),
        mixture: mixture(assessment),
        remarks: remarks(assessment),
        readings: readings(assessment),
        technical: technical_rows(assessment, plain),
    };
    let html = page
        .render()
        .expect("the template has no fallible part and writing to a string cannot fail");
    as_written(&without_controls(html), meta.writing)
}

/// Control characters are not allowed in XML and mean nothing on a page.
pub(crate) fn without_controls(html: String) -> String {
    let foreign = |c: char| (c.is_control() && c != '\n') || matches!(c, '\u{FFFE}' | '\u{FFFF}');
    if html.contains(foreign) {
        html.replace(foreign, "\u{FFFD}")
    } else {
        html
    }
}

fn area_pictures(assessment: &Assessment) -> Vec<NamedPicture> {
    [
        ("Through-area", area_picture(assessment)),
        ("Over the mean of the bodies", evenness_picture(assessment)),
    ]
    .into_iter()
    .filter_map(|(name, drawing)| {
        Some(NamedPicture {
            name,
            drawing: drawing?,
        })
    })
    .collect()
}

fn remarks(assessment: &Assessment) -> Vec<Remark> {
    let whole = assessment.notices.iter().map(|n| Remark {
        code: n.code,
        text: n.text.clone(),
        reading: None,
    });
    let single = assessment.readings.iter().enumerate().flat_map(|(i, r)| {
        let notices = r.cycle.iter().flat_map(|c| &c.notices);
        notices.map(move |n| Remark {
            code: n.code,
            text: n.text.clone(),
            reading: Some(short_name(i, r)),
        })
    });
    whole.chain(single).collect()
}

fn readings(assessment: &Assessment) -> Vec<ReadingName> {
    assessment
        .readings
        .iter()
        .enumerate()
        .map(|(i, r)| ReadingName {
            short: short_name(i, r),
            label: r.label.clone(),
            plate: r.plate_deg.filter(|d| d.is_finite()).map(|d| fixed(d, 2)),
        })
        .collect()
}

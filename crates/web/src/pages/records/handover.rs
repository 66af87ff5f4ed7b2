//! Handover: before and after, what was found and done, what is sealed; prints on one sheet.

use askama::Template;
use axum::extract::{Path, State};
use axum::response::{Redirect, Response};
use evenpull_app::{Assessment, Condition, ReadingResult, SealMoment};

use super::papers::{PaperRow, RemarkRow, paper_rows, remark_rows, topics};
use super::stored::{JobHead, SealRow, Stored, part_words, records, stored};
use crate::page::{Place, Shell, Visitor, shown};
use crate::pages::aside::problem;
use crate::pages::{Findings, condition_words, findings_view};
use crate::posted::Posted;
use crate::problem::Problem;
use crate::state::Web;

#[derive(Debug, Template)]
#[template(path = "job_handover.html")]
struct HandoverPage {
    s: Shell,
    job: JobHead,
    odometer: Option<i64>,
    booked: String,
    printed: String,
    bodies: Vec<String>,
    unit: &'static str,
    good: String,
    rows: Vec<BeforeAfter>,
    findings: Option<Findings>,
    stale: bool,
    turned: Vec<String>,
    overrides: Vec<(String, String)>,
    found: Vec<SealRow>,
    fitted: Vec<SealRow>,
    note: String,
    papers: Vec<PaperRow>,
    remarks: Vec<RemarkRow>,
    topics: Vec<(&'static str, &'static str)>,
}

#[derive(Debug)]
struct BeforeAfter {
    place: String,
    before: Vec<String>,
    before_apart: String,
    after: Vec<String>,
    after_apart: String,
    even: bool,
}

pub(crate) async fn handover(
    State(web): State<Web>,
    visitor: Visitor,
    Path(id): Path<i64>,
) -> Result<Response, Problem> {
    let job = stored(&web, id).await?;
    let found = web.assessed(id);
    let writing = visitor.writing;
    Ok(shown(&HandoverPage {
        job: job.head(&visitor, "handover"),
        odometer: job.record.line.odometer_km,
        booked: web.when(job.record.line.created.ms),
        printed: web.now(),
        bodies: job.profile.bodies().to_vec(),
        unit: writing.unit(),
        good: writing.pressure_unit(job.profile.tolerance.good_kpa),
        rows: found
            .as_ref()
            .map_or_else(Vec::new, |f| rows(&f.assessment, &visitor)),
        stale: found.as_ref().is_none_or(|f| f.state != job.state),
        findings: found.map(|f| findings_view(&f.assessment, |_| false, writing)),
        turned: turned(&job, &visitor),
        overrides: job
            .record
            .overrides
            .iter()
            .map(|o| {
                (
                    part_words(&job.profile, &o.adjuster, &visitor.texts),
                    o.reason.clone(),
                )
            })
            .collect(),
        found: job.seals(SealMoment::Found, &visitor.texts),
        fitted: job.seals(SealMoment::Fitted, &visitor.texts),
        note: job
            .record
            .progress
            .iter()
            .rev()
            .map(|p| p.note.clone())
            .find(|n| !n.is_empty())
            .unwrap_or_default(),
        papers: paper_rows(&web, id).await?,
        remarks: remark_rows(&job),
        topics: topics(),
        s: visitor.shell(Place::Jobs),
    }))
}

/// The sum of the turns of each adjuster.
fn turned(job: &Stored, visitor: &Visitor) -> Vec<String> {
    let mut sums: Vec<(String, f64)> = Vec::new();
    for a in &job.record.adjustments {
        match sums.iter_mut().find(|(name, _)| *name == a.adjuster) {
            Some((_, sum)) => *sum += a.turns,
            None => sums.push((a.adjuster.clone(), a.turns)),
        }
    }
    sums.into_iter()
        .map(|(name, sum)| {
            let way = job.profile.adjuster(&name).map(|a| a.way(sum).to_owned());
            let way = way.unwrap_or_default();
            let words = part_words(&job.profile, &name, &visitor.texts);
            format!("{words}: {} {way}", visitor.writing.fixed(sum.abs(), 2))
        })
        .collect()
}

/// First and last reading of each condition; not of the sweep, whose speeds differ.
fn rows(found: &Assessment, visitor: &Visitor) -> Vec<BeforeAfter> {
    let good = found.good_kpa;
    Condition::ALL
        .into_iter()
        .filter(|c| *c != Condition::Sweep)
        .filter_map(|condition| {
            let of: Vec<Vec<f64>> = found
                .readings
                .iter()
                .filter(|r| r.condition == condition.as_str())
                .filter_map(depressions)
                .collect();
            let before = of.first()?;
            let after = (of.len() > 1).then(|| &of[of.len() - 1]);
            let w = visitor.writing;
            let cells = |kpa: &Vec<f64>| kpa.iter().map(|v| w.pressure(*v)).collect();
            Some(BeforeAfter {
                place: condition_words(condition, &visitor.texts).to_owned(),
                before: cells(before),
                before_apart: w.pressure(apart(before)),
                after: after.map_or_else(|| vec!["–".to_owned(); before.len()], cells),
                after_apart: after.map_or_else(|| "–".to_owned(), |a| w.pressure(apart(a))),
                even: apart(after.unwrap_or(before)) <= good,
            })
        })
        .collect()
}

fn depressions(reading: &ReadingResult) -> Option<Vec<f64>> {
    let cycle = reading.cycle.as_ref();
    let recorded = cycle.map(|c| c.channels.iter().map(|c| c.mean_depression_kpa).collect());
    recorded.or_else(|| reading.gauge_kpa.clone())
}

fn apart(kpa: &[f64]) -> f64 {
    let high = kpa.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let low = kpa.iter().copied().fold(f64::INFINITY, f64::min);
    high - low
}

/// Keeps the note of the handover with the last step of the order.
pub(crate) async fn handover_posted(
    State(web): State<Web>,
    Path(id): Path<i64>,
    form: Posted,
) -> Result<Redirect, Problem> {
    let records = records(&web)?;
    let step = evenpull_app::Step::ReRead;
    let kept = records.record_step(id, step, true, form.text("note")).await;
    kept.map_err(|e| problem(&web, &e))?;
    Ok(Redirect::to(&format!("/jobs/{id}/handover")))
}

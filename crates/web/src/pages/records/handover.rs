//! Handover: before and after, what was found and done, what is sealed; prints on one sheet.

use askama::Template;
use axum::extract::{Path, State};
use axum::response::{Redirect, Response};
use evenpull_app::{SealMoment, ShownFindings};

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
    rows: Vec<Row>,
    /// Something was turned that no reading followed.
    since_last: bool,
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
struct Row {
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
    let found = job.found(&web).await?;
    let writing = visitor.writing;
    let since_last = job.record.turned_since_last_reading();
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
            .map_or_else(Vec::new, |f| rows(&job, f, since_last, &visitor)),
        since_last,
        stale: found.as_ref().is_none_or(|f| f.stale),
        findings: found.map(|f| findings_view(&f, |_| false, writing)),
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
    for a in job.record.turns_made() {
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
            format!("{words}: {} {way}", visitor.writing.plain(sum.abs(), 3))
        })
        .collect()
}

/// Each condition before the first turn and after the last; not the sweep, whose speeds differ.
fn rows(job: &Stored, found: &ShownFindings, since_last: bool, visitor: &Visitor) -> Vec<Row> {
    let w = visitor.writing;
    let side = |side: Option<(Vec<Option<f64>>, f64)>| {
        let dash = || "–".to_owned();
        let (kpa, apart) =
            side.unwrap_or_else(|| (vec![None; job.profile.bodies().len()], f64::NAN));
        let cells = kpa
            .into_iter()
            .map(|v| v.map_or_else(dash, |v| w.pressure(v)));
        (cells.collect(), w.pressure(apart), apart <= found.good_kpa)
    };
    found
        .before_after(&job.profile, since_last, w)
        .into_iter()
        .map(|pair| {
            let (before, before_apart, _) = side(pair.before);
            let (after, after_apart, even) = side(pair.after);
            Row {
                place: condition_words(pair.condition, &visitor.texts).to_owned(),
                before,
                before_apart,
                after,
                after_apart,
                even,
            }
        })
        .collect()
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

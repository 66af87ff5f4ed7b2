//! The inspection of a used machine: everything it takes on one page, one press at its end.

use askama::Template;
use axum::extract::{Path, State};
use axum::response::{Redirect, Response};
use evenpull_app::{
    CautionWhen, Condition, GAUGE_UNITS, GaugeEntry, PressureUnit, ReadingEntry, RemarkTopic,
    SealMoment, Together, cautions_for,
};

use super::booking::posted_seals;
use super::stored::{JobHead, SealRow, records, stored};
use crate::page::{Place, Shell, Visitor, shown};
use crate::pages::aside::problem_of_readings;
use crate::pages::condition_words;
use crate::posted::Posted;
use crate::problem::Problem;
use crate::state::Web;

/// What an inspection reads; a sweep takes recordings and the bench.
const CONDITIONS: [Condition; 2] = [Condition::Idle, Condition::Hold];

#[derive(Debug, Template)]
#[template(path = "job_inspection.html")]
struct InspectionPage {
    s: Shell,
    job: JobHead,
    row_seals: Vec<SealRow>,
    bodies: Vec<String>,
    conditions: Vec<(&'static str, String)>,
    units: [PressureUnit; 8],
    cautions: Vec<&'static str>,
}

pub(crate) async fn inspection(
    State(web): State<Web>,
    visitor: Visitor,
    Path(id): Path<i64>,
) -> Result<Response, Problem> {
    let job = stored(&web, id).await?;
    Ok(shown(&InspectionPage {
        job: job.head(&visitor, "inspection"),
        row_seals: job.seals(SealMoment::Found, &visitor.texts),
        bodies: job.profile.bodies().to_vec(),
        conditions: CONDITIONS
            .map(|c| (c.as_str(), condition_words(c, &visitor.texts).to_owned()))
            .into(),
        units: GAUGE_UNITS,
        cautions: cautions_for(CautionWhen::EngineRuns)
            .map(|c| c.text)
            .collect(),
        s: visitor.shell(Place::Jobs),
    }))
}

/// Keeps what was seen and read, and goes on to the sheet.
pub(crate) async fn inspection_posted(
    State(web): State<Web>,
    Path(id): Path<i64>,
    form: Posted,
) -> Result<Redirect, Problem> {
    let job = stored(&web, id).await?;
    // Kept as a whole: a slip in the last field, or a value out of range, leaves nothing half done.
    let seals = posted_seals(&job, &form, SealMoment::Found)?;
    let readings = CONDITIONS
        .into_iter()
        .map(|c| reading(&form, job.profile.bodies(), c))
        .collect::<Result<Vec<_>, _>>()?;
    let remarks = [
        ("found", RemarkTopic::Found),
        ("left", RemarkTopic::NotChecked),
    ];
    let written = remarks
        .into_iter()
        .filter(|(field, _)| !form.text(field).is_empty());
    let readings: Vec<ReadingEntry> = readings.into_iter().flatten().collect();
    let conditions: Vec<Condition> = readings.iter().map(|r| r.condition).collect();
    let noted = Together {
        seals,
        readings,
        remarks: written
            .map(|(field, topic)| (topic, form.text(field).to_owned()))
            .collect(),
        ..Together::default()
    };
    // An empty form asks for the paper alone.
    if noted != Together::default() {
        let kept = records(&web)?.record_together(id, noted).await;
        let all = job.record.readings.iter();
        let before = all.filter(|r| r.withdrawn_reason.is_none()).count();
        kept.map_err(|e| problem_of_readings(&web, &e, before, &conditions))?;
    }
    Ok(Redirect::to(&format!("/jobs/{id}/papers/inspection.pdf")))
}

/// The reading of one condition; `None` where no gauge was typed.
fn reading(
    form: &Posted,
    bodies: &[String],
    condition: Condition,
) -> Result<Option<ReadingEntry>, Problem> {
    let word = condition.as_str();
    let field = |name: &str| form.maybe_number(&format!("{word}.{name}"));
    let mut values = Vec::new();
    for body in bodies {
        if let Some(v) = field(&format!("gauge.{body}"))? {
            values.push((body.clone(), v));
        }
    }
    if values.is_empty() {
        return Ok(None);
    }
    let unit: PressureUnit = match form.text("unit") {
        "" => PressureUnit::KPa,
        word => word
            .parse()
            .map_err(|e| Problem::Input(format!("`{}`: {e}", form.label("unit"))))?,
    };
    Ok(Some(ReadingEntry {
        gauge: Some(GaugeEntry {
            values,
            unit: unit.name().to_owned(),
        }),
        rpm: form.maybe_whole(&format!("{word}.rpm"))?,
        sensor_v: field("sensor_v")?,
        idle_valve_steps: form.maybe_whole(&format!("{word}.steps"))?,
        engine_c: form.maybe_number("engine_c")?,
        ..ReadingEntry::new(condition)
    }))
}

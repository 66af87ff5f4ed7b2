//! Readings: typed from gauges, uploaded, or taken over from the bench.

use askama::Template;
use axum::extract::{Path, State};
use axum::response::{Redirect, Response};
use evenpull_app::{
    CautionWhen, Condition, GAUGE_UNITS, GaugeEntry, PressureUnit, Profile, ReadingEntry,
    ReadingRecord, RecordingEntry, cautions_for, reading_band_rpm,
};

use super::bench_link::hose;
use super::said;
use super::stored::{JobHead, records, stored};
use crate::page::{Place, Shell, Visitor, shown};
use crate::pages::aside::problem;
use crate::pages::{Choice, condition_words, fault_choices};
use crate::posted::Posted;
use crate::problem::Problem;
use crate::state::Web;

#[derive(Debug, Template)]
#[template(path = "job_readings.html")]
struct ReadingsPage {
    s: Shell,
    job: JobHead,
    bodies: Vec<String>,
    has_bleeds: bool,
    conditions: Vec<(&'static str, String)>,
    units: [PressureUnit; 8],
    rows: Vec<ReadingRow>,
    /// The bench reads for this job.
    on_bench: bool,
    /// Recordings that can be played: number and name.
    recordings: Vec<(i64, String)>,
    faults: Vec<Choice>,
    cautions: Vec<&'static str>,
}

#[derive(Debug)]
struct ReadingRow {
    id: i64,
    condition: String,
    taken: String,
    values: Vec<(String, String)>,
    recording: String,
    withdrawn: Option<String>,
    /// What does not fit together in it; empty where all does.
    doubt: String,
}

pub(crate) async fn readings(
    State(web): State<Web>,
    visitor: Visitor,
    Path(id): Path<i64>,
) -> Result<Response, Problem> {
    let job = stored(&web, id).await?;
    let read = records(&web)?.read_depressions(id).await;
    let read = read.map_err(|e| problem(&web, &e))?;
    let conditions = Condition::ALL
        .map(|c| (c.as_str(), condition_words(c, &visitor.texts).to_owned()))
        .into();
    Ok(shown(&ReadingsPage {
        job: job.head(&visitor, "readings"),
        bodies: job.profile.bodies().to_vec(),
        has_bleeds: job.profile.bleed.is_some(),
        conditions,
        units: GAUGE_UNITS,
        rows: job
            .record
            .readings
            .iter()
            .map(|r| row(r, read.get(&r.id), &job.profile, &web, &visitor))
            .collect(),
        on_bench: web.bench_job() == Some(id),
        recordings: job
            .record
            .readings
            .iter()
            .filter_map(|r| Some((r.id, r.recording.as_ref()?.file_name.clone())))
            .collect(),
        faults: fault_choices(),
        cautions: cautions_for(CautionWhen::EngineRuns)
            .map(|c| c.text)
            .collect(),
        s: visitor.shell(Place::Jobs),
    }))
}

fn row(
    r: &ReadingRecord,
    read: Option<&Vec<Option<f64>>>,
    profile: &Profile,
    web: &Web,
    visitor: &Visitor,
) -> ReadingRow {
    let mut known = Condition::ALL.into_iter();
    let condition = known.find(|c| c.as_str() == r.condition);
    let words = condition.map(|c| condition_words(c, &visitor.texts).to_owned());
    let mut values = said::reading(&r.values_toml, visitor);
    // What gauges showed stands among the values already.
    if let Some(kpa) = read.filter(|_| r.recording.is_some()) {
        values.insert(0, said::recorded(profile.bodies(), kpa, visitor));
    }
    let file = r.recording.as_ref().map(|f| f.file_name.clone());
    let speed = said::typed_number(&r.values_toml, "rpm");
    let doubt = condition
        .zip(speed)
        .filter(|_| r.withdrawn_reason.is_none());
    ReadingRow {
        id: r.id,
        condition: words.unwrap_or_else(|| r.condition.clone()),
        taken: web.when(r.taken.ms),
        values,
        recording: file.unwrap_or_default(),
        withdrawn: r.withdrawn_reason.clone(),
        doubt: doubt
            .and_then(|(c, rpm)| speed_doubt(profile, c, rpm, visitor))
            .unwrap_or_default(),
    }
}

/// What a typed speed says against the condition it was noted for; `None` where it fits.
fn speed_doubt(
    profile: &Profile,
    condition: Condition,
    rpm: f64,
    visitor: &Visitor,
) -> Option<String> {
    let (low, high) = reading_band_rpm(profile, condition);
    // Steady readings are taken wherever they tell something.
    if condition == Condition::Sweep || (low..=high).contains(&rpm) {
        return None;
    }
    let whole = |v: f64| visitor.writing.fixed(v, 0);
    let values = [
        ("rpm", &*whole(rpm)),
        ("condition", condition_words(condition, &visitor.texts)),
        ("low", &*whole(low)),
        ("high", &*whole(high)),
    ];
    Some(visitor.texts.fill("readings.speed_doubt", &values))
}

/// Keeps a reading as typed, with its recording.
pub(crate) async fn reading_posted(
    State(web): State<Web>,
    Path(id): Path<i64>,
    form: Posted,
) -> Result<Redirect, Problem> {
    let job = stored(&web, id).await?;
    let entry = entry(&form, job.profile.bodies())?;
    if entry.gauge.is_none() && entry.recording.is_none() {
        return Err(Problem::Input(
            web.texts().at("readings.nothing").to_owned(),
        ));
    }
    let records = records(&web)?;
    let readable = records.check_recording(id, &entry).await;
    readable.map_err(|e| problem(&web, &e))?;
    let kept = records.add_reading(id, &entry).await;
    kept.map_err(|e| problem(&web, &e))?;
    Ok(Redirect::to(&format!("/jobs/{id}/readings")))
}

fn entry(form: &Posted, bodies: &[String]) -> Result<ReadingEntry, Problem> {
    let word = form.text("condition");
    let condition = Condition::ALL.into_iter().find(|c| c.as_str() == word);
    let condition = condition.ok_or_else(|| {
        let known = Condition::ALL.map(Condition::as_str).join(", ");
        form.unknown("condition", &known)
    })?;
    let per_body = |name: &str| -> Result<Vec<(String, f64)>, Problem> {
        let mut all = Vec::new();
        for body in bodies {
            if let Some(v) = form.maybe_number(&format!("{name}.{body}"))? {
                all.push((body.clone(), v));
            }
        }
        Ok(all)
    };
    let gauge = per_body("gauge")?;
    let unit: PressureUnit = match form.text("unit") {
        "" => PressureUnit::KPa,
        text => text
            .parse()
            .map_err(|e| Problem::Input(format!("`{}`: {e}", form.label("unit"))))?,
    };
    Ok(ReadingEntry {
        gauge: (!gauge.is_empty()).then(|| GaugeEntry {
            values: gauge,
            unit: unit.name().to_owned(),
        }),
        recording: form.file("recording").map(|f| RecordingEntry {
            file_name: f.name.clone(),
            bytes: f.bytes.to_vec(),
        }),
        rpm: form.maybe_whole("rpm")?,
        sensor_v: form.maybe_number("sensor_v")?,
        ecu_opening_deg: form.maybe_number("ecu_opening_deg")?,
        idle_valve_steps: form.maybe_whole("idle_valve_steps")?,
        engine_c: form.maybe_number("engine_c")?,
        bleed_turns: per_body("bleed")?,
        hose: hose(form)?,
        swapped: form.text("swapped") == "yes",
        repaired: Some(form.text("repaired").trim().to_owned()).filter(|words| !words.is_empty()),
        ..ReadingEntry::new(condition)
    })
}

/// Takes a reading out of account, with the reason; it stays on record.
pub(crate) async fn reading_withdrawn(
    State(web): State<Web>,
    Path((id, reading)): Path<(i64, i64)>,
    form: Posted,
) -> Result<Redirect, Problem> {
    let job = stored(&web, id).await?;
    if !job.record.readings.iter().any(|r| r.id == reading) {
        return Err(Problem::NotFound);
    }
    let done = records(&web)?
        .withdraw_reading(reading, form.text("reason"))
        .await;
    done.map_err(|e| problem(&web, &e))?;
    Ok(Redirect::to(&format!("/jobs/{id}/readings")))
}

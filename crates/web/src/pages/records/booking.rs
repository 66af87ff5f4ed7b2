//! Booking-in: seals as found, and photos.

use askama::Template;
use axum::extract::{Path, State};
use axum::http::header::{CONTENT_DISPOSITION, CONTENT_TYPE};
use axum::response::{IntoResponse, Redirect, Response};
use evenpull_app::{Booking, CorrectionRecord, NewPhoto, SealMoment, SealState, Together};

use super::machines::{odometer, odometer_asked};
use super::stored::{JobHead, SealRow, Stored, records, stored};
use crate::labels::label;
use crate::page::{Place, Shell, Visitor, shown};
use crate::pages::aside::problem;
use crate::posted::Posted;
use crate::problem::Problem;
use crate::state::Web;

#[derive(Debug, Template)]
#[template(path = "job_booking.html")]
struct BookingPage {
    s: Shell,
    job: JobHead,
    booked: String,
    /// What was booked in, each value as its field shows it.
    facts: [Fact; 3],
    corrected: Vec<String>,
    seals: Vec<SealRow>,
    photos: Vec<PhotoView>,
}

/// A number of the booking.
#[derive(Debug)]
struct Fact {
    field: &'static str,
    /// Key of its label.
    words: &'static str,
    /// Empty where nothing was booked.
    value: String,
}

#[derive(Debug)]
pub(super) struct PhotoView {
    pub(super) id: i64,
    pub(super) caption: String,
}

pub(crate) async fn booking(
    State(web): State<Web>,
    visitor: Visitor,
    Path(id): Path<i64>,
) -> Result<Response, Problem> {
    let job = stored(&web, id).await?;
    let booked = records(&web)?.booking(id).await;
    let booked = booked.map_err(|e| problem(&web, &e))?;
    Ok(shown(&BookingPage {
        facts: facts(&booked, &visitor),
        corrected: corrections(&job.record.corrections, &web, &visitor),
        job: job.head(&visitor, "booking"),
        booked: web.when(job.record.line.created.ms),
        seals: job.seals(SealMoment::Found, &visitor.texts),
        photos: job
            .record
            .photos
            .iter()
            .map(|p| PhotoView {
                id: p.id,
                caption: p.caption.clone(),
            })
            .collect(),
        s: visitor.shell(Place::Jobs),
    }))
}

fn facts(booked: &Booking, visitor: &Visitor) -> [Fact; 3] {
    let number = |v: Option<f64>| v.map_or_else(String::new, |v| visitor.writing.plain(v, 6));
    let fact = |field, words, value| Fact {
        field,
        words,
        value,
    };
    let km = booked
        .odometer_km
        .map_or_else(String::new, |km| km.to_string());
    [
        fact("odometer_km", "machine.odometer", km),
        fact(
            "pressure_kpa",
            "machine.ambient",
            number(booked.pressure_kpa),
        ),
        fact(
            "temperature_c",
            "machine.temperature",
            number(booked.temperature_c),
        ),
    ]
}

/// What stood where something was corrected, in words.
pub(super) fn corrections(all: &[CorrectionRecord], web: &Web, visitor: &Visitor) -> Vec<String> {
    let words = |c: &CorrectionRecord| {
        let number: Option<f64> = match c.field.as_str() {
            "pressure_kpa" | "temperature_c" => c.was.parse().ok(),
            _ => None,
        };
        let was = number.map_or_else(|| c.was.clone(), |n| visitor.writing.plain(n, 6));
        let key = if was.is_empty() {
            "booking.was_empty"
        } else {
            "booking.was"
        };
        let values = [
            ("field", &*label(&c.field, &visitor.texts)),
            ("was", &was),
            ("when", &web.when(c.corrected.ms)),
        ];
        visitor.texts.fill(key, &values)
    };
    all.iter().map(words).collect()
}

/// Corrects the booking; what stood there stays on record, and a field that the form does not have stays as it is.
pub(crate) async fn booking_corrected(
    State(web): State<Web>,
    Path(id): Path<i64>,
    form: Posted,
) -> Result<Redirect, Problem> {
    let records = records(&web)?;
    let stood = records.booking(id).await.map_err(|e| problem(&web, &e))?;
    let stood_km = stood.odometer_km;
    let mut right = stood;
    if form.has("complaint") {
        right.complaint = form.text("complaint").to_owned();
    }
    if form.has("odometer_km") {
        right.odometer_km = odometer(&form)?;
    }
    if form.has("pressure_kpa") {
        right.pressure_kpa = form.maybe_number("pressure_kpa")?;
    }
    if form.has("temperature_c") {
        right.temperature_c = form.maybe_number("temperature_c")?;
    }
    if right.odometer_km != stood_km {
        let job = records.job(id).await.map_err(|e| problem(&web, &e))?;
        let machine = job.line.machine_id;
        odometer_asked(&web, &form, machine, id, right.odometer_km).await?;
    }
    let done = records.correct_booking(id, &right).await;
    done.map_err(|e| problem(&web, &e))?;
    Ok(Redirect::to(&format!("/jobs/{id}/booking")))
}

/// Keeps the seals that changed.
pub(crate) async fn seals_posted(
    State(web): State<Web>,
    Path(id): Path<i64>,
    form: Posted,
) -> Result<Redirect, Problem> {
    let job = stored(&web, id).await?;
    let fitted = form.text("moment") == SealMoment::Fitted.as_str();
    let (moment, back) = if fitted {
        (SealMoment::Fitted, "handover")
    } else {
        (SealMoment::Found, "booking")
    };
    let seals = posted_seals(&job, &form, moment)?;
    let noted = Together {
        seals,
        ..Together::default()
    };
    if noted != Together::default() {
        let kept = records(&web)?.record_together(id, noted).await;
        kept.map_err(|e| problem(&web, &e))?;
    }
    Ok(Redirect::to(&format!("/jobs/{id}/{back}")))
}

/// Seals that were noted or changed; fields are named `seal.PART`.
pub(super) fn posted_seals(
    job: &Stored,
    form: &Posted,
    moment: SealMoment,
) -> Result<Vec<(SealMoment, String, SealState)>, Problem> {
    let states = [
        SealState::Intact,
        SealState::Disturbed,
        SealState::CannotSee,
    ];
    let mut noted = Vec::new();
    for part in job.sealed_parts() {
        let word = form.text(&format!("seal.{part}"));
        if word.is_empty() || job.seal(moment.as_str(), &part) == Some(word) {
            continue;
        }
        let state = states.into_iter().find(|s| s.as_str() == word);
        let state = state.ok_or_else(|| {
            let known = states.map(SealState::as_str).join(", ");
            form.unknown(&format!("seal.{part}"), &known)
        })?;
        noted.push((moment, part, state));
    }
    Ok(noted)
}

/// Keeps a photo, cleaned of place, time and device.
pub(crate) async fn photo_posted(
    State(web): State<Web>,
    Path(id): Path<i64>,
    form: Posted,
) -> Result<Redirect, Problem> {
    let file = form
        .file("photo")
        .ok_or_else(|| Problem::Input(web.texts().at("booking.no_photo").to_owned()))?;
    let photo = NewPhoto {
        name: file.name.clone(),
        bytes: file.bytes.to_vec(),
        caption: form.text("caption").to_owned(),
    };
    let kept = records(&web)?.add_photo(id, photo).await;
    kept.map_err(|e| problem(&web, &e))?;
    Ok(Redirect::to(&format!("/jobs/{id}/booking")))
}

/// A photo by its number; the name of its file never comes from a request.
pub(crate) async fn photo(
    State(web): State<Web>,
    Path(id): Path<i64>,
) -> Result<Response, Problem> {
    let found = records(&web)?.photo(id).await;
    let (record, bytes) = found.map_err(|e| problem(&web, &e))?;
    let kind = match record.media_type.as_str() {
        "image/png" => "image/png",
        "image/webp" => "image/webp",
        _ => "image/jpeg",
    };
    let headers = [(CONTENT_TYPE, kind), (CONTENT_DISPOSITION, "inline")];
    Ok((headers, bytes).into_response())
}

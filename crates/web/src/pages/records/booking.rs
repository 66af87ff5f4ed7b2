//! Booking-in: seals as found, and photos.

use askama::Template;
use axum::extract::{Path, State};
use axum::http::header::{CONTENT_DISPOSITION, CONTENT_TYPE};
use axum::response::{IntoResponse, Redirect, Response};
use evenpull_app::{NewPhoto, SealMoment, SealState, Stage, Together};

use super::stored::{JobHead, SealRow, Stored, records, stored};
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
    odometer: Option<i64>,
    seals: Vec<SealRow>,
    photos: Vec<PhotoView>,
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
    Ok(shown(&BookingPage {
        job: job.head(&visitor, "booking"),
        booked: web.when(job.record.line.created.ms),
        odometer: job.record.line.odometer_km,
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
    let on = !fitted && job.record.line.stage == Stage::BookingIn.as_str();
    let noted = Together {
        seals,
        stage: on.then_some(Stage::AsFound),
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
            Problem::Input(format!("`seal.{part}` = `{word}`: {known}"))
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

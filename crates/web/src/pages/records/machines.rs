//! Machines, one machine, and booking a job in.

use askama::Template;
use axum::extract::{Path, Query, State};
use axum::response::{Redirect, Response};
use evenpull_app::{
    Fragment, JobFilter, MachineBooking, MachineLine, Moment, NewJob, NewMachine, NewOwner,
    Profile, day, profile_list,
};
use serde::Deserialize;

use super::booking::corrections;
use super::jobs::{JobRow, row};
use super::owners::{self, OwnersView};
use super::stored::records;
use super::years::{self, YearsView};
use crate::page::{Place, Shell, Visitor, shown};
use crate::pages::aside::problem;
use crate::posted::Posted;
use crate::problem::Problem;
use crate::state::Web;

#[derive(Debug, Template)]
#[template(path = "machines.html")]
struct MachinesPage {
    s: Shell,
    text: String,
    rows: Vec<MachineLine>,
    profiles: Vec<(&'static str, &'static str)>,
}

#[derive(Debug, Template)]
#[template(path = "machine.html")]
struct MachinePage {
    s: Shell,
    id: i64,
    name: String,
    registration: String,
    profile: String,
    bodies: String,
    owner: Option<(String, String, String)>,
    corrected: Vec<String>,
    owners: OwnersView,
    jobs: Vec<JobRow>,
    years: YearsView,
}

/// What the list is asked for.
#[derive(Debug, Deserialize)]
pub(crate) struct MachinesQuery {
    #[serde(default)]
    text: String,
}

pub(crate) async fn machines(
    State(web): State<Web>,
    visitor: Visitor,
    Query(query): Query<MachinesQuery>,
) -> Result<Response, Problem> {
    let rows = records(&web)?.machines(&query.text, i64::MAX, 100).await;
    Ok(shown(&MachinesPage {
        rows: rows.map_err(|e| problem(&web, &e))?,
        text: query.text,
        profiles: profile_list().iter().map(|p| (p.id, p.summary)).collect(),
        s: visitor.shell(Place::Machines),
    }))
}

/// Keeps a machine, with its owner apart from it.
pub(crate) async fn machine_posted(
    State(web): State<Web>,
    form: Posted,
) -> Result<Redirect, Problem> {
    let records = records(&web)?;
    let own = form.text("profile_toml");
    let profile_toml = if own.is_empty() {
        let id = form.text("profile");
        let found = profile_list().iter().find(|p| p.id == id);
        found
            .map(|p| p.toml.to_owned())
            .ok_or_else(|| form.unknown("profile", "choose one of the list"))?
    } else {
        own.to_owned()
    };
    if form.text("name").is_empty() {
        return Err(Problem::Input(
            web.texts().at("machines.no_name").to_owned(),
        ));
    }
    // Read before anything is kept: a slip in the profile would leave an owner without a machine.
    Profile::from_toml("profile.toml", &profile_toml).map_err(|e| problem(&web, &e.into()))?;
    let owner_id = match owner(&form, &web, None)? {
        None => None,
        Some(owner) => {
            let id = records.add_owner(&owner).await;
            Some(id.map_err(|e| problem(&web, &e))?)
        }
    };
    let machine = NewMachine {
        name: form.text("name").to_owned(),
        registration: form.text("registration").to_owned(),
        profile_toml,
        owner_id,
    };
    let id = records.add_machine(&machine).await;
    let id = id.map_err(|e| problem(&web, &e))?;
    Ok(Redirect::to(&format!("/machines/{id}")))
}

/// The owner, where one was named, with a day that is not past. Of one who stands already, the note and a day that
/// was not changed stay as they are.
pub(super) fn owner(
    form: &Posted,
    web: &Web,
    stood: Option<&NewOwner>,
) -> Result<Option<NewOwner>, Problem> {
    if form.text("owner").is_empty() {
        let orphan = ["contact", "retain_until"]
            .into_iter()
            .find(|field| !form.text(field).is_empty());
        return match orphan {
            Some(field) => {
                let values = [("field", &*form.label(field))];
                Err(form.refused("machines.unnamed_owner", &values))
            }
            None if stood.is_some() => Err(form.refused("machines.owner_stays", &[])),
            None => Ok(None),
        };
    }
    let text = form.text("retain_until");
    let field = form.label("retain_until");
    let day = day(text)
        .ok_or_else(|| form.refused("machines.no_day", &[("field", &field), ("text", text)]))?;
    let now = (web.calendar())(Moment::from_ms(web.now_ms()));
    let past = day < (now.year, now.month, now.day);
    if past && stood.is_none_or(|o| o.retain_until != text) {
        let today = format!("{:04}-{:02}-{:02}", now.year, now.month, now.day);
        let values = [("field", &*field), ("text", text), ("today", &today)];
        return Err(form.refused("machines.past_day", &values));
    }
    Ok(Some(NewOwner {
        name: form.text("owner").to_owned(),
        contact: form.text("contact").to_owned(),
        note: stood.map_or_else(String::new, |o| o.note.clone()),
        retain_until: text.to_owned(),
    }))
}

/// Corrects what was entered of a machine and its owner; what stood there stays on record.
pub(crate) async fn machine_corrected(
    State(web): State<Web>,
    Path(id): Path<i64>,
    form: Posted,
) -> Result<Redirect, Problem> {
    let records = records(&web)?;
    let stood = records.machine(id).await.map_err(|e| problem(&web, &e))?;
    let of_owner = match stood.data.owner_id {
        Some(owner) => Some(records.owner(owner).await.map_err(|e| problem(&web, &e))?),
        None => None,
    };
    if form.text("name").is_empty() {
        return Err(form.refused("machines.no_name", &[]));
    }
    let right = MachineBooking {
        name: form.text("name").to_owned(),
        registration: form.text("registration").to_owned(),
        owner: owner(&form, &web, of_owner.as_ref().map(|o| &o.data))?,
    };
    let done = records.correct_machine(id, &right).await;
    done.map_err(|e| problem(&web, &e))?;
    Ok(Redirect::to(&format!("/machines/{id}")))
}

pub(crate) async fn machine(
    State(web): State<Web>,
    visitor: Visitor,
    Path(id): Path<i64>,
) -> Result<Response, Problem> {
    let records = records(&web)?;
    let found = records.machine(id).await.map_err(|e| problem(&web, &e))?;
    let profile = Profile::from_toml("profile", &found.data.profile_toml)
        .map_err(|e| problem(&web, &e.into()))?;
    let owner = match found.data.owner_id {
        Some(owner) => Some(records.owner(owner).await.map_err(|e| problem(&web, &e))?),
        None => None,
    };
    let filter = JobFilter {
        machine_id: Some(id),
        ..JobFilter::default()
    };
    let jobs = records.jobs(&filter).await.map_err(|e| problem(&web, &e))?;
    let corrected = records.machine_corrections(id).await;
    let corrected = corrected.map_err(|e| problem(&web, &e))?;
    let owners = owners::view(records, &found, &web, &visitor).await?;
    let history = records.history(id).await.map_err(|e| problem(&web, &e))?;
    Ok(shown(&MachinePage {
        id,
        owners,
        years: years::view(&history, &web),
        jobs: jobs.iter().map(|l| row(l, &web, &visitor)).collect(),
        bodies: profile.bodies().join(", "),
        profile: profile.name,
        corrected: corrections(&corrected, &web, &visitor),
        owner: owner.map(|o| (o.data.name, o.data.contact, o.data.retain_until)),
        name: found.data.name,
        registration: found.data.registration,
        s: visitor.shell(Place::Machines),
    }))
}

/// Books a job in.
pub(crate) async fn book_posted(
    State(web): State<Web>,
    Path(machine_id): Path<i64>,
    form: Posted,
) -> Result<Redirect, Problem> {
    let mut ambient = Fragment::new();
    ambient
        .maybe("pressure_kpa", form.maybe_number("pressure_kpa")?)
        .maybe("temperature_c", form.maybe_number("temperature_c")?);
    let head_toml = match ambient.as_str() {
        "" => String::new(),
        keys => format!("[ambient]\n{keys}"),
    };
    let job = NewJob {
        machine_id,
        complaint: form.text("complaint").to_owned(),
        odometer_km: odometer(&form)?,
        head_toml,
    };
    odometer_asked(&web, &form, machine_id, i64::MAX, job.odometer_km).await?;
    let id = records(&web)?.add_job(&job).await;
    let id = id.map_err(|e| problem(&web, &e))?;
    Ok(Redirect::to(&format!("/jobs/{id}/booking")))
}

/// Asks about an odometer below that of a visit before `before_job`, unless it was ticked that it stands.
pub(super) async fn odometer_asked(
    web: &Web,
    form: &Posted,
    machine_id: i64,
    before_job: i64,
    km: Option<i64>,
) -> Result<(), Problem> {
    let Some(km) = km.filter(|_| form.text("sure") != "yes") else {
        return Ok(());
    };
    let doubt = records(web)?.odometer_doubt(machine_id, before_job, km);
    let Some(doubt) = doubt.await.map_err(|e| problem(web, &e))? else {
        return Ok(());
    };
    let values = [
        ("field", &*form.label("odometer_km")),
        ("km", &km.to_string()),
        ("stood", &doubt.km.to_string()),
        ("when", &web.when(doubt.booked.ms)),
        ("job", &doubt.job_id.to_string()),
    ];
    Err(form.refused("machine.odometer_low", &values))
}

/// The odometer as it was typed, in whole kilometres.
pub(super) fn odometer(form: &Posted) -> Result<Option<i64>, Problem> {
    let km = form.maybe_whole("odometer_km")?;
    Ok(km.map(|km| km.round() as i64))
}

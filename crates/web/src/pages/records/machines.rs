//! Machines, one machine, and booking a job in.

use askama::Template;
use axum::extract::{Path, Query, State};
use axum::response::{Redirect, Response};
use evenpull_app::{
    Fragment, JobFilter, MachineLine, Moment, NewJob, NewMachine, NewOwner, Profile, profile_list,
};
use serde::Deserialize;

use super::jobs::{JobRow, row};
use super::stored::records;
use super::years::{self, YearsView};
use crate::page::{Place, Shell, Visitor, shown};
use crate::pages::aside::problem;
use crate::posted::Posted;
use crate::problem::Problem;
use crate::state::Web;
use crate::typed::day;

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
            .ok_or_else(|| Problem::Input(format!("`profile` = `{id}`")))?
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
    let owner_id = match owner(&form, &web)? {
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

/// The owner, where one was named, with a day that is not past.
fn owner(form: &Posted, web: &Web) -> Result<Option<NewOwner>, Problem> {
    if form.text("owner").is_empty() {
        let orphan = ["contact", "retain_until"]
            .into_iter()
            .find(|field| !form.text(field).is_empty());
        return match orphan {
            Some(field) => Err(form.refused("machines.unnamed_owner", &[("field", field)])),
            None => Ok(None),
        };
    }
    let text = form.text("retain_until");
    let day = day(text).ok_or_else(|| form.refused("machines.no_day", &[("text", text)]))?;
    let now = (web.calendar())(Moment::from_ms(web.now_ms()));
    if day < (now.year, now.month, now.day) {
        let today = format!("{:04}-{:02}-{:02}", now.year, now.month, now.day);
        let values = [("text", text), ("today", &today)];
        return Err(form.refused("machines.past_day", &values));
    }
    Ok(Some(NewOwner {
        name: form.text("owner").to_owned(),
        contact: form.text("contact").to_owned(),
        note: String::new(),
        retain_until: text.to_owned(),
    }))
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
    let history = records.history(id).await.map_err(|e| problem(&web, &e))?;
    Ok(shown(&MachinePage {
        id,
        years: years::view(&history, &web),
        jobs: jobs.iter().map(|l| row(l, &web, &visitor)).collect(),
        bodies: profile.bodies().join(", "),
        profile: profile.name,
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
    let odometer = form.maybe_whole("odometer_km")?;
    let job = NewJob {
        machine_id,
        complaint: form.text("complaint").to_owned(),
        odometer_km: odometer.map(|km| km.round() as i64),
        head_toml,
    };
    let id = records(&web)?.add_job(&job).await;
    let id = id.map_err(|e| problem(&web, &e))?;
    Ok(Redirect::to(&format!("/jobs/{id}/booking")))
}

//! Findings of a job: computed from what is on record, shown in short and as the whole page.

use std::sync::Arc;

use askama::Template;
use axum::extract::{Path, State};
use axum::http::header::CONTENT_SECURITY_POLICY;
use axum::response::{Html, IntoResponse, Redirect, Response};
use evenpull_app::{Assessment, assessment_page};

use super::stored::{JobHead, records, stored};
use crate::page::{Place, Shell, Visitor, shown};
use crate::pages::aside::problem;
use crate::pages::{FINDINGS_POLICY, Findings};
use crate::posted::Posted;
use crate::problem::Problem;
use crate::state::Web;

/// Findings as computed: what is kept of them for the pages is less.
#[derive(Debug)]
pub(crate) struct Assessed {
    /// Number on record.
    pub(crate) id: Option<i64>,
    pub(crate) assessment: Assessment,
    /// The whole findings page.
    pub(crate) page: String,
}

#[derive(Debug, Template)]
#[template(path = "job_findings.html")]
struct FindingsPage {
    s: Shell,
    job: JobHead,
    readings: i64,
    findings: Option<Findings>,
    /// Something was recorded since.
    stale: bool,
}

pub(crate) async fn findings(
    State(web): State<Web>,
    visitor: Visitor,
    Path(id): Path<i64>,
) -> Result<Response, Problem> {
    let job = stored(&web, id).await?;
    let found = job.found(&web).await?;
    Ok(shown(&FindingsPage {
        job: job.head(&visitor, "findings"),
        readings: job.record.line.readings,
        stale: found.as_ref().is_some_and(|f| f.stale),
        findings: found.map(|f| job.view(&f, &visitor)),
        s: visitor.shell(Place::Jobs),
    }))
}

/// Computes the findings anew; they are kept on record.
pub(crate) async fn assess_posted(
    State(web): State<Web>,
    Path(id): Path<i64>,
    _form: Posted,
) -> Result<Redirect, Problem> {
    stored(&web, id).await?;
    computed(&web, id).await?;
    Ok(Redirect::to(&format!("/jobs/{id}/findings")))
}

/// The whole findings page.
pub(crate) async fn findings_page(
    State(web): State<Web>,
    Path(id): Path<i64>,
) -> Result<Response, Problem> {
    stored(&web, id).await?;
    let found = whole(&web, id).await?;
    let headers = [(CONTENT_SECURITY_POLICY, FINDINGS_POLICY)];
    Ok((headers, Html(found.page.clone())).into_response())
}

/// Computes the findings of a job anew and keeps them.
async fn computed(web: &Web, id: i64) -> Result<Arc<Assessed>, Problem> {
    let done = records(web)?.assess(id).await;
    let done = done.map_err(|e| problem(web, &e))?;
    let found = Arc::new(Assessed {
        id: done.findings_id,
        page: assessment_page(&done.outcome, &web.now(), web.writing()),
        assessment: done.outcome.assessment,
    });
    web.keep_assessed(id, Arc::clone(&found));
    Ok(found)
}

/// The findings on record as they were computed; computed anew where this server did not do it.
pub(super) async fn whole(web: &Web, id: i64) -> Result<Arc<Assessed>, Problem> {
    let latest = records(web)?.shown_findings(id).await;
    let latest = latest.map_err(|e| problem(web, &e))?;
    let latest = latest.ok_or(Problem::NotFound)?;
    match web.assessed(id).filter(|there| there.id == latest.id) {
        Some(there) => Ok(there),
        None => computed(web, id).await,
    }
}

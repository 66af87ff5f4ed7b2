//! Findings of a job: computed from what is on record, shown in short and as the whole page.

use std::sync::Arc;

use askama::Template;
use axum::extract::{Path, State};
use axum::http::header::CONTENT_SECURITY_POLICY;
use axum::response::{Html, IntoResponse, Redirect, Response};
use evenpull_app::{Assessment, GateCheck, assessment_page};

use super::stored::{JobHead, records, stored};
use crate::page::{Place, Shell, Visitor, shown};
use crate::pages::aside::problem;
use crate::pages::{FINDINGS_POLICY, Findings};
use crate::posted::Posted;
use crate::problem::Problem;
use crate::state::Web;

/// Findings with what they were computed from.
#[derive(Debug)]
pub(crate) struct Assessed {
    /// State of the job they are of.
    pub(crate) state: String,
    pub(crate) assessment: Assessment,
    pub(crate) gates: Vec<GateCheck>,
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
    let found = web.assessed(id);
    Ok(shown(&FindingsPage {
        job: job.head(&visitor, "findings"),
        readings: job.record.line.readings,
        stale: found.as_ref().is_some_and(|f| f.state != job.state),
        findings: found.map(|f| job.view(&f.assessment, &visitor)),
        s: visitor.shell(Place::Jobs),
    }))
}

/// Computes the findings anew; they are kept on record.
pub(crate) async fn assess_posted(
    State(web): State<Web>,
    Path(id): Path<i64>,
    _form: Posted,
) -> Result<Redirect, Problem> {
    let job = stored(&web, id).await?;
    let done = records(&web)?.assess(id).await;
    let done = done.map_err(|e| problem(&web, &e))?.outcome;
    let page = assessment_page(&done, &web.now(), web.writing());
    let found = Assessed {
        state: job.state,
        assessment: done.assessment,
        gates: done.gates,
        page,
    };
    web.keep_assessed(id, Arc::new(found));
    Ok(Redirect::to(&format!("/jobs/{id}/findings")))
}

/// The whole findings page.
pub(crate) async fn findings_page(
    State(web): State<Web>,
    Path(id): Path<i64>,
) -> Result<Response, Problem> {
    stored(&web, id).await?;
    let found = web.assessed(id).ok_or(Problem::NotFound)?;
    let headers = [(CONTENT_SECURITY_POLICY, FINDINGS_POLICY)];
    Ok((headers, Html(found.page.clone())).into_response())
}

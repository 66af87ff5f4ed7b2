//! The documents of a job: made when they are asked for, kept as versions.

use axum::extract::{Path, State};
use axum::http::header::{CONTENT_DISPOSITION, CONTENT_SECURITY_POLICY, CONTENT_TYPE};
use axum::response::{IntoResponse, Redirect, Response};
use evenpull_app::{Chosen, DocumentForm, DocumentKind, KeptDocument, Paper, RemarkTopic};

use super::stored::{Stored, records};
use crate::pages::aside::problem;
use crate::posted::Posted;
use crate::problem::Problem;
use crate::state::Web;

/// Policy of a document as a page: self-contained, with pictures inside it, no script at all.
const DOCUMENT_POLICY: &str = "default-src 'none'; style-src 'unsafe-inline'; img-src data:; \
                               base-uri 'none'; form-action 'none'; frame-ancestors 'none'";

/// One document as the handover page offers it.
#[derive(Debug)]
pub(super) struct PaperRow {
    /// The word in its address.
    pub(super) kind: &'static str,
    /// Key of its name.
    pub(super) key: &'static str,
    /// The version that is given out, else the latest on record, with its time.
    pub(super) kept: Option<(i64, String)>,
    /// Nothing changed since that version.
    pub(super) current: bool,
}

/// A remark as the handover page lists it.
#[derive(Debug)]
pub(super) struct RemarkRow {
    pub(super) id: i64,
    pub(super) key: &'static str,
    pub(super) text: String,
}

/// Every document with its latest version.
pub(super) async fn paper_rows(web: &Web, id: i64) -> Result<Vec<PaperRow>, Problem> {
    let kept = records(web)?.documents(id).await;
    let kept: Vec<KeptDocument> = kept.map_err(|e| problem(web, &e))?;
    Ok(DocumentKind::ALL
        .into_iter()
        .map(|kind| {
            let latest = kept
                .iter()
                .filter(|k| k.record.kind == kind.as_str())
                .max_by_key(|k| (k.current, k.record.version));
            PaperRow {
                kind: kind.as_str(),
                key: kind_key(kind),
                kept: latest.map(|k| (k.record.version, web.when(k.record.written.ms))),
                current: latest.is_some_and(|k| k.current),
            }
        })
        .collect())
}

fn kind_key(kind: DocumentKind) -> &'static str {
    match kind {
        DocumentKind::Handover => "papers.handover",
        DocumentKind::Inspection => "papers.inspection",
        DocumentKind::JobCard => "papers.job_card",
        DocumentKind::Estimate => "papers.estimate",
        DocumentKind::WhySealed => "papers.why_sealed",
    }
}

/// The remarks of a job for the documents to come.
pub(super) fn remark_rows(job: &Stored) -> Vec<RemarkRow> {
    let all = job.record.remarks.iter();
    all.filter_map(|r| {
        Some(RemarkRow {
            id: r.id,
            key: topic_key(RemarkTopic::from_word(&r.topic)?),
            text: r.text.clone(),
        })
    })
    .collect()
}

/// Word and key of every topic.
pub(super) fn topics() -> Vec<(&'static str, &'static str)> {
    let all = RemarkTopic::ALL.into_iter();
    all.map(|t| (t.as_str(), topic_key(t))).collect()
}

fn topic_key(topic: RemarkTopic) -> &'static str {
    match topic {
        RemarkTopic::Asked => "papers.asked",
        RemarkTopic::Found => "papers.found",
        RemarkTopic::Done => "papers.done",
        RemarkTopic::Declined => "papers.declined",
        RemarkTopic::NotChecked => "papers.not_checked",
        RemarkTopic::NextCheck => "papers.next_check",
    }
}

/// A document, by a name such as `handover.pdf`, `handover-letter.pdf` or `handover.html`.
pub(crate) async fn paper(
    State(web): State<Web>,
    Path((id, file)): Path<(i64, String)>,
) -> Result<Response, Problem> {
    let (name, end) = file.rsplit_once('.').ok_or(Problem::NotFound)?;
    let (name, paper) = match name.strip_suffix("-letter") {
        Some(name) => (name, Paper::Letter),
        None => (name, Paper::A4),
    };
    let kind = DocumentKind::from_word(name).ok_or(Problem::NotFound)?;
    let pdf = match end {
        "pdf" => true,
        "html" => false,
        _ => return Err(Problem::NotFound),
    };
    let form = DocumentForm { pdf, paper };
    let made = records(&web)?
        .document(id, kind, form, &Chosen::default(), &web.calendar())
        .await;
    let made = made.map_err(|e| problem(&web, &e))?;
    let version = made.version.map_or_else(String::new, |v| format!("-{v}"));
    let named = format!("inline; filename=\"{}-{id}{version}.{end}\"", kind.as_str());
    let kind = if pdf {
        "application/pdf"
    } else {
        "text/html; charset=utf-8"
    };
    let headers = [
        (CONTENT_TYPE, kind.to_owned()),
        (CONTENT_DISPOSITION, named),
        (CONTENT_SECURITY_POLICY, DOCUMENT_POLICY.to_owned()),
    ];
    Ok((headers, made.bytes).into_response())
}

/// Keeps a remark.
pub(crate) async fn remark_posted(
    State(web): State<Web>,
    Path(id): Path<i64>,
    form: Posted,
) -> Result<Redirect, Problem> {
    let word = form.text("topic");
    let topic = RemarkTopic::from_word(word);
    let topic = topic.ok_or_else(|| Problem::Input(format!("`topic` = `{word}`")))?;
    let kept = records(&web)?
        .record_remark(id, topic, form.text("text"))
        .await;
    kept.map_err(|e| problem(&web, &e))?;
    Ok(Redirect::to(&format!("/jobs/{id}/handover#remarks")))
}

/// Takes a remark out of the documents to come.
pub(crate) async fn remark_withdrawn(
    State(web): State<Web>,
    Path((id, remark)): Path<(i64, i64)>,
    _form: Posted,
) -> Result<Redirect, Problem> {
    let records = records(&web)?;
    let job = records.job(id).await.map_err(|e| problem(&web, &e))?;
    if !job.remarks.iter().any(|r| r.id == remark) {
        return Err(Problem::NotFound);
    }
    let done = records.withdraw_remark(remark).await;
    done.map_err(|e| problem(&web, &e))?;
    Ok(Redirect::to(&format!("/jobs/{id}/handover#remarks")))
}

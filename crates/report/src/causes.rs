//! The causes weighed, with the evidence on both sides.

use evenpull_diagnose::{Assessment, Cause};

use crate::verdict::odds_of;
use crate::wording::{body_words, cause_headline, cause_name};

/// One cause as the page shows it.
#[derive(Debug)]
pub(crate) struct CauseView {
    pub(crate) name: String,
    pub(crate) body: Option<String>,
    pub(crate) odds: String,
    /// Length of the bar [%], 0 to 100.
    pub(crate) bar: u32,
    /// Members of a family the readings cannot separate; empty when it is no family.
    pub(crate) family: Vec<&'static str>,
    pub(crate) evidence_for: Vec<String>,
    pub(crate) evidence_against: Vec<String>,
}

/// All causes, most probable first as assessed.
pub(crate) fn causes(assessment: &Assessment) -> Vec<CauseView> {
    assessment
        .causes
        .iter()
        .map(|cause| view(cause, assessment))
        .collect()
}

fn view(cause: &Cause, assessment: &Assessment) -> CauseView {
    let family = if cause.members.len() > 1 {
        cause.members.iter().map(|&m| cause_name(m)).collect()
    } else {
        Vec::new()
    };
    // A NaN would pass through `clamp`; the cast turns it into zero.
    let bar = (cause.probability * 100.0).clamp(0.0, 100.0).round() as u32;
    CauseView {
        name: cause_headline(cause),
        body: cause.body.as_deref().map(body_words),
        odds: odds_of(cause, assessment),
        bar,
        family,
        evidence_for: cause.evidence_for.clone(),
        evidence_against: cause.evidence_against.clone(),
    }
}

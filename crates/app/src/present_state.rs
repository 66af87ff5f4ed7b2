//! Which readings show the machine as it stands now.
//!
//! A sealed part that was turned and anything that was repaired make another machine of it: readings before and
//! after belong to two states and must not be fitted together. A known jet is no part of the machine either.
//! Balance adjusters and bleeds may be turned: the fit counts their turns, and learns from them what
//! a turn does.

use evenpull_job::{AdjusterKind, Job, Profile, Reading};
use evenpull_trace::Notice;

/// Whether each reading shows the present state, and what to say about the others.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct PresentState {
    pub(crate) shows: Vec<bool>,
    pub(crate) notices: Vec<Notice>,
}

/// Finds the readings of the present state.
pub(crate) fn present_state(job: &Job, profile: &Profile) -> PresentState {
    let changes = |r: &Reading| {
        let turned = r.adjusted.iter().any(|a| {
            let kind = profile.adjuster(&a.adjuster).map(|found| found.kind);
            kind.is_some_and(|k| !matches!(k, AdjusterKind::Bleed | AdjusterKind::Balance))
        });
        turned || r.repaired.is_some()
    };
    let since = job.readings.iter().rposition(changes).unwrap_or(0);
    let mut notices = Vec::new();
    if since > 0 {
        notices.push(Notice::new(
            "earlier-state",
            format!(
                "something was turned or repaired before reading {}: the findings rest on the readings from \
                 there on, the earlier ones are shown for comparison",
                since + 1
            ),
        ));
    }
    let shows = job
        .readings
        .iter()
        .enumerate()
        .map(|(i, r)| i >= since && r.jet.is_none())
        .collect();
    PresentState { shows, notices }
}

/// The job with nothing to weigh in the readings that do not show the present state.
pub(crate) fn without_others(job: &Job, state: &PresentState) -> Job {
    let mut job = job.clone();
    for (reading, shows) in job.readings.iter_mut().zip(&state.shows) {
        if !shows {
            reading.gauge = None;
            reading.sensor_v = None;
            reading.ecu_opening_deg = None;
            reading.idle_valve_steps = None;
        }
    }
    job
}

//! Findings as a page shows them beside the whole findings page.

use evenpull_app::{ShownFindings, Verdict, Writing, turn_fraction};

/// The verdict, the next reading and the steps.
#[derive(Debug)]
pub(crate) struct Findings {
    pub(crate) verdict: Verdict,
    pub(crate) next: Option<String>,
    pub(crate) steps: Vec<StepView>,
}

/// One step of the advice.
#[derive(Debug)]
pub(crate) struct StepView {
    pub(crate) adjuster: String,
    pub(crate) turns: Option<String>,
    pub(crate) way: String,
    pub(crate) why: String,
    pub(crate) gate: String,
    /// It turns something that is meant to be turned.
    pub(crate) can_follow: bool,
}

/// The view of findings; `can_follow` says which steps can be turned.
pub(crate) fn findings_view(
    found: &ShownFindings,
    can_follow: impl Fn(usize) -> bool,
    writing: Writing,
) -> Findings {
    let next = found.next.as_ref();
    Findings {
        verdict: found.verdict.clone(),
        next: next.map(|(what, why)| format!("{what}: {why}")),
        steps: found
            .advice
            .iter()
            .enumerate()
            .map(|(i, step)| StepView {
                adjuster: step.adjuster.clone(),
                turns: step.turns.map(|t| {
                    let exact = writing.fixed(t.value, 2);
                    turn_fraction(&t).map_or_else(|| exact.clone(), |f| format!("{f} ({exact})"))
                }),
                way: step.way.clone(),
                why: step.why.clone(),
                gate: step.gate.clone(),
                can_follow: can_follow(i),
            })
            .collect(),
    }
}

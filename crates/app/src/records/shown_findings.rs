//! Findings as the pages of a job show them, kept beside their answer: they are there after a restart,
//! and for findings that were computed elsewhere.

use std::collections::BTreeMap;

use evenpull_diagnose::{Advice, Assessment, Interval};
use evenpull_job::{Condition, GateCheck, GateState, Pinch, Profile, Reading, Step};
use evenpull_report::{Seen, TurnedAmong, Verdict, Writing, pairs_of, seen, verdict};
use serde::{Deserialize, Serialize};

use super::Records;
use crate::assess::AssessOutcome;
use crate::error::AppError;

/// Findings in short.
#[derive(Debug, Clone, PartialEq)]
pub struct ShownFindings {
    /// Number of the findings on record; `None` where none are kept.
    pub id: Option<i64>,
    /// Something they rest on was recorded since.
    pub stale: bool,
    /// What they say in one line.
    pub verdict: Verdict,
    /// Next reading: what, and why.
    pub next: Option<(String, String)>,
    /// Steps of the work.
    pub advice: Vec<Advice>,
    /// The order of work with the state of each gate.
    pub gates: Vec<GateCheck>,
    /// Difference that counts as good [kPa].
    pub good_kpa: f64,
    /// Readings that can be held against each other.
    seen: Vec<Seen>,
    /// Of each reading, whether something was turned before it.
    turned: Vec<bool>,
}

/// A condition before the first turn and after the last, as it is written.
#[derive(Debug, Clone, PartialEq)]
pub struct BeforeAfter {
    /// What the engine did.
    pub condition: Condition,
    /// Depressions before [kPa], profile's order, and how far they are apart.
    pub before: Option<(Vec<Option<f64>>, f64)>,
    /// The same after.
    pub after: Option<(Vec<Option<f64>>, f64)>,
}

impl ShownFindings {
    pub(super) fn of(outcome: &AssessOutcome) -> Self {
        let found = &outcome.assessment;
        let readings = outcome.loaded.job.readings.iter();
        Self {
            gates: outcome.gates.clone(),
            seen: seen(found, &outcome.loaded.job),
            turned: readings.map(Reading::follows_work).collect(),
            ..Self::of_assessment(found)
        }
    }

    /// Of findings alone: without gates, and with nothing to hold against each other.
    pub fn of_assessment(found: &Assessment) -> Self {
        let next = found.next_reading.as_ref();
        Self {
            id: None,
            stale: false,
            verdict: verdict(found),
            next: next.map(|n| (n.what.clone(), n.why.clone())),
            advice: found.advice.clone(),
            gates: Vec::new(),
            good_kpa: found.good_kpa,
            seen: Vec::new(),
            turned: Vec::new(),
        }
    }

    /// Each condition before and after; `since_last`: something was turned after the last reading.
    pub fn before_after(
        &self,
        profile: &Profile,
        since_last: bool,
        writing: Writing,
    ) -> Vec<BeforeAfter> {
        let turned = TurnedAmong::of(&self.turned, since_last);
        let side = |seen: Option<Seen>| {
            let seen = seen?;
            Some((seen.kpa.clone(), seen.apart_kpa(writing)?))
        };
        pairs_of(&self.seen, turned, profile)
            .into_iter()
            .map(|pair| BeforeAfter {
                condition: pair.condition,
                before: side(pair.before),
                after: side(pair.after),
            })
            .collect()
    }
}

/// The same in JSON, under `shown` beside the kept answer.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(super) struct ShownText {
    /// Notes on turns then, those before no reading too: the inputs' hash does not know them.
    turns_on_record: usize,
    verdict: Verdict,
    next: Option<(String, String)>,
    advice: Vec<StepText>,
    gates: Vec<GateText>,
    good_kpa: f64,
    seen: Vec<SeenText>,
    turned: Vec<bool>,
    /// Numbers of the readings that it rests on, in their order; none where an older program kept it.
    #[serde(default)]
    numbers: Vec<i64>,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
struct StepText {
    adjuster: String,
    /// Value and 90 % interval.
    turns: Option<[f64; 3]>,
    way: String,
    predicted_spread: Option<f64>,
    gate: String,
    why: String,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
struct GateText {
    step: String,
    state: StateText,
    text: String,
}

#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
enum StateText {
    Met,
    NotMet,
    NotShown,
    Waits,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
struct SeenText {
    index: usize,
    condition: String,
    idle_valve_pinched: bool,
    balance_pipe_pinched: bool,
    rpm: Option<f64>,
    engine_c: Option<f64>,
    kpa: Vec<Option<f64>>,
}

impl ShownText {
    pub(super) fn of(shown: &ShownFindings, turns_on_record: usize, numbers: Vec<i64>) -> Self {
        let pinched = |s: &Seen, what| s.pinched.contains(&what);
        Self {
            turns_on_record,
            verdict: shown.verdict.clone(),
            next: shown.next.clone(),
            advice: shown.advice.iter().map(StepText::of).collect(),
            gates: shown.gates.iter().map(GateText::of).collect(),
            good_kpa: shown.good_kpa,
            seen: (shown.seen.iter())
                .map(|s| SeenText {
                    index: s.index,
                    condition: s.condition.as_str().to_owned(),
                    idle_valve_pinched: pinched(s, Pinch::IdleValve),
                    balance_pipe_pinched: pinched(s, Pinch::BalancePipe),
                    rpm: s.rpm,
                    engine_c: s.engine_c,
                    kpa: s.kpa.clone(),
                })
                .collect(),
            turned: shown.turned.clone(),
            numbers,
        }
    }

    /// From kept findings; `None` where an older program kept none.
    fn kept(answer_json: &str) -> Option<Self> {
        let value: serde_json::Value = serde_json::from_str(answer_json).ok()?;
        serde_json::from_value(value.get("shown")?.clone()).ok()
    }

    /// What this program does not know is left out.
    fn shown(self, id: i64, stale: bool) -> ShownFindings {
        ShownFindings {
            id: Some(id),
            stale,
            verdict: self.verdict,
            next: self.next,
            advice: self.advice.into_iter().map(StepText::step).collect(),
            gates: self.gates.into_iter().filter_map(GateText::gate).collect(),
            good_kpa: self.good_kpa,
            seen: self.seen.into_iter().filter_map(SeenText::seen).collect(),
            turned: self.turned,
        }
    }
}

impl StepText {
    fn of(step: &Advice) -> Self {
        let turns = step.turns.map(|t| [t.value, t.lo90, t.hi90]);
        Self {
            adjuster: step.adjuster.clone(),
            // JSON has no infinity: such turns say nothing anyway.
            turns: turns.filter(|t| t.iter().all(|v| v.is_finite())),
            way: step.way.clone(),
            predicted_spread: step.predicted_spread,
            gate: step.gate.clone(),
            why: step.why.clone(),
        }
    }

    fn step(self) -> Advice {
        Advice {
            adjuster: self.adjuster,
            turns: self
                .turns
                .map(|[value, lo90, hi90]| Interval { value, lo90, hi90 }),
            way: self.way,
            predicted_spread: self.predicted_spread,
            gate: self.gate,
            why: self.why,
        }
    }
}

impl GateText {
    fn of(gate: &GateCheck) -> Self {
        let (state, text) = match &gate.state {
            GateState::Met(text) => (StateText::Met, text),
            GateState::NotMet(text) => (StateText::NotMet, text),
            GateState::NotShown(text) => (StateText::NotShown, text),
            GateState::Waits(text) => (StateText::Waits, text),
        };
        Self {
            step: gate.step.as_str().to_owned(),
            state,
            text: text.clone(),
        }
    }

    fn gate(self) -> Option<GateCheck> {
        Some(GateCheck {
            step: Step::from_word(&self.step)?,
            state: match self.state {
                StateText::Met => GateState::Met(self.text),
                StateText::NotMet => GateState::NotMet(self.text),
                StateText::NotShown => GateState::NotShown(self.text),
                StateText::Waits => GateState::Waits(self.text),
            },
        })
    }
}

impl SeenText {
    fn seen(self) -> Option<Seen> {
        let all = Condition::ALL.into_iter();
        let pinched = [
            (self.idle_valve_pinched, Pinch::IdleValve),
            (self.balance_pipe_pinched, Pinch::BalancePipe),
        ];
        Some(Seen {
            index: self.index,
            condition: all.into_iter().find(|c| c.as_str() == self.condition)?,
            pinched: pinched
                .into_iter()
                .filter(|(is, _)| *is)
                .map(|(_, what)| what)
                .collect(),
            rpm: self.rpm,
            engine_c: self.engine_c,
            area_mm2: vec![None; self.kpa.len()],
            kpa: self.kpa,
        })
    }
}

impl Records {
    /// The mean depressions [kPa] of each reading as the latest findings read them, in the profile's order, by the
    /// number of the reading. Readings that no findings were made of are not among them.
    ///
    /// # Errors
    /// Problems of the records.
    pub async fn read_depressions(
        &self,
        job_id: i64,
    ) -> Result<BTreeMap<i64, Vec<Option<f64>>>, AppError> {
        let latest = self.store().latest_findings(job_id).await?;
        let kept = latest.and_then(|l| ShownText::kept(&l.findings.answer_json));
        let Some(kept) = kept else {
            return Ok(BTreeMap::new());
        };
        let numbered = kept
            .seen
            .into_iter()
            .filter_map(|s| Some((*kept.numbers.get(s.index)?, s.kpa)));
        Ok(numbered.collect())
    }

    /// The latest findings of a job as its pages show them; `None` before there are any.
    ///
    /// What an older program kept is computed anew: it did not keep what the pages show.
    ///
    /// # Errors
    /// As [`Records::assess`].
    pub async fn shown_findings(&self, job_id: i64) -> Result<Option<ShownFindings>, AppError> {
        let Some(latest) = self.store().latest_findings(job_id).await? else {
            return Ok(None);
        };
        if let Some(text) = ShownText::kept(&latest.findings.answer_json) {
            let inputs = self.store().inputs_sha256(job_id).await?;
            let turns = self.turn_notes(job_id).await?;
            let stale = inputs != latest.findings.inputs_sha256 || turns != text.turns_on_record;
            return Ok(Some(text.shown(latest.id, stale)));
        }
        let counting = self.store().readings(job_id).await?;
        if counting.iter().all(|r| r.withdrawn_reason.is_some()) {
            // Nothing is left that they could be computed from.
            return Ok(None);
        }
        Ok(Some(self.assess(job_id).await?.shown))
    }
}

#[cfg(test)]
mod tests;

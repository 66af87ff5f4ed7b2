//! The one line a mechanic reads first.

use evenpull_diagnose::{Assessment, Cause, CauseCode, NextReading};
use serde::{Deserialize, Serialize};

use crate::number::{minutes, percent_of_one};
use crate::wording::{body_words, cause_headline, chance, lowered};

/// Causes below this probability are not named beside an undetermined verdict.
const WORTH_NAMING: f64 = 0.10;

/// The verdict as every page shows it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Verdict {
    /// The cause or the whole family, or `Undetermined`.
    pub headline: String,
    /// Body concerned.
    pub body: Option<String>,
    /// Odds in words and per cent, or what keeps the readings from deciding.
    pub odds: String,
    /// True when the next reading comes before any work.
    pub undetermined: bool,
    /// What to measure next.
    pub(crate) next: Option<Next>,
}

/// The next reading in words.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub(crate) struct Next {
    pub(crate) what: String,
    pub(crate) why: String,
    pub(crate) minutes: Option<String>,
}

/// Puts the assessment into one line.
pub fn verdict(assessment: &Assessment) -> Verdict {
    let next = assessment.next_reading.as_ref().map(next);
    let (headline, body, odds) = match assessment.causes.first() {
        Some(top) if !assessment.undetermined => (
            cause_headline(top),
            top.body
                .as_deref()
                .filter(|_| top.code != CauseCode::None)
                .map(body_words),
            odds(top),
        ),
        Some(_) => ("Undetermined".to_owned(), None, candidates(assessment)),
        None if assessment.readings.is_empty() => (
            "No verdict".to_owned(),
            None,
            "The job holds no readings to judge.".to_owned(),
        ),
        None => (
            "Undetermined".to_owned(),
            None,
            "The readings name no cause.".to_owned(),
        ),
    };
    Verdict {
        undetermined: headline == "Undetermined",
        headline,
        body,
        odds,
        next,
    }
}

/// Odds of one cause in words and per cent.
pub(crate) fn odds(cause: &Cause) -> String {
    if cause.probability.is_finite() {
        format!(
            "{} ({})",
            chance(cause.probability),
            percent_of_one(cause.probability)
        )
    } else {
        chance(cause.probability).to_owned()
    }
}

fn next(reading: &NextReading) -> Next {
    Next {
        what: reading.what.clone(),
        why: reading.why.clone(),
        minutes: minutes(reading.minutes),
    }
}

/// Odds of a cause as far as the answer bears them: where something keeps the one that leads from being the verdict,
/// a share that knows nothing of that is no certainty.
pub(crate) fn odds_of(cause: &Cause, found: &Assessment) -> String {
    if found.held_open.is_empty() {
        return odds(cause);
    }
    format!(
        "{} by these readings alone",
        percent_of_one(cause.probability)
    )
}

/// Why the cause that leads is no verdict, as one sentence; `None` where nothing holds it back.
pub fn held_words(found: &Assessment) -> Option<String> {
    let held = found.held_open.join("; ");
    (!held.is_empty()).then(|| format!("What leads is no verdict yet: {held}."))
}

fn candidates(found: &Assessment) -> String {
    if let (Some(held), Some(top)) = (held_words(found), found.causes.first()) {
        let body = (top.body.as_ref()).map_or_else(String::new, |b| format!(", {}", body_words(b)));
        let cause = lowered(&cause_headline(top));
        let share = percent_of_one(top.probability);
        return format!("{held} By these readings alone: {cause}{body} ({share}).");
    }
    let named: Vec<String> = (found.causes)
        .iter()
        .filter(|c| c.probability >= WORTH_NAMING)
        .take(3)
        .map(|c| {
            let body = c
                .body
                .as_ref()
                .map_or_else(String::new, |b| format!(", {}", body_words(b)));
            format!(
                "{}{body} ({})",
                lowered(&cause_headline(c)),
                percent_of_one(c.probability)
            )
        })
        .collect();
    match named.as_slice() {
        [] => "The readings do not decide between the causes.".to_owned(),
        [one] => format!("The readings do not decide. Foremost so far: {one}."),
        [many @ .., last] => {
            format!(
                "The readings do not decide between: {}; and {last}.",
                many.join("; ")
            )
        }
    }
}

//! The findings of a job in words: verdict first, then what to turn and what to leave.

use std::fmt::Write;

use evenpull_app::{
    Advice, AssessOutcome, Assessment, Cause, CauseCode, CautionWhen, GateState, cause_headline,
    cautions_for, chance, held_words, lowered, turn_fraction,
};

use crate::assess_tables::{baseline, bodies, mixture, readings};
use crate::paragraph::entry;

/// Causes below this probability are left to the page.
const WORTH_NAMING: f64 = 0.05;
/// Most causes named.
const MOST_CAUSES: usize = 4;

/// The findings as a mechanic reads them.
pub(crate) fn assess_text(outcome: &AssessOutcome) -> String {
    let a = &outcome.assessment;
    let mut text = format!("{}  ({})\n", a.machine, a.profile);
    section(&mut text, "VERDICT", &verdict(a));
    section(&mut text, "NEXT READING", &next_reading(a));
    section(&mut text, "BEFORE THE ENGINE RUNS", &cautions());
    section(&mut text, "WHAT TO DO, IN THIS ORDER", &steps(a));
    section(&mut text, "LEAVE SEALED", &list(&a.leave_sealed));
    section(&mut text, "READINGS", &readings(outcome));
    section(
        &mut text,
        "WHERE THE BODIES STAND (90 % intervals)",
        &bodies(a),
    );
    section(
        &mut text,
        "WORKING BASELINE, NOT FACTORY SETTING",
        &baseline(a),
    );
    section(
        &mut text,
        "AIR BEYOND WHAT THE ECU FUELS FOR, % (above zero lean)",
        &mixture(a),
    );
    section(&mut text, "ORDER OF WORK", &gates(outcome));
    section(&mut text, "REMARKS", &remarks(outcome));
    text + &drawn(a)
}

/// What the intervals rest on, in one line.
fn drawn(a: &Assessment) -> String {
    let Some(s) = &a.sampled else {
        return String::new();
    };
    let (Some(r_hat), Some(ess)) = (s.worst_r_hat, s.least_ess) else {
        return String::new();
    };
    let of = match s.hypotheses {
        1 => "the leading hypothesis".to_owned(),
        n => format!("each of {n} hypotheses"),
    };
    let text = format!(
        "intervals from {} chains of {} draws or more for {of} (R-hat at most {r_hat:.3}, {ess:.0} effective \
         draws or more)",
        s.chains, s.draws
    );
    format!("\n{}", entry("", &text))
}

fn section(text: &mut String, heading: &str, body: &str) {
    if !body.is_empty() {
        let _ = write!(text, "\n{heading}\n{body}");
    }
}

fn verdict(a: &Assessment) -> String {
    let mut text = match a.causes.first() {
        Some(top) if !a.undetermined => entry("  ", &format!("{}.", capital(&odds(top, a)))),
        _ => match held_words(a) {
            Some(held) => entry("  ", &format!("Undetermined. {held}")),
            None => entry(
                "  ",
                "Undetermined: the readings do not decide between the causes below.",
            ),
        },
    };
    let shown = a
        .causes
        .iter()
        .enumerate()
        .filter(|(i, c)| *i == 0 || c.probability >= WORTH_NAMING)
        .take(MOST_CAUSES);
    for (i, cause) in shown {
        if i > 0 || a.undetermined {
            text.push_str(&entry("  - ", &odds(cause, a)));
        }
        for said in &cause.evidence_for {
            text.push_str(&entry("      for      ", said));
        }
        for said in &cause.evidence_against {
            text.push_str(&entry("      against  ", said));
        }
    }
    text
}

/// A cause or family, its body, its odds; beside a verdict that is held open its share, which knows nothing of that.
fn odds(cause: &Cause, a: &Assessment) -> String {
    let names = lowered(&cause_headline(cause));
    let body = match &cause.body {
        Some(body) if cause.code != CauseCode::None => format!(", {body}"),
        _ => String::new(),
    };
    let share = percent(cause.probability);
    if !a.held_open.is_empty() {
        return format!("{names}{body}: {share} by these readings alone");
    }
    format!("{names}{body}: {} ({share})", chance(cause.probability))
}

/// Per cent that never claims certainty.
fn percent(probability: f64) -> String {
    let p = 100.0 * probability;
    if p > 99.0 {
        "over 99 %".to_owned()
    } else if p < 1.0 {
        "under 1 %".to_owned()
    } else {
        format!("{p:.0} %")
    }
}

fn next_reading(a: &Assessment) -> String {
    a.next_reading.as_ref().map_or_else(String::new, |n| {
        entry("  ", &format!("{} ({:.0} min)", n.what, n.minutes)) + &entry("  ", &n.why)
    })
}

fn cautions() -> String {
    cautions_for(CautionWhen::EngineRuns)
        .map(|c| entry("  ! ", c.text))
        .collect()
}

fn steps(a: &Assessment) -> String {
    let numbered = a.advice.iter().enumerate();
    numbered.map(|(i, step)| one_step(i + 1, step)).collect()
}

fn one_step(number: usize, step: &Advice) -> String {
    let mut line = step.adjuster.clone();
    if let Some(turns) = &step.turns {
        match turn_fraction(turns) {
            Some(fraction) => {
                let _ = write!(
                    line,
                    ": {fraction} turn ({:.2}, 90 % {:.2} to {:.2})",
                    turns.value, turns.lo90, turns.hi90
                );
            }
            None => {
                let _ = write!(line, ": {:.2} turns", turns.value);
            }
        }
    }
    if !step.way.is_empty() {
        let _ = write!(line, ", {}", step.way);
    }
    let mut text = entry(&format!("  {number}. "), &line);
    if !step.gate.is_empty() {
        text.push_str(&entry("     first  ", &step.gate));
    }
    if !step.why.is_empty() {
        text.push_str(&entry("     why    ", &step.why));
    }
    if let Some(spread) = step.predicted_spread {
        let after = format!("spread of depression {:.1} %", 100.0 * spread);
        text.push_str(&entry("     after  ", &after));
    }
    text
}

fn gates(outcome: &AssessOutcome) -> String {
    let line = |check: &evenpull_app::GateCheck| {
        let (mark, said) = match &check.state {
            GateState::Met(text) => ("done     ", text),
            GateState::NotMet(text) => ("NOT YET  ", text),
            GateState::Waits(text) => ("WAIT     ", text),
            GateState::NotShown(text) => ("not shown", text),
        };
        let mark = format!("  {:>2} {mark} ", check.step.number());
        let action = check.step.action(&outcome.loaded.profile);
        entry(&mark, &format!("{action}: {said}"))
    };
    outcome.gates.iter().map(line).collect()
}

fn remarks(outcome: &AssessOutcome) -> String {
    let a = &outcome.assessment;
    let mut text: String = a.notices.iter().map(|n| entry("  - ", &n.text)).collect();
    for (said, numbers) in by_text(a) {
        let which = match numbers.as_slice() {
            [one] => format!("reading {one}"),
            [first, .., last] if last - first + 1 == numbers.len() => {
                format!("readings {first} to {last}")
            }
            many => {
                let list: Vec<String> = many.iter().map(usize::to_string).collect();
                format!("readings {}", list.join(", "))
            }
        };
        text.push_str(&entry("  - ", &format!("{which}: {said}")));
    }
    text
}

/// The remarks on readings, alike ones together with the numbers of their readings.
fn by_text(a: &Assessment) -> Vec<(&str, Vec<usize>)> {
    let mut groups: Vec<(&str, Vec<usize>)> = Vec::new();
    for (i, r) in a.readings.iter().enumerate() {
        for n in r.cycle.iter().flat_map(|c| &c.notices) {
            match groups.iter_mut().find(|(text, _)| *text == n.text) {
                Some((_, numbers)) => numbers.push(i + 1),
                None => groups.push((&n.text, vec![i + 1])),
            }
        }
    }
    groups
}

fn list(items: &[String]) -> String {
    items.iter().map(|i| entry("  - ", i)).collect()
}

fn capital(text: &str) -> String {
    let mut chars = text.chars();
    chars
        .next()
        .map_or_else(String::new, |c| c.to_uppercase().chain(chars).collect())
}

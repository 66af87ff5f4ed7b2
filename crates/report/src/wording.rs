//! Plain words for codes, odds and conditions.

use evenpull_diagnose::{Cause, CauseCode};

/// A cause in the trade's words, as a short headline.
pub fn cause_name(code: CauseCode) -> &'static str {
    code.words()
}

/// The headline of a cause; the members of a family are joined by `or`, likeliest first.
pub fn cause_headline(cause: &Cause) -> String {
    let mut names = vec![cause_name(cause.code)];
    names.extend(
        cause
            .members
            .iter()
            .filter(|&&m| m != cause.code)
            .map(|&m| cause_name(m)),
    );
    names
        .iter()
        .enumerate()
        .map(|(i, name)| {
            if i == 0 {
                (*name).to_owned()
            } else {
                lowered(name)
            }
        })
        .collect::<Vec<_>>()
        .join(" or ")
}

/// A headline inside a sentence.
pub fn lowered(text: &str) -> String {
    let mut chars = text.chars();
    chars.next().map_or_else(String::new, |first| {
        first.to_lowercase().chain(chars).collect()
    })
}

/// Odds in words, for a probability in 0..=1; the limits are this program's own choice.
pub fn chance(probability: f64) -> &'static str {
    if !probability.is_finite() {
        "odds not known"
    } else if probability >= 0.95 {
        "almost certain"
    } else if probability >= 0.80 {
        "very likely"
    } else if probability >= 0.60 {
        "likely"
    } else if probability >= 0.40 {
        "about even odds"
    } else if probability >= 0.20 {
        "possible"
    } else if probability >= 0.05 {
        "unlikely"
    } else {
        "very unlikely"
    }
}

/// A body's name inside a sentence: a bare number needs the word before it.
pub(crate) fn body_words(name: &str) -> String {
    if name.chars().all(|c| c.is_ascii_digit()) {
        format!("body {name}")
    } else {
        name.to_owned()
    }
}

/// A reading's condition in words; an unknown code is shown as it stands.
pub(crate) fn condition(code: &str) -> &str {
    match code {
        "idle" => "idle",
        "idle-bleeds-shut" => "idle, bleeds shut",
        "sweep" => "sweep",
        "hold" => "steady hold",
        other => other,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn odds_are_ordered_and_cover_all() {
        let words: Vec<_> = (0..=100).map(|i| chance(f64::from(i) / 100.0)).collect();
        let mut distinct = words.clone();
        distinct.dedup();
        assert_eq!(distinct.len(), 7, "each word covers one stretch");
        assert_eq!(chance(f64::NAN), "odds not known");
    }

    #[test]
    fn a_family_names_its_members_once() {
        let cause = Cause {
            code: CauseCode::StubLeak,
            members: vec![CauseCode::SpindleWear, CauseCode::StubLeak],
            body: None,
            probability: 0.8,
            evidence_for: vec![],
            evidence_against: vec![],
        };
        assert_eq!(
            cause_headline(&cause),
            "Inlet stub leak or worn spindle or bushes"
        );
    }
}

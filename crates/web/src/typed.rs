//! Numbers as people type them; a mark between thousands looks like a decimal mark.

/// The number that a text means if its only mark stands between thousands: `41.200` or `41,200`.
///
/// One to three digits that do not begin with 0, a mark, exactly three digits; anything else has one
/// meaning and gives none.
pub(crate) fn as_thousands(text: &str) -> Option<String> {
    let text = text.trim();
    let digits = text.strip_prefix(['+', '-', '\u{2212}']).unwrap_or(text);
    let sign = &text[..text.len() - digits.len()];
    let (front, back) = digits.split_once(['.', ','])?;
    let all_digits = |part: &str| part.bytes().all(|b| b.is_ascii_digit());
    let shaped = (1..=3).contains(&front.len())
        && back.len() == 3
        && !front.starts_with('0')
        && all_digits(front)
        && all_digits(back);
    shaped.then(|| format!("{sign}{front}{back}"))
}

/// The sign that a text begins with: true for minus.
pub(crate) fn sign(text: &str) -> Option<bool> {
    match text.trim().chars().next()? {
        '-' | '\u{2212}' => Some(true),
        '+' => Some(false),
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_mark_before_three_digits_may_stand_between_thousands() {
        for (text, large) in [
            ("41.200", Some("41200")),
            (" 1,150 ", Some("1150")),
            ("-3.750", Some("-3750")),
            ("123,456", Some("123456")),
            ("0.125", None),
            ("0,125", None),
            ("1.15", None),
            ("1.1500", None),
            ("1234.567", None),
            ("3750", None),
            ("1.0e3", None),
            (".125", None),
            ("", None),
            ("1.é1", None),
        ] {
            assert_eq!(as_thousands(text).as_deref(), large, "{text}");
        }
    }

    #[test]
    fn a_sign_is_seen_in_each_way_of_writing_it() {
        for (text, minus) in [
            ("-0,25", Some(true)),
            (" \u{2212}0.25", Some(true)),
            ("+0.25", Some(false)),
            ("0.25", None),
            ("", None),
        ] {
            assert_eq!(sign(text), minus, "{text}");
        }
    }
}

//! Fractions of a turn, and which way they go.

use evenpull_diagnose::Interval;

/// Sense of rotation seen from the screw's head.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Rotation {
    Clockwise,
    Anticlockwise,
}

impl Rotation {
    /// Reads the sense from the words of a step; `None` when they do not say it plainly.
    ///
    /// `in` is clockwise and `out` anticlockwise, as on a right-hand thread (common practice, no
    /// source); words that name the rotation itself go first.
    pub(crate) fn from_words(way: &str) -> Option<Self> {
        let way = way.to_lowercase();
        let words: Vec<&str> = way
            .split(|c: char| !c.is_alphanumeric())
            .filter(|w| !w.is_empty())
            .collect();
        let has = |list: &[&str]| words.iter().any(|w| list.contains(w));
        let against = has(&["anticlockwise", "counterclockwise"])
            || (has(&["anti", "counter"]) && has(&["clockwise"]));
        if against {
            return Some(Self::Anticlockwise);
        }
        if has(&["clockwise"]) {
            return Some(Self::Clockwise);
        }
        // Only as the leading word: "in small steps" further on says nothing about the screw.
        match words.first().copied() {
            Some("in") => Some(Self::Clockwise),
            Some("out") => Some(Self::Anticlockwise),
            _ => None,
        }
    }

    pub(crate) fn words(self) -> &'static str {
        match self {
            Self::Clockwise => "clockwise",
            Self::Anticlockwise => "anticlockwise",
        }
    }
}

/// Nobody turns a screw so often; such a number is not a fraction any more.
const MOST_TURNS: f64 = 100.0;

/// How far to turn, as a mechanic says it: `¼`, `1 ½`, `3/16`.
///
/// The coarsest of quarters, eighths and sixteenths that stays inside the 90 % interval and
/// within a thirty-second of a turn of the best value; sixteenths where none does, and a thirty-second, the finest that a
/// hand sets, where that is nearer. `None` for a negative number, which would contradict the words of the step, and for one out of reach.
pub fn fraction(turns: &Interval) -> Option<String> {
    let (size, lo, hi) = (turns.value, turns.lo90, turns.hi90);
    if !(0.0..MOST_TURNS).contains(&size) {
        return None;
    }
    let sixteenths = [4.0, 8.0]
        .into_iter()
        .find_map(|parts: f64| {
            let rounded = (size * parts).round() / parts;
            let near = rounded > 0.0 && (rounded - size).abs() <= 1.0 / 32.0;
            (near && lo <= rounded && rounded <= hi).then_some(rounded * 16.0)
        })
        .unwrap_or_else(|| (size * 16.0).round());
    let sixteenths = sixteenths as u32;
    if size < 3.0 / 64.0 && sixteenths < 2 {
        let words = if size < 1.0 / 64.0 {
            "under 1/32"
        } else {
            "1/32"
        };
        return Some(words.to_owned());
    }
    let (whole, part) = (sixteenths / 16, sixteenths % 16);
    let part = part_of_turn(part);
    Some(match (whole, part.is_empty()) {
        (0, _) => part,
        (_, true) => whole.to_string(),
        _ => format!("{whole} {part}"),
    })
}

/// `turn` or `turns` to go with [`fraction`].
pub(crate) fn unit(turns: &Interval) -> &'static str {
    if turns.value.abs() > 1.0 + 1.0 / 32.0 {
        "turns"
    } else {
        "turn"
    }
}

fn part_of_turn(sixteenths: u32) -> String {
    match sixteenths {
        0 => String::new(),
        2 => "⅛".to_owned(),
        4 => "¼".to_owned(),
        6 => "⅜".to_owned(),
        8 => "½".to_owned(),
        10 => "⅝".to_owned(),
        12 => "¾".to_owned(),
        14 => "⅞".to_owned(),
        n => format!("{n}/16"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn i(value: f64, lo90: f64, hi90: f64) -> Interval {
        Interval { value, lo90, hi90 }
    }

    #[test]
    fn coarse_where_the_interval_allows_fine_where_not() {
        assert_eq!(fraction(&i(0.23, 0.15, 0.31)).unwrap(), "¼");
        assert_eq!(fraction(&i(0.19, 0.18, 0.20)).unwrap(), "3/16");
        assert_eq!(fraction(&i(0.36, 0.30, 0.42)).unwrap(), "⅜");
        assert_eq!(fraction(&i(1.52, 1.4, 1.6)).unwrap(), "1 ½");
        assert_eq!(fraction(&i(2.0, 1.9, 2.1)).unwrap(), "2");
        assert_eq!(fraction(&i(0.01, 0.0, 0.05)).unwrap(), "under 1/32");
        assert_eq!(fraction(&i(0.04, 0.0, 0.05)).unwrap(), "1/32");
        assert_eq!(fraction(&i(0.05, 0.0, 0.10)).unwrap(), "1/16");
        assert_eq!(fraction(&i(f64::NAN, 0.0, 0.0)), None);
        assert_eq!(fraction(&i(-0.5, -0.6, -0.4)), None);
        assert_eq!(fraction(&i(1e300, 0.0, 1.0)), None);
        assert_eq!(fraction(&i(0.5, f64::NAN, f64::NAN)).unwrap(), "½");
    }

    #[test]
    fn rotation_is_read_only_from_plain_words() {
        use Rotation::{Anticlockwise, Clockwise};
        assert_eq!(Rotation::from_words("in"), Some(Clockwise));
        assert_eq!(Rotation::from_words("out"), Some(Anticlockwise));
        assert_eq!(
            Rotation::from_words("Clockwise seen from the head"),
            Some(Clockwise)
        );
        assert_eq!(
            Rotation::from_words("out, counter-clockwise"),
            Some(Anticlockwise)
        );
        assert_eq!(Rotation::from_words("anticlockwise"), Some(Anticlockwise));
        assert_eq!(
            Rotation::from_words("so that the left plate opens in small steps"),
            None
        );
        assert_eq!(Rotation::from_words(""), None);
    }
}

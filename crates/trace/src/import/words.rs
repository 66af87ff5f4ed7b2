//! Words of headings: units, names of time columns, names of things that are no pressure.

use super::hint::{ChannelUnit, PressureKind, TimeUnit};

/// Text of a header line; bytes that are not UTF-8 are taken as Latin-1.
pub(super) fn decoded(bytes: &[u8]) -> String {
    std::str::from_utf8(bytes).map_or_else(
        |_| bytes.iter().map(|&b| char::from(b)).collect(),
        str::to_owned,
    )
}

/// Unit symbol without brackets and blanks, in lower case, with `u` for the micro sign.
pub(super) fn bare_symbol(symbol: &str) -> String {
    symbol
        .chars()
        .filter(|c| !c.is_whitespace() && !"()[]{}<>\"".contains(*c))
        .map(|c| {
            if c == '\u{b5}' || c == '\u{3bc}' {
                'u'
            } else {
                c
            }
        })
        .flat_map(char::to_lowercase)
        .collect()
}

/// Words of a heading: runs of letters or digits, in lower case.
pub(super) fn words(heading: &str) -> Vec<String> {
    heading
        .replace(['\u{b5}', '\u{3bc}'], "u")
        .split(|c: char| !c.is_alphanumeric())
        .filter(|w| !w.is_empty())
        .map(str::to_lowercase)
        .collect()
}

/// A unit written in a heading: in brackets, or as its last word (`left_kpa`, `t/ms`).
fn symbols(heading: &str) -> Vec<String> {
    let bracketed = heading
        .rfind(['(', '[', '{', '<'])
        .map(|at| bare_symbol(&heading[at..]));
    bracketed.into_iter().chain(words(heading).pop()).collect()
}

/// Time unit named by a heading or a units row.
pub(super) fn time_unit_in(heading: &str) -> Option<TimeUnit> {
    symbols(heading)
        .iter()
        .find_map(|s| TimeUnit::from_symbol(s))
}

/// Pressure, volts or counts named by a heading or a units row.
pub(super) fn channel_unit_in(heading: &str) -> Option<ChannelUnit> {
    let unit = symbols(heading)
        .iter()
        .find_map(|s| ChannelUnit::from_symbol(s, None, None, None))?;
    Some(match unit {
        ChannelUnit::Pressure { unit, .. } => ChannelUnit::Pressure {
            unit,
            kind: kind_in(heading),
        },
        other => other,
    })
}

/// Words of a heading or unit that say what a pressure is counted from.
const KINDS: [(&str, PressureKind); 10] = [
    ("depression", PressureKind::Depression),
    ("vacuum", PressureKind::Depression),
    ("vac", PressureKind::Depression),
    ("suction", PressureKind::Depression),
    ("gauge", PressureKind::Gauge),
    ("gage", PressureKind::Gauge),
    ("relative", PressureKind::Gauge),
    ("rel", PressureKind::Gauge),
    ("absolute", PressureKind::Absolute),
    ("abs", PressureKind::Absolute),
];

fn kind_of(word: &str) -> Option<PressureKind> {
    KINDS
        .iter()
        .find(|(w, _)| *w == word)
        .map(|(_, kind)| *kind)
}

fn kind_in(heading: &str) -> PressureKind {
    words(heading)
        .iter()
        .find_map(|w| kind_of(w))
        .unwrap_or(PressureKind::Absolute)
}

/// A unit without the word that says what it is counted from, and that kind.
pub(super) fn split_kind(symbol: &str) -> (String, PressureKind) {
    let mut kind = PressureKind::Absolute;
    let kept: Vec<&str> = symbol
        .split_whitespace()
        .filter(|word| match kind_of(&bare_symbol(word)) {
            Some(found) => {
                kind = found;
                false
            }
            None => true,
        })
        .collect();
    (kept.join(" "), kind)
}

/// Whether a bare field of a units row is a unit of any kind (or is left blank).
pub(super) fn is_unit(field: &str) -> bool {
    let symbol = bare_symbol(field);
    symbol.is_empty()
        || TimeUnit::from_symbol(&symbol).is_some()
        || ChannelUnit::from_symbol(&symbol, None, None, None).is_some()
        || [
            "-", "%", "c", "k", "hz", "a", "ma", "rpm", "1/min", "deg", "\u{b0}c", "n",
        ]
        .contains(&symbol.as_str())
}

/// Whether a heading names a time column.
pub(super) fn names_time(heading: &str) -> bool {
    const FIRST: [&str; 17] = [
        "time",
        "t",
        "zeit",
        "temps",
        "tiempo",
        "tempo",
        "tijd",
        "tid",
        "timestamp",
        "clock",
        "elapsed",
        "micros",
        "millis",
        "x",
        "seconds",
        "milliseconds",
        "microseconds",
    ];
    let words = words(heading);
    let rest_is_unit = |rest: &[String]| {
        rest.iter().all(|w| {
            TimeUnit::from_symbol(w).is_some()
                || ["stamp", "base", "axis", "since", "start", "elapsed", "time"]
                    .contains(&w.as_str())
        })
    };
    match words.as_slice() {
        [only] if TimeUnit::from_symbol(only).is_some() => true,
        [first, rest @ ..] => FIRST.contains(&first.as_str()) && rest_is_unit(rest),
        [] => false,
    }
}

/// Whether a heading names a running number of samples.
pub(super) fn names_counter(heading: &str) -> bool {
    const NAMES: [&str; 12] = [
        "index", "idx", "n", "no", "nr", "i", "sample", "samples", "row", "line", "count", "tick",
    ];
    matches!(words(heading).as_slice(), [first, ..] if NAMES.contains(&first.as_str()))
}

/// Whether a heading names something that is surely no inlet pressure.
pub(super) fn names_other_quantity(heading: &str) -> bool {
    const OTHER: [&str; 26] = [
        "rpm",
        "speed",
        "tps",
        "throttle",
        "temp",
        "temperature",
        "lambda",
        "afr",
        "co",
        "battery",
        "vbat",
        "supply",
        "steps",
        "gear",
        "trigger",
        "crank",
        "cam",
        "spark",
        "ignition",
        "injector",
        "baro",
        "ambient",
        "barometer",
        "status",
        "flags",
        "checksum",
    ];
    words(heading).iter().any(|w| OTHER.contains(&w.as_str()))
}

/// Whether a heading names the body: its words in order, or its letters run together.
pub(super) fn names_body(heading: &str, body: &str) -> bool {
    let (have, want) = (words(heading), words(body));
    if want.is_empty() {
        return false;
    }
    if have.windows(want.len()).any(|w| w == want.as_slice()) {
        return true;
    }
    let (have, want) = (have.concat(), want.concat());
    want.chars().count() >= 3 && have.contains(&want)
}

/// Converter bits named in free text, such as `12 bit` or `12-bit`.
pub(super) fn bits_in(text: &str) -> Option<u32> {
    let words = words(text);
    words.iter().enumerate().find_map(|(i, w)| {
        let number = match w.strip_suffix("bits").or_else(|| w.strip_suffix("bit"))? {
            "" => words.get(i.checked_sub(1)?)?.as_str(),
            attached => attached,
        };
        number.parse().ok().filter(|bits| (8..=24).contains(bits))
    })
}

/// Sample rate [Hz] named in free text: `sample rate: 2000 Hz`, `2 kHz`, `sampling interval 0.5 ms`.
pub(super) fn rate_in(text: &str) -> Option<f64> {
    let lower = text.to_lowercase();
    if !["sampl", "rate", "interval", "frequency"]
        .iter()
        .any(|w| lower.contains(w))
    {
        return None;
    }
    let spaced: String = lower
        .chars()
        .map(|c| {
            if c.is_alphanumeric() || ".,+-\u{b5}\u{3bc}".contains(c) {
                c
            } else {
                ' '
            }
        })
        .collect();
    let tokens: Vec<&str> = spaced.split_whitespace().collect();
    tokens.iter().enumerate().find_map(|(i, token)| {
        let at = token
            .find(|c: char| c.is_alphabetic())
            .unwrap_or(token.len());
        let value: f64 = token[..at]
            .replace(',', ".")
            .parse()
            .ok()
            .filter(|v| *v > 0.0)?;
        let unit = if at < token.len() {
            &token[at..]
        } else {
            tokens.get(i + 1)?
        };
        match unit {
            "hz" | "s/s" | "sps" => Some(value),
            "khz" => Some(value * 1e3),
            "mhz" => Some(value * 1e6),
            other => TimeUnit::from_symbol(other)
                .filter(|_| lower.contains("interval") || lower.contains("period"))
                .map(|u| 1.0 / (value * u.seconds())),
        }
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use evenpull_airflow::PressureUnit;

    #[test]
    fn units_are_read_from_headings() {
        assert_eq!(time_unit_in("Time (ms)"), Some(TimeUnit::Millisecond));
        assert_eq!(time_unit_in("time_s"), Some(TimeUnit::Second));
        assert_eq!(time_unit_in("[\u{b5}s]"), Some(TimeUnit::Microsecond));
        let absolute = |unit| ChannelUnit::Pressure {
            unit,
            kind: PressureKind::Absolute,
        };
        assert_eq!(
            channel_unit_in("left_kpa"),
            Some(absolute(PressureUnit::KPa))
        );
        assert_eq!(
            channel_unit_in("p [mbar]"),
            Some(absolute(PressureUnit::Mbar))
        );
        assert_eq!(
            channel_unit_in("depression left (kPa)"),
            Some(ChannelUnit::Pressure {
                unit: PressureUnit::KPa,
                kind: PressureKind::Depression
            })
        );
        assert_eq!(channel_unit_in("Channel B"), None);
        let symbol = |text| ChannelUnit::from_symbol(text, None, None, None);
        assert_eq!(symbol("kPa"), Some(absolute(PressureUnit::KPa)));
        let (unit, kind) = (PressureUnit::InHg, PressureKind::Depression);
        assert_eq!(
            symbol("in Hg depression"),
            Some(ChannelUnit::Pressure { unit, kind })
        );
        assert_eq!(symbol("gauge"), None);
    }

    #[test]
    fn names_are_told_apart() {
        assert!(
            names_time("Time") && names_time("t_us") && names_time("ms") && names_time("X-axis")
        );
        assert!(!names_time("t_engine") && !names_time("left"));
        assert!(names_body("left_kpa", "left") && names_body("pLeft", "Left"));
        assert!(names_body("p cyl 1 (V)", "cyl 1") && !names_body("p cyl 12", "1"));
        assert_eq!(bits_in("boot ok, 12 bit"), Some(12));
        assert_eq!(bits_in("ADC 10-bit"), Some(10));
        assert_eq!(bits_in("orbit 12"), None);
        assert_eq!(rate_in("Sample rate: 2,5 kHz"), Some(2500.0));
        assert_eq!(rate_in("sampling interval=0.5ms"), Some(2000.0));
        assert_eq!(rate_in("2000 Hz low-pass"), None);
    }
}

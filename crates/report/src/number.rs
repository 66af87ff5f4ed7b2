//! Numbers as people read them: a true minus, no `-0`, words where a value is missing.

use evenpull_diagnose::Interval;

/// Shown where a value is missing or not finite.
pub(crate) const NOT_KNOWN: &str = "not known";

/// `value` with `decimals` places, a true minus sign and grouped thousands.
pub(crate) fn fixed(value: f64, decimals: usize) -> String {
    if !value.is_finite() {
        return NOT_KNOWN.to_owned();
    }
    if value.abs() >= 1e7 {
        // Nothing the trade measures; the power keeps a runaway value from flooding the page.
        return format!("{value:.2e}").replace('-', "−");
    }
    let digits = format!("{:.decimals$}", value.abs());
    let is_zero = digits.bytes().all(|b| matches!(b, b'0' | b'.'));
    let sign = if value < 0.0 && !is_zero { "−" } else { "" };
    format!("{sign}{}", grouped(&digits))
}

/// As [`fixed`], with a plus sign before positive values.
pub(crate) fn signed(value: f64, decimals: usize) -> String {
    let text = fixed(value, decimals);
    let is_zero = text.bytes().all(|b| matches!(b, b'0' | b'.'));
    if value.is_finite() && value > 0.0 && !is_zero {
        format!("+{text}")
    } else {
        text
    }
}

/// `low to high`, or a word when an end is missing.
pub(crate) fn range(interval: &Interval, decimals: usize) -> String {
    if interval.lo90.is_finite() && interval.hi90.is_finite() {
        format!(
            "{} to {}",
            fixed(interval.lo90, decimals),
            fixed(interval.hi90, decimals)
        )
    } else {
        NOT_KNOWN.to_owned()
    }
}

/// Seconds-free shop time: `about 5 min`.
pub(crate) fn minutes(value: f64) -> Option<String> {
    (value.is_finite() && value > 0.0).then(|| format!("about {} min", fixed(value.ceil(), 0)))
}

/// A fraction as per cent, never rounded up to a certainty.
pub(crate) fn percent_of_one(probability: f64) -> String {
    if !probability.is_finite() {
        NOT_KNOWN.to_owned()
    } else if probability > 0.99 {
        "more than 99 %".to_owned()
    } else if probability < 0.01 {
        "less than 1 %".to_owned()
    } else {
        format!("{} %", fixed(probability * 100.0, 0))
    }
}

/// A spread as per cent, with tenths where it is small.
pub(crate) fn spread_percent(spread: f64) -> String {
    let decimals = usize::from(spread.abs() < 0.1);
    format!("{} %", fixed(100.0 * spread, decimals))
}

fn grouped(digits: &str) -> String {
    let (whole, fraction) = digits.split_once('.').unwrap_or((digits, ""));
    let mut out = String::with_capacity(digits.len() + 4);
    for (i, c) in whole.chars().enumerate() {
        if i > 0 && (whole.len() - i).is_multiple_of(3) {
            out.push(',');
        }
        out.push(c);
    }
    if !fraction.is_empty() {
        out.push('.');
        out.push_str(fraction);
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn minus_zero_and_missing_values() {
        assert_eq!(fixed(-0.004, 2), "0.00");
        assert_eq!(fixed(-1.26, 1), "−1.3");
        assert_eq!(fixed(f64::NAN, 1), NOT_KNOWN);
        assert_eq!(fixed(f64::NEG_INFINITY, 1), NOT_KNOWN);
        assert_eq!(signed(0.4, 1), "+0.4");
        assert_eq!(signed(0.004, 1), "0.0");
        assert_eq!(fixed(1_234_567.5, 1), "1,234,567.5");
        assert_eq!(fixed(123.0, 0), "123");
        assert_eq!(fixed(-1e300, 2), "−1.00e300");
    }

    #[test]
    fn per_cent_never_claims_certainty() {
        assert_eq!(percent_of_one(1.0), "more than 99 %");
        assert_eq!(percent_of_one(0.0), "less than 1 %");
        assert_eq!(percent_of_one(0.914), "91 %");
    }
}

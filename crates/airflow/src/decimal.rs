//! Numbers as people type them: decimal point or decimal comma.

/// Why a number could not be read.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum DecimalError {
    /// Nothing but blanks.
    #[error("expected a number, got nothing")]
    Empty,
    /// More than one separator: thousands marks are not guessed at.
    #[error("`{text}` has more than one decimal mark; write it without thousands separators")]
    Separators {
        /// The text as typed.
        text: String,
    },
    /// Something else than a number.
    #[error("expected a number such as 12.5 or 12,5, got `{text}`")]
    NotANumber {
        /// The text as typed.
        text: String,
    },
    /// A number too large to hold.
    #[error("`{text}` is too large")]
    TooLarge {
        /// The text as typed.
        text: String,
    },
}

/// Reads a finite number with a decimal point or a decimal comma.
///
/// Blanks around it, a sign (also the typographic minus) and an exponent are allowed. One comma is
/// always a decimal comma, so `1,234` is 1.234; two marks are refused rather than guessed.
///
/// # Errors
/// [`DecimalError`] quoting the text.
pub fn parse_decimal(text: &str) -> Result<f64, DecimalError> {
    let trimmed = text.trim();
    if trimmed.is_empty() {
        return Err(DecimalError::Empty);
    }
    let quoted = || trimmed.to_owned();
    if trimmed.chars().filter(|c| matches!(c, '.' | ',')).count() > 1 {
        return Err(DecimalError::Separators { text: quoted() });
    }
    let plain = trimmed.replace(',', ".").replace('\u{2212}', "-");
    // The standard parser also takes `nan`, `inf` and `infinity`, which nobody types on purpose.
    if !plain
        .bytes()
        .all(|b| b.is_ascii_digit() || matches!(b, b'.' | b'+' | b'-' | b'e' | b'E'))
    {
        return Err(DecimalError::NotANumber { text: quoted() });
    }
    match plain.parse::<f64>() {
        Ok(value) if value.is_finite() => Ok(value),
        Ok(_) => Err(DecimalError::TooLarge { text: quoted() }),
        Err(_) => Err(DecimalError::NotANumber { text: quoted() }),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn both_marks_are_read() {
        for (text, want) in [
            ("12.5", 12.5),
            ("12,5", 12.5),
            (" -0,75 ", -0.75),
            ("\u{2212}3", -3.0),
            ("+1.2e3", 1200.0),
            ("1,234", 1.234),
            (",5", 0.5),
        ] {
            assert_eq!(parse_decimal(text), Ok(want), "{text}");
        }
    }

    #[test]
    fn bad_numbers_are_quoted() {
        assert_eq!(parse_decimal("  "), Err(DecimalError::Empty));
        assert!(matches!(
            parse_decimal("1.234,5"),
            Err(DecimalError::Separators { .. })
        ));
        for text in ["nan", "inf", "12 kPa", "--1", ".", "1e", "0x10"] {
            assert!(
                matches!(parse_decimal(text), Err(DecimalError::NotANumber { .. })),
                "{text}"
            );
        }
        assert!(matches!(
            parse_decimal("1e999"),
            Err(DecimalError::TooLarge { .. })
        ));
        assert!(
            parse_decimal("12 kPa")
                .unwrap_err()
                .to_string()
                .contains("`12 kPa`")
        );
    }

    proptest! {
        #[test]
        fn prop_never_panics(text in ".*") {
            let _ = parse_decimal(&text);
        }

        #[test]
        fn prop_round_trip_with_comma(x in -1e9..1e9_f64) {
            prop_assert_eq!(parse_decimal(&x.to_string().replace('.', ",")), Ok(x));
        }
    }
}

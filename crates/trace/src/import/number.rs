//! Numbers as loggers print them: a fast exact scan and a tolerant reading of one field.
//!
//! The fast scan takes plain digits with one decimal mark and an optional exponent. A mantissa
//! below 2^53 times or over a power of ten up to 10^22 is correctly rounded by one operation
//! (both operands are exact), so no general decimal conversion is needed for such fields.

/// Powers of ten that a double holds exactly.
pub(super) const POW10: [f64; 23] = [
    1e0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11, 1e12, 1e13, 1e14, 1e15, 1e16,
    1e17, 1e18, 1e19, 1e20, 1e21, 1e22,
];

/// Largest integer up to which every integer is a double.
const EXACT_MANTISSA: u64 = 1 << 53;

/// What one field holds.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Field {
    /// A finite number.
    Number(Printed),
    /// An overload mark: the instrument was beyond its range.
    Overload,
    /// Nothing, or a mark for "no value".
    Empty,
    /// Anything else.
    Text,
}

/// A number with how it was printed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Printed {
    /// Value in the file's unit.
    pub(super) value: f64,
    /// Decimal places behind the mark, less the exponent: the last digit is worth 10^-places.
    pub(super) places: i32,
    /// Whether thousands were set apart.
    pub(super) grouped: bool,
}

fn byte(bytes: &[u8], at: usize) -> u8 {
    bytes.get(at).copied().unwrap_or(b'\n')
}

/// Runs over decimal digits from `i`; returns the mantissa carried on and where it stopped.
#[inline(always)]
fn digits(bytes: &[u8], mut i: usize, mut mantissa: u64) -> (u64, usize) {
    while let Some(&c) = bytes.get(i) {
        let d = c.wrapping_sub(b'0');
        if d > 9 {
            break;
        }
        mantissa = mantissa.wrapping_mul(10).wrapping_add(u64::from(d));
        i += 1;
    }
    (mantissa, i)
}

/// Scans a plain number at `at`: value, decimal places and the index behind it.
///
/// `None` sends the caller to [`read_field`]: no digits, no digit behind the decimal mark, or
/// more digits than are exact.
#[inline(always)]
pub(super) fn scan(bytes: &[u8], at: usize, decimal: u8) -> Option<(f64, i32, usize)> {
    let mut i = at;
    let sign = byte(bytes, i);
    let negative = sign == b'-';
    if negative || sign == b'+' {
        i += 1;
    }
    let start = i;
    let (mut mantissa, mut end) = digits(bytes, start, 0);
    let mut count = end - start;
    let mut places = 0_i32;
    if byte(bytes, end) == decimal {
        let behind = end + 1;
        (mantissa, end) = digits(bytes, behind, mantissa);
        if end == behind {
            return None;
        }
        count += end - behind;
        places = (end - behind) as i32;
    }
    if count == 0 || count > 19 || mantissa > EXACT_MANTISSA {
        return None;
    }
    if byte(bytes, end) | 0x20 == b'e' {
        let (exponent, behind) = exponent(bytes, end + 1)?;
        places -= exponent;
        end = behind;
    }
    let magnitude = if places >= 0 {
        mantissa as f64 / POW10.get(places as usize)?
    } else {
        mantissa as f64 * POW10.get(places.unsigned_abs() as usize)?
    };
    Some((if negative { -magnitude } else { magnitude }, places, end))
}

#[cold]
fn exponent(bytes: &[u8], at: usize) -> Option<(i32, usize)> {
    let sign = byte(bytes, at);
    let start = at + usize::from(sign == b'-' || sign == b'+');
    let (value, end) = digits(bytes, start, 0);
    if end == start || end - start > 4 {
        return None;
    }
    let value = value as i32;
    Some((if sign == b'-' { -value } else { value }, end))
}

/// Field without surrounding blanks and quotes.
pub(super) fn bare(mut text: &[u8]) -> &[u8] {
    text = text.trim_ascii();
    if text.len() >= 2 && text.starts_with(b"\"") && text.ends_with(b"\"") {
        text = text[1..text.len() - 1].trim_ascii();
    }
    text
}

/// Reads one field, tolerantly: quotes, blanks, thousands marks, overload marks, signs of nothing.
pub(super) fn read_field(text: &[u8], decimal: u8) -> Field {
    let text = bare(text);
    if text.is_empty() {
        return Field::Empty;
    }
    if let Some((value, places, end)) = scan(text, 0, decimal)
        && end == text.len()
    {
        return Field::Number(Printed {
            value,
            places,
            grouped: false,
        });
    }
    if is_overload(text) {
        return Field::Overload;
    }
    if [
        b"nan".as_slice(),
        b"-nan",
        b"n/a",
        b"#n/a",
        b"na",
        b"null",
        b"-",
    ]
    .iter()
    .any(|mark| text.eq_ignore_ascii_case(mark))
    {
        return Field::Empty;
    }
    rewritten(text, decimal).map_or(Field::Text, Field::Number)
}

/// Marks seen in exports where the input was beyond the instrument's range.
fn is_overload(text: &[u8]) -> bool {
    const INFINITY: &[u8] = "\u{221e}".as_bytes();
    let unsigned = match text {
        [b'-' | b'+', rest @ ..] if !rest.is_empty() => rest,
        _ => text,
    };
    let repeated = |c: u8| text.len() >= 2 && text.iter().all(|&b| b == c);
    unsigned == INFINITY
        || repeated(b'*')
        || repeated(b'-')
        || repeated(b'#')
        || [
            b"inf".as_slice(),
            b"infinity",
            b"1.#inf",
            b"ol",
            b"o.l",
            b"o.l.",
            b"ovl",
            b"ovr",
            b"over",
            b"overload",
            b"overrange",
            b"ovrng",
            b"clip",
            b"clipped",
        ]
        .iter()
        .any(|mark| unsigned.eq_ignore_ascii_case(mark))
}

/// Rewrites thousands marks, a minus sign beyond ASCII and the decimal mark, then parses.
fn rewritten(text: &[u8], decimal: u8) -> Option<Printed> {
    const MINUS: &[u8] = "\u{2212}".as_bytes();
    let (negative, body) = match text {
        [b'-', rest @ ..] => (true, rest),
        [b'+', rest @ ..] => (false, rest),
        _ => text
            .strip_prefix(MINUS)
            .map_or((false, text), |rest| (true, rest)),
    };
    let mark = body.iter().position(|&b| b == decimal);
    let (whole, rest) = body.split_at(mark.unwrap_or(body.len()));
    let (whole, grouped) = ungrouped(whole, decimal)?;
    let mut plain = String::with_capacity(text.len());
    plain.push(if negative { '-' } else { '+' });
    plain.push_str(std::str::from_utf8(&whole).ok()?);
    if let [_, behind @ ..] = rest {
        // A decimal comma with nothing behind it is a separator that was taken for a mark.
        if behind.is_empty() && decimal == b',' {
            return None;
        }
        plain.push('.');
        plain.push_str(std::str::from_utf8(behind).ok()?);
    }
    // The standard parser would also take words such as `infinity`.
    if !plain
        .bytes()
        .all(|b| b.is_ascii_digit() || b"+-.eE".contains(&b))
        || !plain.bytes().any(|b| b.is_ascii_digit())
    {
        return None;
    }
    let value: f64 = plain.parse().ok()?;
    value.is_finite().then(|| Printed {
        value,
        places: printed_places(&plain),
        grouped,
    })
}

fn printed_places(plain: &str) -> i32 {
    let (mantissa, exponent) = plain.split_once(['e', 'E']).unwrap_or((plain, "0"));
    let behind = mantissa.split_once('.').map_or(0, |(_, b)| b.len());
    i32::try_from(behind).unwrap_or(0) - exponent.parse::<i32>().unwrap_or(0)
}

/// Takes out thousands marks if every group behind the first has three digits.
fn ungrouped(whole: &[u8], decimal: u8) -> Option<(Vec<u8>, bool)> {
    let other = if decimal == b',' { b'.' } else { b',' };
    let is_mark = |b: u8| b == other || b == b'\'' || b == b' ';
    if !whole.iter().any(|&b| is_mark(b)) {
        return Some((whole.to_vec(), false));
    }
    let mut groups = whole.split(|&b| is_mark(b));
    let first = groups.next()?;
    if first.is_empty() || first.len() > 3 || !groups.all(|g| g.len() == 3) {
        return None;
    }
    let kept: Vec<u8> = whole.iter().copied().filter(|&b| !is_mark(b)).collect();
    kept.iter().all(u8::is_ascii_digit).then_some((kept, true))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn number(text: &str, decimal: u8) -> f64 {
        match read_field(text.as_bytes(), decimal) {
            Field::Number(n) => n.value,
            other => panic!("{text}: {other:?}"),
        }
    }

    #[test]
    fn plain_numbers_equal_the_standard_parser() {
        for text in [
            "0",
            "4294967295",
            "0.00100",
            "-3.25e-3",
            "1E+05",
            "99.999999999999",
            "+7.5",
        ] {
            assert_eq!(number(text, b'.'), text.parse::<f64>().unwrap(), "{text}");
        }
        // Beyond the exact range the tolerant path takes over.
        for text in [
            "12345678901234567890.5",
            "0.12345678901234567890123",
            "1e300",
            "3e-300",
        ] {
            assert_eq!(number(text, b'.'), text.parse::<f64>().unwrap(), "{text}");
        }
    }

    #[test]
    fn decimal_commas_and_thousands() {
        assert_eq!(number("1.234,5", b','), 1234.5);
        assert_eq!(number("1,234.5", b'.'), 1234.5);
        assert_eq!(number("12'345", b'.'), 12345.0);
        assert_eq!(number("\u{2212}0,25", b','), -0.25);
        assert_eq!(number("\" 2,5 \"", b','), 2.5);
        assert_eq!(number("5.", b'.'), 5.0);
        for (text, decimal) in [
            ("1.23,4", b','),
            ("5,", b','),
            ("12 bit", b'.'),
            ("e5", b'.'),
            (".", b'.'),
        ] {
            assert_eq!(read_field(text.as_bytes(), decimal), Field::Text, "{text}");
        }
    }

    #[test]
    fn overload_marks_are_not_numbers() {
        for text in [
            "\u{221e}",
            "-\u{221e}",
            "inf",
            "-INF",
            "OL",
            "***",
            "-----",
            "1.#INF",
            "Overload",
        ] {
            assert_eq!(read_field(text.as_bytes(), b','), Field::Overload, "{text}");
        }
        for text in ["", "  ", "NaN", "n/a", "-"] {
            assert_eq!(read_field(text.as_bytes(), b'.'), Field::Empty, "{text}");
        }
    }
}

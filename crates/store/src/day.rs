//! Days of the calendar as they are written down.

/// A day of the calendar written `YYYY-MM-DD`: year, month, day; `None` for anything else, such as
/// the 30th of February. Days written so compare as texts do.
pub fn day(text: &str) -> Option<(i32, u8, u8)> {
    let mut parts = text.split('-');
    let mut digits = |length: usize| {
        let part = parts.next()?;
        let plain = part.len() == length && part.bytes().all(|b| b.is_ascii_digit());
        plain.then_some(part)
    };
    let year: i32 = digits(4)?.parse().ok()?;
    let month: u8 = digits(2)?.parse().ok()?;
    let day: u8 = digits(2)?.parse().ok()?;
    let leap = year % 4 == 0 && (year % 100 != 0 || year % 400 == 0);
    let last = match month {
        2 if leap => 29,
        2 => 28,
        4 | 6 | 9 | 11 => 30,
        1..=12 => 31,
        _ => return None,
    };
    let real = (1..=last).contains(&day) && parts.next().is_none();
    real.then_some((year, month, day))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_day_is_one_of_the_calendar() {
        assert_eq!(day("2031-02-28"), Some((2031, 2, 28)));
        assert_eq!(day("2028-02-29"), Some((2028, 2, 29)));
        for none in [
            "2031-02-30",
            "2031-02-29",
            "2100-02-29",
            "2031-04-31",
            "2031-13-01",
            "2031-00-10",
            "2031-1-1",
            "31-12-2031",
            "2031-12-31-1",
            "+031-12-31",
            "",
        ] {
            assert_eq!(day(none), None, "{none}");
        }
    }
}

//! Rates and lines of an estimate from a small file.

use std::path::Path;

use evenpull_report::{LineChoice, PricedLine, Rates};
use serde::Deserialize;

use crate::error::AppError;
use crate::text_file::{problem, read_text};

/// Most lines of one estimate.
const MOST_LINES: usize = 200;
/// Most money in one place [units of the currency]; beyond it a point is missing.
const MOST_MONEY: f64 = 1e7;
/// Most work in one line [min]: two weeks.
const MOST_MINUTES: i64 = 4800;

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct RatesFile {
    format: String,
    #[serde(default)]
    currency: String,
    rate_per_hour: Option<f64>,
    #[serde(default)]
    line: Vec<LineEntry>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct LineEntry {
    words: String,
    #[serde(default)]
    minutes: i64,
    #[serde(default)]
    price: f64,
    way: Option<String>,
}

/// Reads `evenpull.rates/1`.
///
/// # Errors
/// [`AppError::Unreadable`] naming the file, what is wrong in it and what would be right.
pub fn load_rates(path: &Path) -> Result<Rates, AppError> {
    let text = read_text(path)?;
    let wrong = |what: String, remedy: &str| problem(path, &what, remedy);
    let file: RatesFile = toml::from_str(&text).map_err(|e| {
        wrong(
            e.to_string().trim_end().to_owned(),
            "keys are `format`, `currency`, `rate_per_hour` and `[[line]]` with `words`, `minutes`, \
             `price`, `way`",
        )
    })?;
    if file.format != "evenpull.rates/1" {
        let what = format!("`format` = `{}`", file.format);
        return Err(wrong(what, "write `format = \"evenpull.rates/1\"`"));
    }
    if file.line.len() > MOST_LINES {
        let what = format!("{} lines", file.line.len());
        return Err(wrong(what, &format!("write at most {MOST_LINES}")));
    }
    let money = |key: &str, value: f64| {
        if (0.0..=MOST_MONEY).contains(&value) {
            Ok((value * 100.0).round() as i64)
        } else {
            let what = format!("`{key}` = {value}");
            Err(wrong(
                what,
                &format!("write an amount from 0 to {MOST_MONEY}"),
            ))
        }
    };
    let rate = match file.rate_per_hour {
        Some(rate) => Some(money("rate_per_hour", rate)?),
        None => None,
    };
    let mut lines = Vec::new();
    for (i, line) in file.line.into_iter().enumerate() {
        let key = |name: &str| format!("line[{}].{name}", i + 1);
        if line.words.trim().is_empty() {
            let what = format!("`{}` is empty", key("words"));
            return Err(wrong(what, "say what is done or fitted"));
        }
        if !(0..=MOST_MINUTES).contains(&line.minutes) {
            let what = format!("`{}` = {}", key("minutes"), line.minutes);
            return Err(wrong(what, &format!("write 0 to {MOST_MINUTES} minutes")));
        }
        let way = line.way.as_deref().unwrap_or("both");
        let choice = LineChoice::from_word(way).ok_or_else(|| {
            let known = LineChoice::ALL.map(LineChoice::as_str).join(", ");
            wrong(
                format!("`{}` = `{way}`", key("way")),
                &format!("use one of {known}"),
            )
        })?;
        lines.push(PricedLine {
            choice,
            price_hundredths: money(&key("price"), line.price)?,
            words: line.words,
            minutes: line.minutes,
        });
    }
    Ok(Rates {
        currency: file.currency,
        rate_hundredths: rate,
        lines,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read(text: &str) -> Result<Rates, String> {
        let made = tempfile::tempdir().unwrap();
        let path = made.path().join("rates.toml");
        std::fs::write(&path, text).unwrap();
        load_rates(&path).map_err(|e| e.to_string())
    }

    #[test]
    fn a_file_gives_rates_and_lines() {
        let rates = read(
            "format = \"evenpull.rates/1\"\ncurrency = \"EUR\"\nrate_per_hour = 68.5\n[[line]]\n\
             words = \"bushes\"\nminutes = 90\nprice = 44\nway = \"repair\"\n",
        )
        .unwrap();
        assert_eq!(rates.rate_hundredths, Some(6850));
        assert_eq!(rates.lines[0].choice, LineChoice::Repair);
        assert_eq!(rates.lines[0].price_hundredths, 4400);
    }

    #[test]
    fn what_is_wrong_is_named() {
        let head = "format = \"evenpull.rates/1\"\n";
        for (text, part) in [
            ("format = \"x\"\n".to_owned(), "evenpull.rates/1"),
            (format!("{head}curency = \"EUR\"\n"), "curency"),
            (format!("{head}rate_per_hour = -1\n"), "rate_per_hour"),
            (format!("{head}[[line]]\nwords = \" \"\n"), "line[1].words"),
            (
                format!("{head}[[line]]\nwords = \"a\"\nway = \"swap\"\n"),
                "replacement",
            ),
            (
                format!("{head}[[line]]\nwords = \"a\"\nminutes = 99999\n"),
                "line[1].minutes",
            ),
        ] {
            let error = read(&text).unwrap_err();
            assert!(
                error.contains(part) && error.contains("rates.toml"),
                "{error}"
            );
        }
    }
}

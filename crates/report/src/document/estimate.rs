//! The estimate: the shop's own rates and lines, and repair against replacement.

use super::model::{Block, Column, Document, Section};
use super::paper::JobPaper;
use super::shared::{begun, cause_line};
use super::years::forecast;
use crate::number::minutes as about_minutes;
use crate::writing::Writing;

/// For which way of putting it right a line is charged.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum LineChoice {
    /// Either way.
    #[default]
    Both,
    /// Only when the part is repaired.
    Repair,
    /// Only when the part is replaced.
    Replacement,
}

impl LineChoice {
    /// All of them, in the order of a list.
    pub const ALL: [Self; 3] = [Self::Both, Self::Repair, Self::Replacement];

    /// The word used in files and records.
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Both => "both",
            Self::Repair => "repair",
            Self::Replacement => "replacement",
        }
    }

    /// The choice of a word.
    pub fn from_word(word: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|c| c.as_str() == word)
    }
}

/// One line of an estimate. Money is whole hundredths of the currency, so that sums are exact.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct PricedLine {
    /// For which way of putting it right.
    pub choice: LineChoice,
    /// What is done or fitted.
    pub words: String,
    /// Work [min], charged by the hour's rate.
    pub minutes: i64,
    /// Parts or a fixed price beside the work [hundredths].
    pub price_hundredths: i64,
}

/// What the shop charges.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Rates {
    /// Currency as written behind an amount; empty where none was given.
    pub currency: String,
    /// An hour of work [hundredths]; `None` where none was given.
    pub rate_hundredths: Option<i64>,
    /// Lines of this estimate.
    pub lines: Vec<PricedLine>,
}

impl Rates {
    /// The work of a line [hundredths], rounded to whole ones.
    fn work(&self, line: &PricedLine) -> i64 {
        let charged = line
            .minutes
            .saturating_mul(self.rate_hundredths.unwrap_or(0));
        charged.saturating_add(30).div_euclid(60)
    }

    /// Sum of one way of putting it right [hundredths]; `None` where no line is for it alone.
    fn sum(&self, choice: LineChoice) -> Option<i64> {
        let own = self.lines.iter().any(|l| l.choice == choice);
        let lines = self.lines.iter();
        let counted = lines.filter(|l| l.choice == choice || l.choice == LineChoice::Both);
        own.then(|| {
            counted
                .map(|l| self.work(l).saturating_add(l.price_hundredths))
                .fold(0, i64::saturating_add)
        })
    }

    fn money(&self, writing: Writing, hundredths: i64) -> String {
        let size = hundredths.unsigned_abs();
        let whole = (size / 100).to_string();
        let mut grouped = String::new();
        for (i, c) in whole.chars().enumerate() {
            if i > 0 && (whole.len() - i).is_multiple_of(3) {
                grouped.push(',');
            }
            grouped.push(c);
        }
        let sign = if hundredths < 0 { "−" } else { "" };
        let amount = format!("{sign}{grouped}.{:02}", size % 100);
        let amount = writing.signs(&amount);
        format!("{amount} {}", self.currency).trim_end().to_owned()
    }
}

/// The estimate for a job.
pub fn estimate(paper: &JobPaper<'_>, rates: &Rates) -> Document {
    let mut document = begun(paper, "estimate.title");
    document.sections = vec![
        sums(paper, rates),
        reason(paper),
        lines(paper, rates),
        choice(paper, rates),
        terms(paper),
    ];
    document
}

fn sums(paper: &JobPaper<'_>, rates: &Rates) -> Section {
    let (t, w) = (paper.texts, paper.writing);
    let mut section = Section::new(t.at("estimate.sums"));
    if rates.lines.is_empty() {
        // Amounts to be written in by hand.
        section.push(Block::text(t.at("estimate.no_lines")));
        for key in ["estimate.repair_total", "estimate.replacement_total"] {
            let blank = t.at("estimate.blank");
            section.push(Block::lead(t.fill(key, &[("sum", blank)])));
        }
        return section;
    }
    let (repair, replacement) = (
        rates.sum(LineChoice::Repair),
        rates.sum(LineChoice::Replacement),
    );
    let line = |key, sum| t.fill(key, &[("sum", &rates.money(w, sum))]);
    match (repair, replacement) {
        (None, None) => {
            let sum = rates.sum(LineChoice::Both).unwrap_or(0);
            section.push(Block::lead(line("estimate.total", sum)));
        }
        _ => {
            let named = [
                ("estimate.repair_total", repair),
                ("estimate.replacement_total", replacement),
            ];
            for (key, sum) in named {
                if let Some(sum) = sum {
                    section.push(Block::lead(line(key, sum)));
                }
            }
        }
    }
    section
}

/// What the readings say, so that the owner knows what the money is for.
fn reason(paper: &JobPaper<'_>) -> Section {
    let t = paper.texts;
    let mut section = Section::new(t.at("estimate.reason"));
    let mut items = Vec::new();
    if !paper.record.complaint.is_empty() {
        items.push(t.fill("estimate.asked", &[("asked", &paper.record.complaint)]));
    }
    match paper.now.causes.first() {
        Some(cause) if !paper.now.undetermined => {
            items.push(t.fill(
                "estimate.found",
                &[("found", &cause_line(cause, paper.now))],
            ));
        }
        _ => items.push(t.own("estimate.undetermined")),
    }
    if let Some(next) = &paper.now.next_reading {
        let time = about_minutes(next.minutes).unwrap_or_default();
        let what = paper.writing.sentence(next.what.trim_end_matches('.'));
        let values = [("what", what.as_str()), ("time", time.as_str())];
        items.push(t.fill("estimate.first", &values));
    }
    section.push(Block::List { items });
    section
}

fn lines(paper: &JobPaper<'_>, rates: &Rates) -> Section {
    let (t, w) = (paper.texts, paper.writing);
    let mut section = Section::new(t.at("estimate.lines"));
    let hour = rates.rate_hundredths.map_or_else(
        || t.own("estimate.no_rate"),
        |r| t.fill("estimate.rate", &[("rate", &rates.money(w, r))]),
    );
    // Rows to fill in need no word on a rate.
    if !rates.lines.is_empty() || rates.rate_hundredths.is_some() {
        section.push(Block::text(hour));
    }
    let words = |choice| {
        t.own(match choice {
            LineChoice::Both => "estimate.both",
            LineChoice::Repair => "estimate.repair",
            LineChoice::Replacement => "estimate.replacement",
        })
    };
    let rows = rates.lines.iter().map(|l| {
        let work = rates.work(l);
        vec![
            l.words.clone(),
            words(l.choice),
            l.minutes.to_string(),
            rates.money(w, work),
            rates.money(w, l.price_hundredths),
            rates.money(w, work.saturating_add(l.price_hundredths)),
        ]
    });
    let blank = t.at("estimate.blank");
    let empty = |choice| {
        let mut row = vec![blank.to_owned(); 6];
        row[1] = words(choice);
        row
    };
    let mut rows: Vec<Vec<String>> = rows.collect();
    if rows.is_empty() {
        rows.extend(LineChoice::ALL.map(empty));
    }
    section.push(Block::Table {
        caption: String::new(),
        columns: vec![
            Column::words(t.at("estimate.what")),
            Column::words(t.at("estimate.way")),
            Column::figures(t.at("estimate.minutes")),
            Column::figures(t.at("estimate.work")),
            Column::figures(t.at("estimate.parts")),
            Column::figures(t.at("estimate.sum")),
        ],
        rows,
        tall: false,
    });
    section
}

/// Repair against replacement, as far as the wear is known.
fn choice(paper: &JobPaper<'_>, rates: &Rates) -> Section {
    let (t, w) = (paper.texts, paper.writing);
    let mut section = Section::new(t.at("estimate.choice"));
    let sums = (
        rates.sum(LineChoice::Repair),
        rates.sum(LineChoice::Replacement),
    );
    if let (Some(repair), Some(replacement)) = sums {
        let key = if repair <= replacement {
            "estimate.repair_less"
        } else {
            "estimate.replacement_less"
        };
        let apart = rates.money(w, (replacement - repair).abs());
        section.push(Block::text(t.fill(key, &[("apart", &apart)])));
    } else {
        section.push(Block::text(t.at(match rates.lines.is_empty() {
            true => "estimate.open_choice",
            false => "estimate.one_way",
        })));
    }
    let items = forecast(paper);
    section.push(if items.is_empty() {
        Block::text(t.at("estimate.no_forecast"))
    } else {
        Block::List { items }
    });
    section
}

fn terms(paper: &JobPaper<'_>) -> Section {
    let t = paper.texts;
    let mut section = Section::new(t.at("estimate.terms"));
    let keys = [
        "estimate.no_quotation",
        "estimate.authority",
        "estimate.tax",
    ];
    section.push(Block::List {
        items: keys.map(|k| t.own(k)).into(),
    });
    section.push(Block::Sign {
        labels: ["card.sign_shop", "estimate.sign_owner"]
            .map(|k| t.own(k))
            .into(),
    });
    section
}

#[cfg(test)]
mod tests {
    use super::*;

    fn line(choice: LineChoice, minutes: i64, price_hundredths: i64) -> PricedLine {
        PricedLine {
            choice,
            words: "x".to_owned(),
            minutes,
            price_hundredths,
        }
    }

    #[test]
    fn sums_are_exact_and_by_choice() {
        let rates = Rates {
            currency: "EUR".to_owned(),
            rate_hundredths: Some(6_800),
            lines: vec![
                line(LineChoice::Both, 25, 1_250),
                line(LineChoice::Repair, 90, 4_400),
                line(LineChoice::Replacement, 60, 98_000),
            ],
        };
        // 25 min at 68.00: 28.3333, rounded 28.33.
        assert_eq!(rates.work(&rates.lines[0]), 2_833);
        assert_eq!(
            rates.sum(LineChoice::Repair),
            Some(2_833 + 1_250 + 10_200 + 4_400)
        );
        assert_eq!(
            rates.sum(LineChoice::Replacement),
            Some(2_833 + 1_250 + 6_800 + 98_000)
        );
        let w = Writing::default();
        assert_eq!(rates.money(w, 108_883), "1,088.83 EUR");
        assert_eq!(rates.money(w, -5), "−0.05 EUR");
        let w = w.with(None, Some(true));
        assert_eq!(rates.money(w, 108_883), "1\u{a0}088,83 EUR");
    }

    #[test]
    fn without_lines_of_its_own_a_way_has_no_sum() {
        let rates = Rates {
            lines: vec![line(LineChoice::Both, 60, 0)],
            ..Rates::default()
        };
        assert_eq!(rates.sum(LineChoice::Repair), None);
        assert_eq!(rates.sum(LineChoice::Both), Some(0));
        assert_eq!(rates.money(Writing::default(), 0), "0.00");
    }
}

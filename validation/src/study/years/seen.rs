//! What is counted over the machines.

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::iter::Sum;

/// Hits of tries.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Finds {
    /// Hits.
    pub hits: u32,
    /// Tries.
    pub all: u32,
}

impl Finds {
    /// Counts one.
    pub fn add(&mut self, hit: bool) {
        self.hits += u32::from(hit);
        self.all += 1;
    }

    /// Share of hits [%].
    pub fn percent(&self) -> f64 {
        100.0 * f64::from(self.hits) / f64::from(self.all.max(1))
    }

    fn text(&self) -> String {
        format!("{:5.1} % of {}", self.percent(), self.all)
    }
}

/// Counts of many machines.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Counted {
    /// Machines.
    pub machines: u32,
    /// Visits.
    pub visits: u32,
    /// The 90 % interval of a rate holds the rate of wear, by quantity.
    pub rates: BTreeMap<&'static str, Finds>,
    /// The 90 % interval of the level at the last visit holds it, by quantity.
    pub levels: BTreeMap<&'static str, Finds>,
    /// The 90 % interval of a forecast holds the distance at which the limit was reached.
    pub forecasts: Finds,
    /// Tampering above the detectable size that is told between the right two visits.
    pub found: Finds,
    /// The same by what was touched.
    pub found_by: BTreeMap<&'static str, Finds>,
    /// The part is named as well.
    pub named: Finds,
    /// Tampering below that size that is told.
    pub small: Finds,
    /// Intervals that nobody touched anything in and that are told nevertheless.
    pub alarms: Finds,
    /// What those alarms said.
    pub alarm_texts: Vec<String>,
    /// Tampering above the detectable size that was missed.
    pub misses: Vec<String>,
}

fn joined(into: &mut BTreeMap<&'static str, Finds>, from: BTreeMap<&'static str, Finds>) {
    for (k, f) in from {
        let own = into.entry(k).or_default();
        own.hits += f.hits;
        own.all += f.all;
    }
}

impl Sum for Counted {
    fn sum<I: Iterator<Item = Self>>(all: I) -> Self {
        let mut out = Self::default();
        let add = |own: &mut Finds, f: Finds| {
            own.hits += f.hits;
            own.all += f.all;
        };
        for c in all {
            out.machines += c.machines;
            out.visits += c.visits;
            joined(&mut out.rates, c.rates);
            joined(&mut out.levels, c.levels);
            joined(&mut out.found_by, c.found_by);
            add(&mut out.forecasts, c.forecasts);
            add(&mut out.found, c.found);
            add(&mut out.named, c.named);
            add(&mut out.small, c.small);
            add(&mut out.alarms, c.alarms);
            out.alarm_texts.extend(c.alarm_texts);
            out.misses.extend(c.misses);
        }
        out
    }
}

impl Counted {
    /// All rates together.
    pub fn all_rates(&self) -> Finds {
        let mut out = Finds::default();
        for f in self.rates.values() {
            out.hits += f.hits;
            out.all += f.all;
        }
        out
    }

    /// As printed.
    pub fn text(&self) -> String {
        let mut out = format!("  {} machines, {} visits\n", self.machines, self.visits);
        let mut line = |what: &str, f: &Finds| {
            let _ = writeln!(out, "  {what:<48}{}", f.text());
        };
        line(
            "rate within its 90 % interval (86 to 94)",
            &self.all_rates(),
        );
        for (q, f) in &self.rates {
            line(&format!("  {q}"), f);
        }
        for (q, f) in &self.levels {
            line(&format!("level at the last visit within 90 %: {q}"), f);
        }
        line("limit reached within the forecast's 90 %", &self.forecasts);
        line("tampering of detectable size found (90)", &self.found);
        for (q, f) in &self.found_by {
            line(&format!("  {q}"), f);
        }
        line("  and the part named", &self.named);
        line("smaller tampering found", &self.small);
        line(
            "intervals told that nobody touched (at most 3)",
            &self.alarms,
        );
        for text in self.misses.iter().take(8) {
            let _ = writeln!(out, "    missed: {text}");
        }
        for text in self.alarm_texts.iter().take(8) {
            let _ = writeln!(out, "    alarm: {text}");
        }
        out
    }
}

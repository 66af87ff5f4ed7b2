//! A comparison with one source, and the table of all of them.

use std::fmt::Write as _;

/// How a deviation is counted.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Deviation {
    /// Difference, in the unit of the values.
    Absolute(&'static str),
    /// Difference over the source's value [-].
    Relative,
}

/// One compared value.
#[derive(Debug, Clone, PartialEq)]
pub struct Point {
    /// Which value.
    pub label: String,
    /// What the program computes.
    pub got: f64,
    /// What the source says.
    pub want: f64,
}

/// All compared values that share a limit.
#[derive(Debug, Clone, PartialEq)]
pub struct Case {
    /// Name, unique in the table.
    pub name: &'static str,
    /// Key in `refs.bib`.
    pub source: &'static str,
    /// Largest deviation allowed.
    pub limit: f64,
    /// How deviations are counted.
    pub deviation: Deviation,
    /// Why the limit is what it is.
    pub reason: &'static str,
    /// Why the case is known to be over its limit, if it is.
    pub known_failure: Option<&'static str>,
    /// The values.
    pub points: Vec<Point>,
}

impl Case {
    /// Case without points yet.
    pub fn new(
        name: &'static str,
        source: &'static str,
        deviation: Deviation,
        limit: f64,
        reason: &'static str,
    ) -> Self {
        Self {
            name,
            source,
            limit,
            deviation,
            reason,
            known_failure: None,
            points: Vec::new(),
        }
    }

    /// Adds a value; one the source does not give (`NaN`) is left out.
    pub fn push(&mut self, label: impl Into<String>, got: f64, want: f64) {
        if !want.is_nan() {
            self.points.push(Point {
                label: label.into(),
                got,
                want,
            });
        }
    }

    /// Deviation of a point; infinite if the program has no finite value.
    pub fn deviation_of(&self, point: &Point) -> f64 {
        let difference = (point.got - point.want).abs();
        let d = match self.deviation {
            Deviation::Absolute(_) => difference,
            Deviation::Relative => difference / point.want.abs(),
        };
        if d.is_nan() { f64::INFINITY } else { d }
    }

    /// Deviations in rising order.
    pub fn deviations(&self) -> Vec<f64> {
        let mut all: Vec<f64> = self.points.iter().map(|p| self.deviation_of(p)).collect();
        all.sort_by(f64::total_cmp);
        all
    }

    /// Largest deviation; infinite for a case that compares nothing.
    pub fn max(&self) -> f64 {
        self.deviations().last().copied().unwrap_or(f64::INFINITY)
    }

    /// Deviation that 99 % of the points do not exceed; the largest below a hundred points.
    pub fn p99(&self) -> f64 {
        let all = self.deviations();
        let rank = (0.99 * all.len() as f64).ceil() as usize;
        all.get(rank.saturating_sub(1))
            .copied()
            .unwrap_or(f64::INFINITY)
    }

    /// True when every point is within the limit and there is at least one.
    pub fn passes(&self) -> bool {
        self.max() <= self.limit
    }

    /// True when the case does what is expected of it: passes, or is a known failure that still
    /// fails, so that a cure is noticed.
    pub fn is_as_expected(&self) -> bool {
        self.passes() != self.known_failure.is_some()
    }

    /// Panics with the worst point unless the case passes; for tests.
    ///
    /// # Panics
    /// If a point is over the limit or there are none.
    pub fn assert_passes(&self) {
        assert!(!self.points.is_empty(), "{}: compares nothing", self.name);
        let over: Vec<String> = self
            .points
            .iter()
            .filter(|p| self.deviation_of(p) > self.limit)
            .map(|p| format!("{}: got {}, source {}", p.label, p.got, p.want))
            .collect();
        assert!(
            over.is_empty(),
            "{} ({}), limit {:e}: {over:#?}",
            self.name,
            self.source,
            self.limit
        );
    }
}

/// The table case, n, max, p99, limit as text, one line per case.
pub fn table(cases: &[Case]) -> String {
    let width = cases.iter().map(|c| c.name.len()).max().unwrap_or(0).max(4);
    let mut out = format!(
        "{:width$}  {:>5}  {:>9}  {:>9}  {:>9}  {:<9}  {:<5}  source\n",
        "case", "n", "max", "p99", "limit", "unit", ""
    );
    for case in cases {
        let unit = match case.deviation {
            Deviation::Absolute(unit) => unit,
            Deviation::Relative => "relative",
        };
        let _ = writeln!(
            out,
            "{:width$}  {:>5}  {:>9.2e}  {:>9.2e}  {:>9.2e}  {unit:<9}  {:<5}  {}",
            case.name,
            case.points.len(),
            case.max(),
            case.p99(),
            case.limit,
            match (case.passes(), case.known_failure) {
                (true, None) => "ok",
                (true, Some(_)) => "CURED",
                (false, None) => "OVER",
                (false, Some(_)) => "known",
            },
            case.source,
        );
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_case_can_fail() {
        let mut case = Case::new("x", "y", Deviation::Absolute("Pa"), 0.1, "test");
        assert!(!case.passes());
        case.push("a", 1.0, 1.05);
        assert!(case.passes());
        case.push("b", f64::NAN, 1.0);
        assert!(!case.passes());
        assert!(table(&[case]).contains("OVER"));
    }

    #[test]
    fn p99_leaves_out_the_worst_of_many() {
        let mut case = Case::new("x", "y", Deviation::Relative, 1.0, "test");
        for i in 0..200 {
            case.push(i.to_string(), 1.0 + f64::from(i) * 1e-3, 1.0);
        }
        assert!((case.p99() - 0.197).abs() < 1e-12 && (case.max() - 0.199).abs() < 1e-12);
    }
}

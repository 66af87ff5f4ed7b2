//! What stands elsewhere than the visit before: the intervals of the two leave each other out.
//!
//! The history tells wear from a change at once only with more visits; that something moved needs just two.

use evenpull_diagnose::{Interval, Quantity, Series};
use serde::Serialize;

use super::{MachineHistory, RangeAnswer, range};

/// Standard deviations on each side of a 90 % interval.
const NINE_IN_TEN: f64 = 1.645;

/// A quantity that moved between two visits.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct MovedAnswer {
    /// Job that shows it first.
    pub job: i64,
    /// Job before that it is held against.
    pub job_before: i64,
    /// Quantity with its unit.
    pub quantity: &'static str,
    /// Body or coupling; empty for the machine.
    pub part: String,
    /// How far, last minus first.
    pub change: RangeAnswer,
    /// One sentence.
    pub text: String,
}

/// A step of it is told as what somebody touched; of what follows from the parts none is.
fn is_of_a_part(quantity: Quantity) -> bool {
    !matches!(
        quantity,
        Quantity::IdleSteps | Quantity::AirBalance | Quantity::Depression
    )
}

impl MachineHistory {
    /// What moved from one visit to the next, oldest first; not what the shop set, and not what counts as a
    /// change somebody made.
    pub fn moved(&self) -> Vec<MovedAnswer> {
        let mut all: Vec<(usize, MovedAnswer)> = Vec::new();
        for series in &self.history.series {
            for pair in series.dots.windows(2) {
                let (first, last) = (pair[0].read, pair[1].read);
                let apart = last.lo90 > first.hi90 || first.lo90 > last.hi90;
                let known = is_of_a_part(series.quantity)
                    && series.steps.iter().any(|s| s.visit == pair[1].visit);
                if !apart || known || pair[1].set {
                    continue;
                }
                let by = last.value - first.value;
                let own = pair.iter().map(|d| self.own_sd(series, d.visit));
                let Some(sds) = own.collect::<Option<Vec<f64>>>() else {
                    continue;
                };
                let half = NINE_IN_TEN * sds[0].hypot(sds[1]);
                let change = Interval {
                    value: by,
                    lo90: by - half,
                    hi90: by + half,
                };
                let visits = (pair[0].visit, pair[1].visit);
                let ends = (first.value, last.value);
                all.push((visits.1, self.told(series, visits, ends, change)));
            }
        }
        all.sort_by_key(|(visit, _)| *visit);
        all.into_iter().map(|(_, moved)| moved).collect()
    }

    /// The visit's own error: what visits have wrong in common does not move.
    fn own_sd(&self, series: &Series, visit: usize) -> Option<f64> {
        let all = self.visits.get(visit)?.standings.iter();
        let mut own = all.filter(|s| s.quantity == series.quantity && s.part == series.part);
        own.next().map(evenpull_diagnose::Standing::own_sd)
    }

    fn told(
        &self,
        series: &Series,
        (before, after): (usize, usize),
        (from, to): (f64, f64),
        change: Interval,
    ) -> MovedAnswer {
        let quantity = series.quantity;
        let part = match series.part.as_str() {
            "" => String::new(),
            part => format!(" ({part})"),
        };
        let (unit, digits) = match quantity.unit() {
            "V" => ("V", 3),
            unit => (unit, 2),
        };
        let figure = |v: f64| format!("{v:.digits$}");
        let text = format!(
            "between {} and {} {}{part} went from {} to {} {unit}, a change of {} {unit} ({} to {} {unit}): more than the \
             readings leave open, and no work of the shop on record explains it",
            self.visits[before].label,
            self.visits[after].label,
            quantity.words(),
            figure(from),
            figure(to),
            figure(change.value),
            figure(change.lo90),
            figure(change.hi90),
        );
        MovedAnswer {
            job: self.jobs[after],
            job_before: self.jobs[before],
            quantity: quantity.code(),
            part: series.part.clone(),
            change: range(change),
            text,
        }
    }
}

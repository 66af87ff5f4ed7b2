//! The figures of all groups against their goals, in one table at the end.

use anyhow::{Result, bail};

/// What a figure is held to.
#[derive(Clone, Copy, PartialEq)]
enum Goal {
    AtLeast(f64),
    AtMost(f64),
}

impl Goal {
    fn is_met(self, value: f64) -> bool {
        match self {
            Self::AtLeast(least) => value >= least,
            Self::AtMost(most) => value <= most,
        }
    }
}

/// One figure of a group.
struct Figure {
    group: &'static str,
    what: String,
    value: f64,
    goal: Goal,
}

/// Figures in the order in which they were found, and groups that gave no answer.
#[derive(Default)]
pub(super) struct Tally {
    group: &'static str,
    figures: Vec<Figure>,
    silent: Vec<&'static str>,
}

impl Tally {
    /// Figures from here on belong to this group.
    pub(super) fn begin(&mut self, group: &'static str) {
        self.group = group;
    }

    /// The group at hand broke off.
    pub(super) fn no_answer(&mut self) {
        self.silent.push(self.group);
    }

    /// A figure that is good when it is large; `what` holds its unit.
    pub(super) fn at_least(&mut self, what: impl Into<String>, value: f64, goal: f64) {
        self.push(what.into(), value, Goal::AtLeast(goal));
    }

    /// A figure that is good when it is small; `what` holds its unit.
    pub(super) fn at_most(&mut self, what: impl Into<String>, value: f64, goal: f64) {
        self.push(what.into(), value, Goal::AtMost(goal));
    }

    fn push(&mut self, what: String, value: f64, goal: Goal) {
        self.figures.push(Figure {
            group: self.group,
            what,
            value,
            goal,
        });
    }

    /// Prints the table; fails when a goal was missed or a group gave no answer.
    pub(super) fn finish(self) -> Result<()> {
        println!("\n{:<8} {:<44} {:>9} {:>12}", "", "", "found", "goal");
        let mut missed = Vec::new();
        for f in &self.figures {
            let (sign, goal) = match f.goal {
                Goal::AtLeast(goal) => (">=", goal),
                Goal::AtMost(goal) => ("<=", goal),
            };
            let met = f.goal.is_met(f.value);
            let mark = if met { "" } else { "  MISSED" };
            println!(
                "{:<8} {:<44} {:>9.2} {sign:>3} {goal:>8.1}{mark}",
                f.group, f.what, f.value
            );
            if !met {
                missed.push(format!("{} ({})", f.what, f.group));
            }
        }
        for group in self.silent {
            println!("{group:<8} no answer");
            missed.push(format!("no answer from {group}"));
        }
        if !missed.is_empty() {
            bail!("goals missed: {}", missed.join(", "));
        }
        println!("goals met");
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_missed_goal_and_a_silent_group_are_named() {
        let mut tally = Tally::default();
        tally.begin("read");
        tally.at_least("times faster", 9.0, 10.0);
        tally.at_most("MB", 70.0, 150.0);
        tally.begin("assess");
        tally.no_answer();
        let error = tally.finish().unwrap_err().to_string();
        assert_eq!(
            error,
            "goals missed: times faster (read), no answer from assess"
        );
    }

    #[test]
    fn a_figure_that_is_no_number_meets_no_goal() {
        let mut tally = Tally::default();
        tally.at_most("s", f64::NAN, 1.0);
        assert!(tally.finish().is_err());
    }
}

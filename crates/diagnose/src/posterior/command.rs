//! A throttle that may have been let go in a reading off idle, counted in where its stop holds the plate.
//!
//! A plate stands where the larger of stop and throttle puts it. A reading that was taken at the stop therefore says that
//! the throttle was anywhere below: a flat floor of degrees with a wall of hundredths at its end, and the wall
//! moves with the stop. No one step suits both. As a share of where the plate rests the wall stands still, and
//! [`Stretch::Held`] makes it as wide as the floor.

use evenpull_fit::Real;

use super::Fitted;
use super::stretch::{FAR, Stretch};
use crate::evidence::Evidence;
use crate::model::{CORNER_DEG, Model};

/// A throttle's opening among the free unknowns.
#[derive(Debug, Clone, Copy)]
pub(super) struct Command {
    /// Its place among the free unknowns.
    pub(super) place: usize,
    /// Where the plate rests at the mode [deg].
    pub(super) rest_deg: f64,
    /// How well the reading knows an opening that the throttle holds [deg].
    width_deg: f64,
    reading: usize,
    body: usize,
}

impl Command {
    /// In steps above the wall that suit what the reading tells there: shorter ones would leave the floor a speck.
    pub(super) fn stretch(&self) -> Stretch {
        Stretch::Held {
            ease: (self.width_deg / self.rest_deg).min(1.0),
        }
    }

    /// Where the plate rests at the unknowns `p` [deg].
    pub(super) fn rest<S: Real>(&self, model: &Model<'_>, evidence: &Evidence, p: &[S]) -> S {
        model.rest_deg(p, evidence, self.reading)[self.body]
    }
}

/// Throttles that rest in their reading, or could as far as the fit knows.
pub(super) fn near_rest(model: &Model<'_>, evidence: &Evidence, fitted: &Fitted) -> Vec<Command> {
    let all = commands(model, evidence, fitted);
    // A throttle that rests is known by nothing; one that holds its plate tells how well the readings know such.
    let rests = |c: &Command| fitted.mode[fitted.free[c.place]] < c.rest_deg + CORNER_DEG;
    let holding = all.iter().filter(|c| !rests(c)).map(|c| c.width_deg);
    let usual_deg = holding.fold(f64::INFINITY, f64::min);
    let near = |c: &Command| {
        fitted.mode[fitted.free[c.place]] - c.rest_deg < FAR * c.width_deg
            && c.rest_deg > CORNER_DEG
    };
    let mut found: Vec<Command> = all.iter().copied().filter(near).collect();
    for c in &mut found {
        let known_deg = if rests(c) { usual_deg } else { c.width_deg };
        c.width_deg = if known_deg.is_finite() {
            known_deg.max(CORNER_DEG)
        } else {
            CORNER_DEG
        };
    }
    found
}

/// All throttles that are free, as wide as the fit has them.
fn commands(model: &Model<'_>, evidence: &Evidence, fitted: &Fitted) -> Vec<Command> {
    let places = |i: usize| fitted.free.iter().position(|&f| f == i);
    let each = model.space.command.iter().enumerate();
    each.filter_map(|(reading, command)| {
        let place = places((*command)?)?;
        let rests = model.rest_deg(&fitted.mode, evidence, reading);
        // Of several plates that follow the throttle the one that it meets first.
        let body = (0..rests.len())
            .filter(|&b| model.is_undriven(b))
            .min_by(|&a, &b| rests[a].total_cmp(&rests[b]))?;
        Some(Command {
            place,
            rest_deg: rests[body],
            width_deg: fitted.factor.row(place).norm(),
            reading,
            body,
        })
    })
    .collect()
}

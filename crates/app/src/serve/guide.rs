//! A turn being made: how much of it is left, and when to stop.

use evenpull_diagnose::Advice;
use evenpull_job::Profile;
use serde::Serialize;

/// Close enough to stop [turns]: half the smallest step of the bench's buttons, and a little more
/// so that rounding does not ask for one step forth and one back.
const CLOSE_TURNS: f64 = 0.0165;

/// An advised turn that is followed.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Guide {
    /// Adjuster.
    pub(super) adjuster: String,
    /// Turns asked for, positive = more opening or area.
    pub(super) asked: f64,
    /// Turns made since.
    pub(super) made: f64,
    /// Words for the way that is asked.
    way: String,
    /// Words for the way back.
    back: String,
}

/// A guide as it goes to a page.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct GuideView {
    /// Adjuster.
    pub adjuster: String,
    /// Turns left, positive = more opening or area.
    pub left_turns: f64,
    /// True when it is time to stop.
    pub stop: bool,
    /// True when it was turned too far.
    pub over: bool,
    /// Words for the way it must be turned now.
    pub way: String,
}

/// Whether a step of the advice turns something that is meant to be turned.
pub fn can_turn(step: &Advice, profile: &Profile) -> bool {
    Guide::of(step, profile).is_some()
}

impl Guide {
    /// The guide of a step; `None` where the step turns nothing, or a sealed part.
    pub(super) fn of(step: &Advice, profile: &Profile) -> Option<Self> {
        let adjuster = profile.adjuster(&step.adjuster)?;
        let turns = step.turns?.value;
        if adjuster.kind.is_sealed() || !turns.is_finite() {
            return None;
        }
        let less = step.way == adjuster.less;
        let (way, back) = if less {
            (adjuster.less, adjuster.more)
        } else {
            (adjuster.more, adjuster.less)
        };
        Some(Self {
            adjuster: adjuster.name,
            asked: if less { -turns } else { turns },
            made: 0.0,
            way,
            back,
        })
    }

    /// As it goes to a page.
    pub(super) fn view(&self) -> GuideView {
        let left = self.asked - self.made;
        let stop = left.abs() <= CLOSE_TURNS;
        let over = !stop && left * self.asked < 0.0;
        GuideView {
            adjuster: self.adjuster.clone(),
            left_turns: left,
            stop,
            over,
            way: if over { &self.back } else { &self.way }.clone(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use evenpull_diagnose::Interval;

    fn guide(way: &str) -> Guide {
        let profile = crate::load_profile("heron-270").unwrap().profile;
        let step = Advice {
            adjuster: "balance screw".to_owned(),
            turns: Some(Interval {
                value: 0.39,
                lo90: 0.36,
                hi90: 0.43,
            }),
            way: way.to_owned(),
            predicted_spread: None,
            gate: String::new(),
            why: String::new(),
        };
        Guide::of(&step, &profile).unwrap()
    }

    #[test]
    fn it_counts_down_says_stop_and_turns_back_when_overdone() {
        let profile = crate::load_profile("heron-270").unwrap().profile;
        let screw = profile.adjuster("balance screw").unwrap();
        let mut g = guide(&screw.less);
        assert!((g.view().left_turns + 0.39).abs() < 1e-12);
        assert_eq!(g.view().way, screw.less);
        g.made = -0.375;
        assert!(g.view().stop && !g.view().over);
        g.made = -0.5;
        assert!(
            g.view().over && g.view().way == screw.more,
            "{:?}",
            g.view()
        );
        assert!(guide(&screw.more).asked > 0.0);
    }
}

//! From stops, link lengths and the commanded opening to the opening of each plate.
//!
//! A body follows another through a link or, undriven, takes the cable itself. `link_deg` is what
//! the link adds to the follower's opening. *Rigid*: plates move together both ways, so at rest
//! the most open stop carries all plates. *One-way*: the driving plate lifts the follower, never
//! the other way, so a follower's own stop shows only while the driving plate is below it.
//! Followers may drive others in turn (pairs, banks). Limits: degrees add (no change of ratio over
//! the travel); all undriven bodies take the same cable.

use crate::error::EngineError;

/// How the bodies are coupled.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Coupling {
    /// A rod with ball ends: both ways.
    Rigid,
    /// Lost motion or a spring: the drive plate lifts the others.
    OneWay,
}

/// The body that drives another, and how.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Follows {
    /// Driving body, zero-based.
    pub driver: usize,
    /// Coupling law.
    pub coupling: Coupling,
}

/// Stops, links and couplings of all bodies, in degrees above shut.
#[derive(Debug, Clone, PartialEq)]
pub struct Linkage {
    /// What each body follows; `None` takes the cable. No rings.
    pub follows: Vec<Option<Follows>>,
    /// Opening at which each plate meets its own stop [deg above shut].
    pub stop_deg: Vec<f64>,
    /// Opening each link adds to its follower [deg]; zero for an undriven body.
    pub link_deg: Vec<f64>,
    /// Total play in each link [deg]; return springs take it up on the shut side.
    pub play_deg: Vec<f64>,
}

impl Linkage {
    /// Bodies alike on stops at `stop_deg` [deg], no link error, no play; all follow `drive`.
    pub fn even(coupling: Coupling, drive: usize, stop_deg: f64, cylinders: usize) -> Self {
        let follows = (0..cylinders)
            .map(|body| {
                (body != drive).then_some(Follows {
                    driver: drive,
                    coupling,
                })
            })
            .collect();
        Self::of(follows, stop_deg)
    }

    /// Bodies alike on stops at `stop_deg` [deg], no link error, no play, driven as `follows` says.
    pub fn of(follows: Vec<Option<Follows>>, stop_deg: f64) -> Self {
        let cylinders = follows.len();
        Self {
            follows,
            stop_deg: vec![stop_deg; cylinders],
            link_deg: vec![0.0; cylinders],
            play_deg: vec![0.0; cylinders],
        }
    }

    /// Opening of every plate [deg above shut] when the cable asks for `command_deg` (0 = slack).
    ///
    /// `held_b = max(stop_b, held_f - link_f - play_f/2)` over the rigid followers f of b; undriven
    /// `opening_b = max(held_b, command)`, follower `opening_f = max(held_f, opening_b + link_f -
    /// play_f/2)`.
    ///
    /// # Errors
    /// [`EngineError`] when the lists differ in length, a driver does not exist, bodies drive each
    /// other in a ring or a value is not finite.
    pub fn openings_deg(&self, command_deg: f64) -> Result<Vec<f64>, EngineError> {
        self.check()?;
        let order = self.drivers_first()?;
        let mut open = self.stop_deg.clone();
        for &body in order.iter().rev() {
            if let Some(f) = self.follows[body]
                && f.coupling == Coupling::Rigid
            {
                // A follower on its stop pushes back only once the play is taken up.
                let carried = open[body] - self.link_deg[body] - 0.5 * self.play_deg[body];
                open[f.driver] = open[f.driver].max(carried);
            }
        }
        for &body in &order {
            let lifted = match self.follows[body] {
                None => command_deg,
                Some(f) => open[f.driver] + self.link_deg[body] - 0.5 * self.play_deg[body],
            };
            open[body] = open[body].max(lifted).max(0.0);
        }
        Ok(open)
    }

    /// True while the cable asks for no more than the stops give.
    ///
    /// # Errors
    /// As for [`Linkage::openings_deg`].
    pub fn rests(&self, command_deg: f64) -> Result<bool, EngineError> {
        let (shut, now) = (self.openings_deg(0.0)?, self.openings_deg(command_deg)?);
        Ok(shut.iter().zip(&now).all(|(a, b)| b <= a))
    }

    /// Bodies so that each stands behind the one that drives it.
    fn drivers_first(&self) -> Result<Vec<usize>, EngineError> {
        let n = self.follows.len();
        let mut order: Vec<usize> = (0..n).filter(|&b| self.follows[b].is_none()).collect();
        let mut at = 0;
        while at < order.len() {
            let driver = order[at];
            order.extend((0..n).filter(|&b| self.follows[b].is_some_and(|f| f.driver == driver)));
            at += 1;
        }
        if order.len() == n {
            return Ok(order);
        }
        Err(EngineError::Range {
            what: "bodies with a driver",
            value: order.len() as f64,
            unit: "of all",
            expected: "every body driven from one that takes the cable, no rings",
        })
    }

    /// Turns the stop screw of `body` in by `turns` (in = more open), `deg_per_turn` [deg].
    pub fn turn_stop(&mut self, body: usize, turns: f64, deg_per_turn: f64) {
        if let Some(stop) = self.stop_deg.get_mut(body) {
            *stop = (*stop + turns * deg_per_turn).max(0.0);
        }
    }

    /// Turns the balance adjuster that moves `body`, `deg_per_turn` [deg] more open per turn.
    ///
    /// On an undriven body it moves what follows it the other way, as the links hang on it.
    pub fn turn_balance(&mut self, body: usize, turns: f64, deg_per_turn: f64) {
        let step = turns * deg_per_turn;
        if self.follows.get(body).is_some_and(Option::is_some) {
            self.link_deg[body] += step;
            return;
        }
        for (other, f) in self.follows.iter().enumerate() {
            if f.is_some_and(|f| f.driver == body) {
                self.link_deg[other] -= step;
            }
        }
    }

    fn check(&self) -> Result<(), EngineError> {
        let cylinders = self.stop_deg.len();
        for (what, list) in [("link list", &self.link_deg), ("play list", &self.play_deg)] {
            if list.len() != cylinders {
                return Err(EngineError::Length {
                    what,
                    got: list.len(),
                    cylinders,
                });
            }
        }
        if self.follows.len() != cylinders {
            return Err(EngineError::Length {
                what: "list of couplings",
                got: self.follows.len(),
                cylinders,
            });
        }
        let drivers = self.follows.iter().flatten().map(|f| f.driver);
        if let Some(driver) = drivers.max().filter(|&d| d >= cylinders) {
            return Err(EngineError::Range {
                what: "driving body",
                value: driver as f64,
                unit: "(zero-based)",
                expected: "one of the cylinders",
            });
        }
        for cylinder in 0..cylinders {
            for (what, value, low) in [
                ("stop opening", self.stop_deg[cylinder], 0.0),
                ("link error", self.link_deg[cylinder], f64::NEG_INFINITY),
                ("link play", self.play_deg[cylinder], 0.0),
            ] {
                if !(value.is_finite() && value >= low) {
                    let expected = "finite, stops and play not negative";
                    return Err(EngineError::Cylinder {
                        what,
                        cylinder,
                        value,
                        unit: "deg",
                        expected,
                    });
                }
            }
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn twin(coupling: Coupling) -> Linkage {
        Linkage::even(coupling, 1, 2.2, 2)
    }

    fn close(a: &[f64], b: &[f64]) -> bool {
        a.len() == b.len() && a.iter().zip(b).all(|(x, y)| (x - y).abs() < 1e-12)
    }

    #[test]
    fn rigid_stop_turned_in_opens_both_plates() {
        for body in 0..2 {
            let mut l = twin(Coupling::Rigid);
            l.turn_stop(body, 0.25, 1.8);
            assert!(close(&l.openings_deg(0.0).unwrap(), &[2.65, 2.65]));
        }
    }

    #[test]
    fn rigid_stop_backed_out_changes_nothing() {
        let mut l = twin(Coupling::Rigid);
        l.turn_stop(0, -0.25, 1.8);
        assert!(close(&l.openings_deg(0.0).unwrap(), &[2.2, 2.2]));
    }

    #[test]
    fn one_way_follower_stop_shows_only_at_idle() {
        let mut l = twin(Coupling::OneWay);
        l.turn_stop(0, 0.25, 1.8);
        assert!(close(&l.openings_deg(0.0).unwrap(), &[2.65, 2.2]));
        assert!(close(&l.openings_deg(5.0).unwrap(), &[5.0, 5.0]));
    }

    #[test]
    fn link_error_is_a_constant_angle_off_idle_in_both() {
        for coupling in [Coupling::Rigid, Coupling::OneWay] {
            let mut l = twin(coupling);
            l.turn_balance(0, 0.5, 0.9);
            for command in [3.0, 5.0, 40.0] {
                assert!(close(
                    &l.openings_deg(command).unwrap(),
                    &[command + 0.45, command]
                ));
            }
        }
    }

    #[test]
    fn short_link_at_idle_rests_on_the_follower_stop() {
        let mut l = twin(Coupling::Rigid);
        l.link_deg[0] = -0.3;
        // The follower meets its stop first and, through the rod, holds the drive plate up.
        assert!(close(&l.openings_deg(0.0).unwrap(), &[2.2, 2.5]));
        let mut l = twin(Coupling::OneWay);
        l.link_deg[0] = -0.3;
        assert!(close(&l.openings_deg(0.0).unwrap(), &[2.2, 2.2]));
    }

    #[test]
    fn play_frees_the_drive_plate_up_to_half_of_it() {
        let mut l = twin(Coupling::Rigid);
        l.stop_deg[0] = 2.5;
        l.play_deg[0] = 0.4;
        assert!(close(&l.openings_deg(0.0).unwrap(), &[2.5, 2.3]));
        assert!(close(&l.openings_deg(5.0).unwrap(), &[4.8, 5.0]));
    }

    #[test]
    fn lists_of_other_lengths_are_refused() {
        let mut l = twin(Coupling::Rigid);
        l.link_deg.pop();
        assert!(matches!(
            l.openings_deg(0.0),
            Err(EngineError::Length { got: 1, .. })
        ));
        let mut l = twin(Coupling::Rigid);
        l.follows[0] = Some(Follows {
            driver: 2,
            coupling: Coupling::Rigid,
        });
        assert!(l.openings_deg(0.0).is_err());
        l.follows[0] = twin(Coupling::Rigid).follows[0];
        l.follows[1] = Some(Follows {
            driver: 0,
            coupling: Coupling::Rigid,
        });
        assert!(l.openings_deg(0.0).is_err(), "a ring");
    }

    /// Pairs 0-1 and 3-2, the second pair hanging on the first: a link moves all that hangs on it.
    #[test]
    fn pairs_follow_the_pair_that_drives_them() {
        let rigid = |driver| {
            Some(Follows {
                driver,
                coupling: Coupling::Rigid,
            })
        };
        let mut l = Linkage::of(vec![rigid(1), None, rigid(1), rigid(2)], 2.0);
        l.turn_balance(2, 0.5, 0.8);
        assert!(close(&l.openings_deg(6.0).unwrap(), &[6.0, 6.0, 6.4, 6.4]));
        l.turn_stop(3, 0.5, 1.8);
        assert!(close(&l.openings_deg(0.0).unwrap(), &[2.5, 2.5, 2.9, 2.9]));
        assert!(l.rests(2.4).unwrap() && !l.rests(2.6).unwrap());
    }
}

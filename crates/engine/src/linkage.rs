//! From stops, link lengths and the commanded opening to the opening of each plate.
//!
//! One drive body takes the cable; every other body follows it through a link. `link_deg` is what
//! the link adds to the follower's opening. *Rigid*: plates move together both ways, so at rest
//! the most open stop carries all plates. *One-way*: the drive plate lifts the follower, never
//! the other way, so a follower's own stop shows only while the drive plate is below it.
//! Limits: one level of followers; degrees add (no change of ratio over the travel).

use crate::error::EngineError;

/// How the bodies are coupled.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Coupling {
    /// A rod with ball ends: both ways.
    Rigid,
    /// Lost motion or a spring: the drive plate lifts the others.
    OneWay,
}

/// Stops, links and coupling of all bodies, in degrees above shut.
#[derive(Debug, Clone, PartialEq)]
pub struct Linkage {
    /// Coupling law.
    pub coupling: Coupling,
    /// Body the cable pulls, zero-based.
    pub drive: usize,
    /// Opening at which each plate meets its own stop [deg above shut].
    pub stop_deg: Vec<f64>,
    /// Opening each link adds to its follower [deg]; zero for the drive body.
    pub link_deg: Vec<f64>,
    /// Total play in each link [deg]; return springs take it up on the shut side.
    pub play_deg: Vec<f64>,
}

impl Linkage {
    /// Bodies alike: `cylinders` plates on stops at `stop_deg` [deg], no link error, no play.
    pub fn even(coupling: Coupling, drive: usize, stop_deg: f64, cylinders: usize) -> Self {
        Self {
            coupling,
            drive,
            stop_deg: vec![stop_deg; cylinders],
            link_deg: vec![0.0; cylinders],
            play_deg: vec![0.0; cylinders],
        }
    }

    /// Opening of every plate [deg above shut] when the cable asks for `command_deg` (0 = slack).
    ///
    /// Rigid: `opening_d = max(stop_d, command, stop_f - link_f - play/2)`,
    /// `opening_f = max(stop_f, opening_d + link_f - play/2)`. One-way: `opening_d = max(stop_d,
    /// command)`, the follower as above.
    ///
    /// # Errors
    /// [`EngineError`] when the lists differ in length, the drive body does not exist or a value
    /// is not finite.
    pub fn openings_deg(&self, command_deg: f64) -> Result<Vec<f64>, EngineError> {
        self.check()?;
        let mut drive_deg = self.stop_deg[self.drive].max(command_deg);
        if self.coupling == Coupling::Rigid {
            for body in (0..self.stop_deg.len()).filter(|&b| b != self.drive) {
                // A follower on its stop pushes back only once the play is taken up.
                let carried = self.stop_deg[body] - self.link_deg[body] - 0.5 * self.play_deg[body];
                drive_deg = drive_deg.max(carried);
            }
        }
        Ok((0..self.stop_deg.len())
            .map(|body| {
                if body == self.drive {
                    return drive_deg;
                }
                let lifted = drive_deg + self.link_deg[body] - 0.5 * self.play_deg[body];
                self.stop_deg[body].max(lifted).max(0.0)
            })
            .collect())
    }

    /// Turns the stop screw of `body` in by `turns` (in = more open), `deg_per_turn` [deg].
    pub fn turn_stop(&mut self, body: usize, turns: f64, deg_per_turn: f64) {
        if let Some(stop) = self.stop_deg.get_mut(body) {
            *stop = (*stop + turns * deg_per_turn).max(0.0);
        }
    }

    /// Turns the balance adjuster that moves `body`, `deg_per_turn` [deg] more open per turn.
    ///
    /// On the drive body it moves every follower the other way, as the links hang on it.
    pub fn turn_balance(&mut self, body: usize, turns: f64, deg_per_turn: f64) {
        let step = turns * deg_per_turn;
        let drive = self.drive;
        for (other, link) in self.link_deg.iter_mut().enumerate() {
            if body == drive && other != drive {
                *link -= step;
            } else if body != drive && other == body {
                *link += step;
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
        if self.drive >= cylinders {
            return Err(EngineError::Range {
                what: "drive body",
                value: self.drive as f64,
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
        l.drive = 2;
        assert!(l.openings_deg(0.0).is_err());
    }
}

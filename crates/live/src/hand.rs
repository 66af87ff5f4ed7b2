//! The hand on the throttle of the practice engine.

use crate::practice::Throttle;

/// Opening for each revolution a minute that the speed is short, each cycle [deg min]; assumed, slow
/// enough not to hunt with a flywheel of 0.04 kg m2.
const INTEGRAL: f64 = 8e-5;
/// Opening for each revolution a minute that the speed falls in a cycle [deg min]; assumed.
const PROPORTIONAL: f64 = 2e-3;
/// Most that the hand moves in a cycle [deg]; assumed.
const MOST_DEG: f64 = 0.15;
/// Most that the hand opens the throttle to hold a speed without load [deg].
const WIDEST_DEG: f64 = 30.0;

/// Follows the throttle asked for, cycle by cycle.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct Hand {
    command_deg: f64,
    last_rpm: f64,
}

impl Hand {
    /// Opening of the cable for the next cycle [deg], the engine turning at `rpm` [1/min].
    pub(crate) fn cycle(&mut self, throttle: Throttle, rpm: f64) -> f64 {
        self.command_deg = match throttle {
            Throttle::Closed => 0.0,
            Throttle::Opening(deg) => deg.clamp(0.0, 90.0),
            Throttle::Speed(wanted) => {
                let step = INTEGRAL * (wanted - rpm) + PROPORTIONAL * (self.last_rpm - rpm);
                let step = step.clamp(-MOST_DEG, MOST_DEG);
                (self.command_deg + step).clamp(0.0, WIDEST_DEG)
            }
        };
        self.last_rpm = rpm;
        self.command_deg
    }
}

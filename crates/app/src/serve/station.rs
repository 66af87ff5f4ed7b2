//! What can be read on the bench, in the order of work.

use evenpull_job::{Condition, Profile};
use evenpull_live::Throttle;

/// One thing to read: a condition and the speed it is read at.
#[derive(Debug, Clone, PartialEq)]
pub struct Station {
    /// Short code for forms: the condition, with the speed where several have it.
    pub code: String,
    /// Condition.
    pub condition: Condition,
    /// Speed the throttle holds [1/min]; `None` with the throttle shut.
    pub rpm: Option<f64>,
}

impl Station {
    /// Throttle of the practice engine at this station.
    pub(super) fn throttle(&self) -> Throttle {
        self.rpm.map_or(Throttle::Closed, Throttle::Speed)
    }
}

/// Shares of the way from idle to the hold band at which the sweep is read; as the practice jobs.
const SWEEP: [f64; 4] = [0.2, 0.4, 0.6, 0.8];

/// The stations of a whole job on this engine, in the order of work.
pub(super) fn stations(profile: &Profile) -> Vec<Station> {
    let [low, high] = profile.engine.hold_rpm;
    let tens = |rpm: f64| (rpm / 10.0).round() * 10.0;
    let idle = profile.engine.idle_rpm;
    let hold = tens((low + high) / 2.0);
    let station = |condition: Condition, rpm: Option<f64>| Station {
        code: rpm.filter(|_| condition == Condition::Sweep).map_or_else(
            || condition.as_str().to_owned(),
            |rpm| format!("{}-{rpm:.0}", condition.as_str()),
        ),
        condition,
        rpm,
    };
    let mut all = Vec::new();
    if profile.bleed.is_some() {
        all.push(station(Condition::IdleBleedsShut, None));
    }
    all.push(station(Condition::Idle, None));
    all.extend(
        SWEEP.map(|share| station(Condition::Sweep, Some(tens(idle + share * (hold - idle))))),
    );
    all.push(station(Condition::Hold, Some(hold)));
    all
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_stations_run_from_shut_bleeds_to_hold_and_their_codes_differ() {
        let profile = crate::load_profile("heron-270").unwrap().profile;
        let all = stations(&profile);
        let codes: Vec<&str> = all.iter().map(|s| s.code.as_str()).collect();
        assert_eq!(
            codes,
            [
                "idle-bleeds-shut",
                "idle",
                "sweep-1750",
                "sweep-2250",
                "sweep-2750",
                "sweep-3250",
                "hold"
            ]
        );
        assert_eq!(all[6].rpm, Some(3750.0));
    }
}

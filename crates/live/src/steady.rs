//! When a reading may be accepted: steady over enough whole cycles, else what is missing.

use std::collections::VecDeque;

use evenpull_trace::{CYCLES_WANTED, SPEED_DRIFT, SPEED_SCATTER};

/// Share of the drift allowed in a recording that a stretch with the throttle held may have [-].
///
/// A recording is judged as it is; here the next steady stretch is only seconds away, so one that
/// begins while the throttle still settles is waited out. At idle nothing settles: the idle control
/// hunts by as much.
const SETTLED: f64 = 1.0 / 3.0;

/// What a reading must show before it is accepted.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Gates {
    /// Band of the speed, low and high [1/min].
    pub rpm: (f64, f64),
    /// Whole cycles.
    pub cycles: usize,
    /// Largest scatter of the speed from cycle to cycle over its mean [-].
    pub scatter: f64,
    /// Largest change of the speed from the first to the last third over its mean [-].
    pub drift: f64,
}

impl Gates {
    /// Gates for the band `low_rpm` to `high_rpm` [1/min]: whole cycles, scatter and drift as a
    /// recording needs them.
    pub fn band(low_rpm: f64, high_rpm: f64) -> Self {
        Self {
            rpm: (low_rpm, high_rpm),
            cycles: CYCLES_WANTED,
            scatter: SPEED_SCATTER,
            drift: SPEED_DRIFT,
        }
    }

    /// The same with a throttle that is held: it must have settled, a third of that drift is allowed.
    pub fn held(low_rpm: f64, high_rpm: f64) -> Self {
        Self {
            drift: SETTLED * SPEED_DRIFT,
            ..Self::band(low_rpm, high_rpm)
        }
    }
}

/// Something a reading still lacks.
#[derive(Debug, Clone, Copy, PartialEq)]
#[non_exhaustive]
pub enum Missing {
    /// No engine is seen to run.
    NotRunning,
    /// Too slow for the band.
    TooSlow {
        /// Speed [1/min].
        rpm: f64,
        /// Low end of the band [1/min].
        low_rpm: f64,
    },
    /// Too fast for the band.
    TooFast {
        /// Speed [1/min].
        rpm: f64,
        /// High end of the band [1/min].
        high_rpm: f64,
    },
    /// Scatters from cycle to cycle.
    Scatter {
        /// Scatter over mean [-].
        scatter: f64,
        /// Limit [-].
        limit: f64,
    },
    /// Rises or falls.
    Drift {
        /// Change over mean, positive when the speed rises [-].
        drift: f64,
        /// Limit [-].
        limit: f64,
    },
    /// More whole cycles.
    Cycles {
        /// Cycles still to come.
        more: usize,
    },
    /// A body shows no intake strokes.
    DeadChannel {
        /// Body, counted from 0.
        body: usize,
    },
}

/// Cycles that decide whether the speed is inside the band.
const RECENT: usize = 6;
/// Fewest cycles that tell scatter and drift from chance: with 2.5 % from cycle to cycle the thirds of
/// fifteen differ by 1.6 %, those of six by 2.5 %.
const FEWEST: usize = 15;
/// A single cycle this far outside the band is a blip [-].
const FAR_OUT: f64 = 0.1;

/// Lengths of whole cycles as they come in, and the steady stretch they end with.
#[derive(Debug, Clone, Default)]
pub(crate) struct Stretch {
    /// Speed of each cycle of the stretch [1/min].
    rpm: VecDeque<f64>,
    /// What threw cycles out last.
    broken_by: Option<Missing>,
}

impl Stretch {
    /// Adds a cycle; the stretch loses its oldest cycles until it keeps `gates` again.
    ///
    /// True when the speed left the band.
    pub(crate) fn add(&mut self, rpm: f64, gates: &Gates) -> bool {
        let (low_rpm, high_rpm) = gates.rpm;
        let blip = if rpm > (1.0 + FAR_OUT) * high_rpm {
            Some(Missing::TooFast { rpm, high_rpm })
        } else if rpm < (1.0 - FAR_OUT) * low_rpm {
            Some(Missing::TooSlow { rpm, low_rpm })
        } else {
            None
        };
        let mut left_band = blip.is_some();
        if left_band {
            self.rpm.clear();
        }
        self.rpm.push_back(rpm);
        while self.rpm.len() > 1 {
            let fault = self.fault(gates);
            if fault.is_none() {
                break;
            }
            left_band |= matches!(
                fault,
                Some(Missing::TooFast { .. } | Missing::TooSlow { .. })
            );
            self.broken_by = fault;
            // A quarter at once: what broke it reaches back over several cycles.
            let gone = (self.rpm.len() / 4).max(1);
            self.rpm.drain(..gone);
        }
        if self.rpm.len() >= FEWEST && self.fault(gates).is_none() {
            self.broken_by = None;
        }
        left_band
    }

    /// Keeps the newest `most` cycles.
    pub(crate) fn keep(&mut self, most: usize) {
        let gone = self.rpm.len().saturating_sub(most);
        self.rpm.drain(..gone);
    }

    pub(crate) fn clear(&mut self) {
        self.rpm.clear();
        self.broken_by = None;
    }

    pub(crate) fn len(&self) -> usize {
        self.rpm.len()
    }

    /// Mean speed [1/min] and its scatter over the mean [-]; `None` without cycles.
    pub(crate) fn speed(&self) -> Option<(f64, f64)> {
        let n = self.rpm.len() as f64;
        if self.rpm.is_empty() {
            return None;
        }
        let mean = self.rpm.iter().sum::<f64>() / n;
        let variance = self.rpm.iter().map(|r| (r - mean).powi(2)).sum::<f64>() / n;
        Some((mean, variance.sqrt() / mean))
    }

    /// Change from the first to the last third over the mean [-].
    pub(crate) fn drift(&self) -> f64 {
        let third = self.rpm.len() / 3;
        if third < 2 {
            return 0.0;
        }
        let mean = |skip: usize| self.rpm.iter().skip(skip).take(third).sum::<f64>() / third as f64;
        let (first, last) = (mean(0), mean(self.rpm.len() - third));
        2.0 * (last - first) / (last + first)
    }

    /// What is missing under `gates`; empty when the stretch can be accepted.
    pub(crate) fn missing(&self, gates: &Gates) -> Vec<Missing> {
        if self.rpm.is_empty() {
            return vec![Missing::NotRunning];
        }
        let fault = self.fault(gates).or_else(|| {
            let fresh = self.rpm.len() < FEWEST;
            self.broken_by.filter(|_| fresh)
        });
        let more = gates.cycles.saturating_sub(self.rpm.len());
        let cycles = (more > 0).then_some(Missing::Cycles { more });
        fault.into_iter().chain(cycles).collect()
    }

    /// The worst fault of the stretch.
    fn fault(&self, gates: &Gates) -> Option<Missing> {
        let (rpm, scatter) = self.speed()?;
        // The newest cycles decide about the band: a stretch that leaves it is not waited out.
        let recent: Vec<f64> = self.rpm.iter().rev().take(RECENT).copied().collect();
        let now = recent.iter().sum::<f64>() / recent.len() as f64;
        for rpm in [now, rpm] {
            let (low_rpm, high_rpm) = gates.rpm;
            if rpm < low_rpm {
                return Some(Missing::TooSlow { rpm, low_rpm });
            }
            if rpm > high_rpm {
                return Some(Missing::TooFast { rpm, high_rpm });
            }
        }
        if self.rpm.len() < FEWEST {
            return None;
        }
        let drift = self.drift();
        if drift.abs() > gates.drift {
            let limit = gates.drift;
            return Some(Missing::Drift { drift, limit });
        }
        let limit = gates.scatter;
        (scatter > limit).then_some(Missing::Scatter { scatter, limit })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const IDLE: Gates = Gates {
        rpm: (1_200.0, 1_300.0),
        cycles: 50,
        scatter: 0.03,
        drift: 0.03,
    };

    fn fed(speeds: impl IntoIterator<Item = f64>) -> Stretch {
        let mut stretch = Stretch::default();
        for rpm in speeds {
            stretch.add(rpm, &IDLE);
        }
        stretch
    }

    /// Steady with a little of a fixed up and down.
    fn steady(n: usize) -> impl Iterator<Item = f64> {
        (0..n).map(|i| 1_250.0 + if i % 2 == 0 { 8.0 } else { -8.0 })
    }

    #[test]
    fn it_counts_down_to_nothing_missing() {
        assert_eq!(fed([]).missing(&IDLE), [Missing::NotRunning]);
        assert_eq!(
            fed(steady(20)).missing(&IDLE),
            [Missing::Cycles { more: 30 }]
        );
        assert_eq!(fed(steady(50)).missing(&IDLE), []);
    }

    #[test]
    fn the_band_is_named_with_the_speed() {
        let slow = fed([1_100.0; 30]);
        let found = slow.missing(&IDLE);
        assert!(matches!(found[0], Missing::TooSlow { .. }), "{found:?}");
        let fast = fed([1_400.0; 30]);
        let found = fast.missing(&IDLE);
        assert!(matches!(found[0], Missing::TooFast { .. }), "{found:?}");
        assert!(
            matches!(found[1], Missing::Cycles { more: 49 }),
            "{found:?}"
        );
    }

    #[test]
    fn a_blip_costs_the_stretch_and_the_steady_cycles_after_it_count() {
        let blip = [1_400.0, 1_900.0, 2_600.0, 2_000.0, 1_500.0];
        let stretch = fed(steady(40).chain(blip));
        assert!(stretch.len() < 6, "{}", stretch.len());
        let stretch = fed(steady(40).chain(blip).chain(steady(49)));
        assert_eq!(stretch.missing(&IDLE), [Missing::Cycles { more: 1 }]);
    }

    #[test]
    fn scatter_and_drift_are_told_apart() {
        let uneven = (0..60).map(|i| 1_250.0 * if i % 2 == 0 { 1.05 } else { 0.95 });
        let found = fed(uneven).missing(&IDLE);
        assert!(matches!(found[0], Missing::Scatter { .. }), "{found:?}");
        let wide = Gates {
            rpm: (500.0, 9_000.0),
            ..IDLE
        };
        let mut rising = Stretch::default();
        for i in 0..60 {
            rising.add(1_000.0 * 1.01_f64.powi(i), &wide);
        }
        // The stretch is cut back until its drift fits; it never gets to fifty cycles.
        assert!(rising.len() < 16, "{}", rising.len());
    }

    #[test]
    fn a_long_steady_run_is_kept_bounded() {
        let mut stretch = fed(steady(500));
        stretch.keep(60);
        assert_eq!(stretch.len(), 60);
        assert_eq!(stretch.missing(&IDLE), []);
    }
}

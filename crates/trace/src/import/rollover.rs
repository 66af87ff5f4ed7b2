//! Counters that start again from zero.

use super::clock::ascending;

/// Moduli at which counters roll over: 32 and 16 bit of ticks, and 32 bit of microseconds printed
/// as milliseconds or seconds. Second value: steps allowed between the stamps around it.
const MODULI: [(f64, f64); 4] = [
    (4_294_967_296.0, 1_000.0),
    (65_536.0, 16.0),
    (4_294_967.296, 16.0),
    (4_294.967_296, 16.0),
];

/// Adds up counter roll-overs.
#[derive(Debug, Clone, Default)]
pub(super) struct Unroller {
    previous: Option<f64>,
    offset: f64,
    /// Usual step, file's unit.
    step: f64,
    /// Roll-overs seen.
    pub(super) rolled: usize,
}

impl Unroller {
    pub(super) fn new(step: f64) -> Self {
        Self {
            step,
            ..Self::default()
        }
    }

    /// Whether the stamps run on without a roll-over and need nothing added; takes note of the last.
    pub(super) fn takes_as_they_are(&mut self, stamps: &[f64]) -> bool {
        let (Some(first), Some(last)) = (stamps.first(), stamps.last()) else {
            return true;
        };
        let on = self.offset == 0.0
            && self.previous.is_none_or(|previous| previous <= *first)
            && ascending(stamps);
        if on {
            self.previous = Some(*last);
        }
        on
    }

    pub(super) fn next(&mut self, raw: f64) -> f64 {
        if let Some(previous) = self.previous
            && raw < previous
        {
            let hit = MODULI.iter().find(|(modulus, steps)| {
                let forward = raw + modulus - previous;
                previous < *modulus
                    && forward > 0.0
                    && forward <= steps * self.step
                    && raw <= steps * self.step
            });
            if let Some((modulus, _)) = hit {
                self.offset += modulus;
                self.rolled += 1;
            }
        }
        self.previous = Some(raw);
        raw + self.offset
    }
}

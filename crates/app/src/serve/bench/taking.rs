//! Readings taken over from the session as they are accepted.

use evenpull_job::Condition;

use super::Bench;
use crate::live::{LiveReading, LiveView};
use crate::serve::bench_job::BenchReading;

/// Temperature of the practice engine [C]: warm.
const PRACTICE_C: f64 = 75.0;

impl Bench {
    /// Takes over every reading that was accepted since the last look.
    ///
    /// The session is asked for the next one itself: its view may be a moment older than the reading.
    pub(super) fn collect(&mut self) {
        let view = self.session.view();
        loop {
            let next = self.collected + 1;
            match self.session.accepted(next) {
                Some(reading) => {
                    let taken = self.as_taken(reading, &view);
                    self.job.readings.push(taken);
                }
                // The session keeps the last sixteen only.
                None if next <= view.accepted => {}
                None => break,
            }
            self.collected = next;
        }
    }

    fn as_taken(&mut self, reading: LiveReading, view: &LiveView) -> BenchReading {
        if let Some(kpa) = reading.key_off_kpa.iter().copied().collect() {
            self.job.key_off_kpa = Some(kpa);
        }
        let practice = view.practice.as_ref();
        let beside = self.beside;
        let shut = reading.condition == Condition::IdleBleedsShut;
        BenchReading {
            condition: reading.condition,
            rpm: reading.reading.rpm.value,
            depression_kpa: reading
                .reading
                .channels
                .iter()
                .map(|c| c.mean_depression_kpa)
                .collect(),
            crossed: reading.reading.is_crossed(),
            recording: reading.text,
            engine_c: practice.map_or(beside.engine_c, |_| Some(PRACTICE_C)),
            sensor_v: practice.map_or(beside.sensor_v, |p| p.sensor_v),
            ecu_opening_deg: practice.map_or(beside.ecu_opening_deg, |p| p.ecu_opening_deg),
            idle_valve_steps: practice
                .map_or(beside.idle_valve_steps, |p| p.idle_valve_steps)
                .filter(|_| self.profile().idle_valve.is_some()),
            bleed_turns: (!self.bleed_turns.is_empty()).then(|| {
                let counted = |turns: &f64| if shut { 0.0 } else { *turns };
                self.bleed_turns.iter().map(counted).collect()
            }),
            adjusted: std::mem::take(&mut self.pending),
            turns_before: self.job.turns.len(),
        }
    }
}

//! What is turned and mended at the bench.

use evenpull_diagnose::CauseCode;
use evenpull_job::AdjusterKind;

use super::{Bench, BenchRefusal};
use crate::error::AppError;

impl Bench {
    /// Turns an adjuster of the practice engine, or notes what was turned at a machine.
    pub(super) fn turn(&mut self, name: &str, turns: f64) -> Result<(), AppError> {
        let adjuster = self.profile().adjuster(name);
        let sealed = adjuster.as_ref().is_some_and(|a| a.kind.is_sealed());
        if sealed && !self.is_practice() {
            let part = name.to_owned();
            return Err(BenchRefusal::Sealed { part }.into());
        }
        let bleed = adjuster
            .as_ref()
            .filter(|a| a.kind == AdjusterKind::Bleed)
            .and_then(|a| self.profile().body_index(a.bodies.first()?))
            .filter(|body| self.bleed_turns.len() > *body);
        let turns = match bleed {
            // A bleed ends on its seat; shut ones are opened from there.
            Some(body) => {
                let now = if self.bleeds_shut {
                    0.0
                } else {
                    self.bleed_turns[body]
                };
                turns.max(-now)
            }
            None => turns,
        };
        if self.is_practice() {
            self.session.turn(name, turns)?;
        } else {
            self.session.note_turn(name, turns)?;
        }
        // What was accepted before the turn does not carry it.
        self.collect();
        *self.turned.entry(name.to_owned()).or_default() += turns;
        if let Some(guide) = self.guide.as_mut().filter(|g| g.adjuster == name) {
            guide.made += turns;
        }
        if turns != 0.0 {
            self.job.turns.push((name.to_owned(), turns));
        }
        if let Some(body) = bleed {
            if self.bleeds_shut {
                self.bleed_turns = vec![0.0; self.bleed_turns.len()];
                self.bleeds_shut = false;
            }
            self.bleed_turns[body] += turns;
            // Where they stand is noted with each reading, and counts there.
            return Ok(());
        }
        match self.pending.iter_mut().find(|(n, _)| n == name) {
            Some((_, sum)) => *sum += turns,
            None => self.pending.push((name.to_owned(), turns)),
        }
        if let Some((_, touched)) = self.job.seals.iter_mut().find(|(n, _)| n == name) {
            *touched |= sealed;
        }
        Ok(())
    }

    /// The same engine without one of its faults: it stands, its screws are where they were, and
    /// its sensors have to be zeroed again.
    pub(super) fn mend(&mut self, code: CauseCode) -> Result<(), AppError> {
        let mut start = self.start.clone();
        let faults = start.faults_mut().ok_or(BenchRefusal::AtTheMachine)?;
        let before = faults.len();
        faults.retain(|f| f.code != code);
        if faults.len() == before {
            return Err(BenchRefusal::Sound.into());
        }
        let session = start.open(self.station().condition)?;
        for (name, turns) in &self.turned {
            if !name.starts_with("bleed.") {
                session.turn(name, *turns)?;
            }
        }
        let bodies = self.profile().bodies().iter();
        for ((body, made), stands) in bodies.zip(session.bleed_turns()).zip(&self.bleed_turns) {
            session.turn(&format!("bleed.{body}"), stands - made)?;
        }
        // The old session read on while the new one was made.
        self.collect();
        (self.session, self.start) = (session, start);
        (self.bleeds_shut, self.collected) = (false, 0);
        self.job.key_off_kpa = None;
        self.guide = None;
        self.go_to(self.station)
    }
}

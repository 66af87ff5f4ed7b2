//! The steady stretch that is accepted as a reading.

use evenpull_trace::{analyse, import};

use super::{AcceptError, Accepted, Follower, MARGIN};
use crate::steady::Missing;
use crate::text;

impl Follower {
    /// Accepts by itself what is steady, once a second at most.
    pub(super) fn try_to_accept(&mut self, rate_hz: f64) -> Option<Accepted> {
        let ready = self.armed
            && self.ring.end() >= self.next_try
            && self.stretch.len() >= self.expect.gates.cycles + MARGIN
            && self.missing().is_empty();
        if !ready {
            return None;
        }
        self.next_try = self.ring.end() + rate_hz as u64;
        match self.accept_now() {
            Ok(accepted) => Some(accepted),
            Err(error) => {
                self.refused = Some(error.to_string());
                None
            }
        }
    }

    /// Accepts the steady stretch as it is.
    ///
    /// The stretch is written as text, read back and analysed, so that the stored recording gives the
    /// very answer that was shown.
    ///
    /// # Errors
    /// [`AcceptError`] when something is missing or the analysis doubts the stretch.
    pub fn accept_now(&mut self) -> Result<Accepted, AcceptError> {
        let missing = self.missing();
        let rate_hz = self.rate_hz().unwrap_or(0.0);
        let wanted = self.stretch.len().min(self.expect.gates.cycles + MARGIN);
        let first = self.cycles.len().checked_sub(wanted.max(1));
        let start = first.and_then(|i| self.cycles.get(i)).map(|c| c.start);
        let (true, Some(start)) = (missing.is_empty(), start) else {
            return Err(AcceptError::Missing { missing });
        };
        // A quarter cycle before the first fall, so that the search is armed for it.
        let lead = 0.25 * self.cycles.back().map_or(0.0, |c| c.length);
        let from = ((start - lead).max(0.0) as u64).max(self.ring.first());
        let bodies = self.expect.setup.body_names();
        let rows: Vec<&[f32]> = (0..bodies.len())
            .map(|b| self.ring.since(b, from))
            .collect();
        let text = text::recording_text(&bodies, &rows, rate_hz);
        let name = format!("reading {}", self.accepted + 1);
        let recording = import(
            text.as_bytes(),
            &name,
            &text::layout(&bodies),
            &bodies,
            &mut |_| {},
        )
        .map_err(|e| AcceptError::Unreadable { why: e.to_string() })?;
        let reading = analyse(&recording, &self.expect.setup)?;
        let unsteady = reading.notices.iter().find(|n| n.code == "unsteady-rpm");
        if let Some(notice) = unsteady {
            return Err(AcceptError::Doubted {
                text: notice.text.clone(),
            });
        }
        if reading.cycles < self.expect.gates.cycles {
            let more = self.expect.gates.cycles - reading.cycles;
            return Err(AcceptError::Missing {
                missing: vec![Missing::Cycles { more }],
            });
        }
        self.accepted += 1;
        self.armed = false;
        self.refused = None;
        Ok(Accepted {
            number: self.accepted,
            text,
            reading,
            expect: self.expect.clone(),
            rate_hz,
        })
    }

    /// What the stretch lacks.
    pub(super) fn missing(&self) -> Vec<Missing> {
        let mut missing = self.stretch.missing(&self.expect.gates);
        if !self.cycles.is_empty() {
            let dead = (0..self.pace.len()).filter(|&b| self.pace[b].is_none());
            missing.extend(dead.map(|body| Missing::DeadChannel { body }));
        }
        missing
    }
}

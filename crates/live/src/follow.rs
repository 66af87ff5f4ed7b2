//! Cycles, speed and depressions as the samples come in, and the steady stretch that is accepted.
//!
//! Every block is searched for new falls from a little before the last one, with the period and
//! levels of the last seconds; refill areas come from the whole analysis of the last seconds, now
//! and then. No clock: time is counted in samples.

use std::collections::VecDeque;

use evenpull_trace::{Channel, CycleReading, Notice, Pace, Recording, Segment, Setup, analyse};

use crate::block::{Block, StreamHead};
use crate::ring::Ring;
use crate::steady::{Gates, Stretch};

mod accept;
mod at_rest;
mod error;
mod shown;

pub use error::{AcceptError, CompareError, ZeroError};
pub(crate) use shown::spread;

/// What is being read.
#[derive(Debug, Clone, PartialEq)]
pub struct Expect {
    /// What the analysis must know; its bodies name the channels.
    pub setup: Setup,
    /// What a reading must show.
    pub gates: Gates,
    /// The caller's word for what is being read; it stands beside the reading.
    pub label: String,
}

/// A reading that was accepted, with the samples it was read from.
#[derive(Debug, Clone, PartialEq)]
pub struct Accepted {
    /// Counted from 1 in each session.
    pub number: u64,
    /// The recording: `time_s` and a column of kilopascals for each body.
    pub text: String,
    /// What the recording says; the text read again gives this same answer.
    pub reading: CycleReading,
    /// What was asked.
    pub expect: Expect,
    /// Samples per second [Hz].
    pub rate_hz: f64,
}

/// Longest stretch kept [s]: 50 cycles at 250 rpm and some.
const KEPT_S: f64 = 30.0;
/// Samples between two looks at period and levels [s].
const RETUNE_S: f64 = 0.25;
/// Stretch looked at for period and levels [s], and the least.
const TUNE_S: (f64, f64) = (3.0, 0.4);
/// Samples between two analyses of areas [s].
const ANALYSE_S: f64 = 0.5;
/// Stretch of an analysis of areas [s].
const AREAS_S: f64 = 3.0;
/// Periods without a fall after which the engine stands.
const STANDS_AFTER: f64 = 3.0;
/// Cycles this much off the last ones are missed dips or stumbles, as in the analysis.
const UNLIKE: f64 = 0.25;
/// Cycles beyond the ones needed, for the ends that the analysis cuts.
const MARGIN: usize = 3;
#[derive(Debug, Clone)]
struct LiveCycle {
    /// Place of the fall it starts with.
    start: f64,
    length: f64,
    /// Mean pressure of each body over it, before the zero [Pa].
    mean_pa: Vec<f64>,
}

/// Follows one stream.
#[derive(Debug)]
pub struct Follower {
    expect: Expect,
    head: Option<StreamHead>,
    /// Channel of each body.
    channel: Vec<Option<usize>>,
    mapping: Option<Notice>,
    ring: Ring,
    samples: u64,
    lead: usize,
    pace: Vec<Option<Pace>>,
    next_tune: u64,
    next_analysis: u64,
    last_fall: Option<f64>,
    cycles: VecDeque<LiveCycle>,
    stretch: Stretch,
    areas: Option<CycleReading>,
    trouble: Option<Notice>,
    armed: bool,
    refused: Option<String>,
    next_try: u64,
    accepted: u64,
}

impl Follower {
    /// A follower of nothing yet.
    pub fn new(expect: Expect) -> Self {
        let bodies = expect.setup.bodies.len();
        Self {
            head: None,
            channel: vec![None; bodies],
            mapping: None,
            ring: Ring::new(bodies, 0),
            samples: 0,
            lead: 0,
            pace: vec![None; bodies],
            next_tune: 0,
            next_analysis: 0,
            last_fall: None,
            cycles: VecDeque::new(),
            stretch: Stretch::default(),
            areas: None,
            trouble: None,
            armed: true,
            refused: None,
            next_try: 0,
            accepted: 0,
            expect,
        }
    }

    /// What is being read, zeros taken included.
    pub fn expect(&self) -> &Expect {
        &self.expect
    }

    /// Asks for another reading; zeros that were taken stay, and it is armed.
    pub fn set_expect(&mut self, mut expect: Expect) {
        for body in &mut expect.setup.bodies {
            let old = &self.expect.setup.bodies;
            let zero = old
                .iter()
                .find(|b| b.body == body.body)
                .and_then(|b| b.zero_pa);
            body.zero_pa = body.zero_pa.or(zero);
        }
        let same = |a: &Setup, b: &Setup| {
            a.bodies.len() == b.bodies.len()
                && a.bodies
                    .iter()
                    .zip(&b.bodies)
                    .all(|(a, b)| a.body == b.body)
        };
        if same(&expect.setup, &self.expect.setup) {
            self.expect = expect;
        } else {
            let head = self.head.take();
            *self = Self {
                samples: self.samples,
                accepted: self.accepted,
                ..Self::new(expect)
            };
            if let Some(head) = head {
                self.set_head(head);
            }
        }
        self.stretch.clear();
        self.areas = None;
        self.arm();
    }

    /// Lets the next steady stretch be accepted by itself.
    pub fn arm(&mut self) {
        self.armed = true;
        self.refused = None;
        self.stretch.clear();
    }

    /// The stream's head: channels are matched to bodies by name, else by their order.
    pub fn set_head(&mut self, head: StreamHead) {
        let bodies = &self.expect.setup.bodies;
        let named = |name: &str| {
            head.channels
                .iter()
                .position(|c| c.trim().eq_ignore_ascii_case(name.trim()))
        };
        let by_name: Vec<Option<usize>> = bodies.iter().map(|b| named(&b.body)).collect();
        self.mapping = None;
        self.channel = if by_name.iter().all(Option::is_some) {
            by_name
        } else {
            let text = format!(
                "the device names its channels {}; taken in their order for {}",
                head.channels.join(", "),
                self.expect.setup.body_names().join(", ")
            );
            self.mapping = Some(Notice::new("channels-by-order", text));
            (0..bodies.len())
                .map(|i| (i < head.channels.len()).then_some(i))
                .collect()
        };
        let rate_hz = head.rate_hz;
        self.head = Some(head);
        self.ring = Ring::new(bodies.len(), (KEPT_S * rate_hz) as usize);
        self.break_off();
        (self.next_tune, self.next_analysis, self.next_try) = (0, 0, 0);
    }

    /// A hole in the samples: whatever was counted starts anew.
    pub fn break_off(&mut self) {
        self.ring.clear();
        self.forget_cycles();
        self.pace.fill(None);
    }

    fn forget_cycles(&mut self) {
        self.armed |= !self.cycles.is_empty();
        self.last_fall = None;
        self.cycles.clear();
        self.stretch.clear();
        self.areas = None;
    }

    /// Samples per second [Hz].
    pub fn rate_hz(&self) -> Option<f64> {
        self.head.as_ref().map(|h| h.rate_hz)
    }

    /// Samples followed.
    pub fn samples(&self) -> u64 {
        self.samples
    }

    /// Follows a block; returns a reading if this block completed one.
    pub fn take(&mut self, block: &Block) -> Option<Accepted> {
        let rate_hz = self.rate_hz()?;
        if block.channels == 0 {
            return None;
        }
        if block.fresh {
            self.break_off();
        } else if self.ring.len() > 0 {
            // A few missing samples are left blank, as the import leaves them.
            let blanks = std::iter::repeat_n(f32::NAN, self.ring.bodies());
            for _ in 0..block.lost_before.min(MOST_BLANKS) {
                self.ring.push(blanks.clone());
            }
        }
        for row in block.rows.chunks_exact(block.channels) {
            let value = |c: &Option<usize>| c.and_then(|c| row.get(c)).map_or(f32::NAN, |p| *p);
            self.ring.push(self.channel.iter().map(value));
        }
        self.samples += block.samples() as u64;
        self.ring.trim();
        if self.ring.end() >= self.next_tune {
            self.next_tune = self.ring.end() + (RETUNE_S * rate_hz) as u64;
            self.tune(rate_hz);
        }
        self.find_cycles(rate_hz);
        if self.ring.end() >= self.next_analysis {
            self.next_analysis = self.ring.end() + (ANALYSE_S * rate_hz) as u64;
            self.find_areas(rate_hz);
        }
        self.try_to_accept(rate_hz)
    }

    /// Period and levels of the last seconds.
    fn tune(&mut self, rate_hz: f64) {
        let known = self.pace.get(self.lead).copied().flatten();
        let want = match known {
            // Ten cycles are enough once the period is known, and follow the levels sooner.
            Some(pace) => {
                (10.0 * pace.period_samples()).clamp(TUNE_S.1 * rate_hz, TUNE_S.0 * rate_hz)
            }
            None => TUNE_S.0 * rate_hz,
        } as usize;
        if (self.ring.len() as f64) < TUNE_S.1 * rate_hz {
            return;
        }
        let dt_s = 1.0 / rate_hz;
        let swings: Vec<Option<Pace>> = (0..self.ring.bodies())
            .map(|b| match known {
                Some(pace) => pace.with_levels_of(self.ring.last(b, want)),
                None => Pace::of(self.ring.last(b, want), dt_s),
            })
            .collect();
        let lead = (0..swings.len())
            .filter(|&b| swings[b].is_some())
            .max_by(|&a, &b| {
                let swing = |i: usize| swings[i].map_or(0.0, Pace::swing_pa);
                swing(a).total_cmp(&swing(b))
            });
        let Some(strongest) = lead else {
            self.pace.fill(None);
            self.forget_cycles();
            return;
        };
        // The lead changes only for a clearly stronger body: a change costs the cycles counted.
        let swing = |i: usize| swings.get(i).copied().flatten().map_or(0.0, Pace::swing_pa);
        if swing(strongest) > 1.3 * swing(self.lead) && strongest != self.lead {
            self.lead = strongest;
            self.forget_cycles();
        }
        let Some(pace) = Pace::of(self.ring.last(self.lead, want), dt_s).or(known) else {
            self.pace.fill(None);
            return;
        };
        self.pace = (0..self.ring.bodies())
            .map(|b| pace.with_levels_of(self.ring.last(b, want)))
            .collect();
    }

    /// Cycles that ended since the last block.
    fn find_cycles(&mut self, rate_hz: f64) {
        let Some(pace) = self.pace.get(self.lead).copied().flatten() else {
            return;
        };
        let period = pace.period_samples();
        let end = self.ring.end() as f64;
        let back = match self.last_fall {
            // From before the last fall, where the runner was full: the search then finds it again.
            Some(fall) => fall - 0.75 * period,
            None => end - 3.0 * period,
        };
        let from = (back.max(0.0) as u64).max(self.ring.first());
        let found = pace.cycles(self.ring.since(self.lead, from));
        let falls = found
            .first()
            .map(|c| c.start)
            .into_iter()
            .chain(found.iter().map(|c| c.start + c.length));
        for fall in falls {
            let fall = fall + from as f64;
            match self.last_fall {
                None => self.last_fall = Some(fall),
                Some(last) if fall > last + 0.5 * period => {
                    self.last_fall = Some(fall);
                    self.add_cycle(last, fall - last, rate_hz);
                }
                Some(_) => {}
            }
        }
        if self
            .last_fall
            .is_some_and(|last| end - last > STANDS_AFTER * period)
        {
            self.forget_cycles();
        }
    }

    fn add_cycle(&mut self, start: f64, length: f64, rate_hz: f64) {
        let from = start.ceil().max(0.0) as u64;
        let samples = length.round().max(1.0) as usize;
        let mean_pa = (0..self.ring.bodies())
            .map(|b| {
                let p = self.ring.since(b, from);
                mean(&p[..samples.min(p.len())])
            })
            .collect();
        let recent: Vec<f64> = self.cycles.iter().rev().take(7).map(|c| c.length).collect();
        if median(recent).is_some_and(|middle| (length / middle - 1.0).abs() > UNLIKE) {
            // A missed dip or a stumble: the analysis would leave it out, so it is not steady.
            self.stretch.clear();
        }
        self.cycles.push_back(LiveCycle {
            start,
            length,
            mean_pa,
        });
        let rpm = 120.0 * rate_hz / length;
        if self.stretch.add(rpm, &self.expect.gates) {
            // A blip, or another speed: what was accepted is over, the next is another reading.
            self.armed = true;
        }
        let most = self.expect.gates.cycles + MARGIN + 64;
        self.stretch.keep(most);
        while self.cycles.len() > most {
            self.cycles.pop_front();
        }
    }

    /// Areas and air of the last seconds.
    fn find_areas(&mut self, rate_hz: f64) {
        if self.cycles.len() < 8 {
            self.areas = None;
            return;
        }
        let recording = self.recording(
            rate_hz,
            self.ring.end().saturating_sub((AREAS_S * rate_hz) as u64),
        );
        match analyse(&recording, &self.expect.setup) {
            Ok(reading) => {
                self.areas = Some(reading);
                self.trouble = None;
            }
            Err(error) => {
                self.areas = None;
                self.trouble = Some(Notice::new("no-reading", error.to_string()));
            }
        }
    }

    fn recording(&self, rate_hz: f64, from: u64) -> Recording {
        let channels: Vec<Channel> = self
            .expect
            .setup
            .bodies
            .iter()
            .enumerate()
            .map(|(b, body)| Channel {
                body: body.body.clone(),
                p_pa: self.ring.since(b, from).to_vec(),
                step_pa: 0.0,
                clipped: 0,
            })
            .collect();
        let len = channels.first().map_or(0, |c| c.p_pa.len());
        Recording {
            name: "live".to_owned(),
            dt_s: 1.0 / rate_hz,
            segments: vec![Segment {
                first: 0,
                len,
                t0_s: 0.0,
            }],
            channels,
            assumed: Vec::new(),
            notices: Vec::new(),
        }
    }
}

/// Missing samples that are left blank; a longer hole starts anew, as in the import.
pub(crate) const MOST_BLANKS: u64 = 3;

fn mean(p_pa: &[f32]) -> f64 {
    let (n, sum) = p_pa
        .iter()
        .filter(|p| p.is_finite())
        .fold((0.0, 0.0), |(n, s), p| (n + 1.0, s + f64::from(*p)));
    sum / n
}

fn median(mut values: Vec<f64>) -> Option<f64> {
    if values.is_empty() {
        return None;
    }
    let middle = values.len() / 2;
    Some(*values.select_nth_unstable_by(middle, f64::total_cmp).1)
}

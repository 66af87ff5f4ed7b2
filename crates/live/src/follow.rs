//! Cycles, speed and depressions as the samples come in, and the steady stretch that is accepted.
//!
//! Every block is searched for new falls from a little before the last one, with the period and
//! levels of the last seconds; refill areas come from the whole analysis of the last seconds, now
//! and then. No clock: time is counted in samples.

use std::collections::VecDeque;

use evenpull_trace::{
    AnalyseError, Channel, CycleReading, Notice, Pace, Recording, Segment, Setup, analyse, import,
};

use crate::block::{Block, StreamHead};
use crate::ring::Ring;
use crate::snapshot::{BodyNow, Progress};
use crate::steady::{Gates, Missing, Stretch};
use crate::text;

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

/// Why a reading was not accepted.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum AcceptError {
    /// The stretch is not steady, or too short.
    #[error("the reading is not complete: {} still missing", .missing.len())]
    Missing {
        /// What is missing.
        missing: Vec<Missing>,
    },
    /// The analysis gives no reading.
    #[error("{0}")]
    Analyse(#[from] AnalyseError),
    /// The analysis of the whole stretch finds it unsteady or too short.
    #[error("{text}")]
    Doubted {
        /// Its notice.
        text: String,
    },
    /// The stretch could not be written and read back.
    #[error("the recording could not be read back: {why}")]
    Unreadable {
        /// Why.
        why: String,
    },
}

/// Why the sensors' zero was not taken.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum ZeroError {
    /// Fewer samples than a second holds.
    #[error("no second of samples yet; wait until the sensors have been connected for a second")]
    TooFew,
    /// The engine turns, or a hose is being moved.
    #[error(
        "{body} moves by {swing_kpa:.1} kPa; take the zero with the engine off and the hoses still"
    )]
    Moving {
        /// Body.
        body: String,
        /// Swing over the last second [kPa].
        swing_kpa: f64,
    },
    /// A sensor is too far off ambient to be put right by a zero.
    #[error(
        "{body} reads {kpa:.1} kPa with {ambient_kpa:.1} kPa ambient; check its scale, its supply and \
         the barometer"
    )]
    TooFar {
        /// Body.
        body: String,
        /// Reading [kPa].
        kpa: f64,
        /// Ambient [kPa].
        ambient_kpa: f64,
    },
}

/// Why sensors on one pressure were not compared.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum CompareError {
    /// Fewer samples than a second holds.
    #[error("no second of samples yet; wait until the sensors have been connected for a second")]
    TooFew,
    /// No zero was taken: what the sensors differ by would be their zeros.
    #[error("the sensors are not zeroed; zero them first, engine off and open to the air")]
    NotZeroed,
    /// The pressure creeps or swings.
    #[error(
        "the pressure on {body} moves by {swing_kpa:.1} kPa within a second; hold it still, and look for \
         the leak where it creeps"
    )]
    Moving {
        /// Body.
        body: String,
        /// Swing over the last second [kPa].
        swing_kpa: f64,
    },
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
/// Cycles shown as "now".
const SHOWN_S: f64 = 0.8;
/// Fewest cycles shown as "now".
const SHOWN_LEAST: usize = 3;
/// Periods without a fall after which the engine stands.
const STANDS_AFTER: f64 = 3.0;
/// Cycles this much off the last ones are missed dips or stumbles, as in the analysis.
const UNLIKE: f64 = 0.25;
/// Cycles beyond the ones needed, for the ends that the analysis cuts.
const MARGIN: usize = 3;
/// Largest swing of a second of a sensor at rest [Pa].
const STILL_PA: f64 = 1_500.0;
/// Largest swing over a second of a held pressure [Pa], each tenth averaged so that noise does not
/// count: what two sensors may differ by (docs/sensor-lines.md).
const HELD_PA: f64 = 300.0;
/// Furthest a zero may lie from ambient [Pa]; two of the usual sensors differ by up to 3 kPa.
const FARTHEST_ZERO_PA: f64 = 6_000.0;

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
                bodies
                    .iter()
                    .map(|b| b.body.as_str())
                    .collect::<Vec<_>>()
                    .join(", ")
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

    fn try_to_accept(&mut self, rate_hz: f64) -> Option<Accepted> {
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
        let bodies: Vec<String> = self
            .expect
            .setup
            .bodies
            .iter()
            .map(|b| b.body.clone())
            .collect();
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

    fn missing(&self) -> Vec<Missing> {
        let mut missing = self.stretch.missing(&self.expect.gates);
        if !self.cycles.is_empty() {
            let dead = (0..self.pace.len()).filter(|&b| self.pace[b].is_none());
            missing.extend(dead.map(|body| Missing::DeadChannel { body }));
        }
        missing
    }

    /// Takes the sensors' zero from the last second, engine off.
    ///
    /// Returns the zero of each body [Pa].
    ///
    /// # Errors
    /// [`ZeroError`]; the zeros then stay as they were.
    pub fn take_zero(&mut self) -> Result<Vec<f64>, ZeroError> {
        let second = self.rate_hz().unwrap_or(0.0) as usize;
        if second == 0 || self.ring.len() < second {
            return Err(ZeroError::TooFew);
        }
        let p0_pa = self.expect.setup.p0_pa;
        let mut zeros = Vec::new();
        for (b, body) in self.expect.setup.bodies.iter().enumerate() {
            let p = self.ring.last(b, second);
            let (low, high, mean_pa) = extent(p).ok_or(ZeroError::TooFew)?;
            if high - low > STILL_PA {
                return Err(ZeroError::Moving {
                    body: body.body.clone(),
                    swing_kpa: (high - low) / 1e3,
                });
            }
            let zero = mean_pa - p0_pa;
            if zero.abs() > FARTHEST_ZERO_PA {
                return Err(ZeroError::TooFar {
                    body: body.body.clone(),
                    kpa: mean_pa / 1e3,
                    ambient_kpa: p0_pa / 1e3,
                });
            }
            zeros.push(zero);
        }
        for (body, zero) in self.expect.setup.bodies.iter_mut().zip(&zeros) {
            body.zero_pa = Some(*zero);
        }
        Ok(zeros)
    }

    /// Mean absolute pressure of each sensor over the last second, zeros taken out [Pa]: what they read
    /// when they are joined to one held pressure.
    ///
    /// # Errors
    /// [`CompareError`].
    pub fn compare(&self) -> Result<Vec<f64>, CompareError> {
        let second = self.rate_hz().unwrap_or(0.0) as usize;
        if second == 0 || self.ring.len() < second {
            return Err(CompareError::TooFew);
        }
        let mut means = Vec::new();
        for (b, body) in self.expect.setup.bodies.iter().enumerate() {
            let zero_pa = body.zero_pa.ok_or(CompareError::NotZeroed)?;
            let samples = self.ring.last(b, second);
            let (_, _, mean_pa) = extent(samples).ok_or(CompareError::TooFew)?;
            let tenths: Vec<f32> = samples
                .chunks((second / 10).max(1))
                .map(|tenth| mean(tenth) as f32)
                .collect();
            let (low, high, _) = extent(&tenths).ok_or(CompareError::TooFew)?;
            if high - low > HELD_PA {
                return Err(CompareError::Moving {
                    body: body.body.clone(),
                    swing_kpa: (high - low) / 1e3,
                });
            }
            means.push(mean_pa - zero_pa);
        }
        Ok(means)
    }

    /// Speed of the last whole cycles [1/min].
    pub fn rpm(&self) -> Option<f64> {
        let rate_hz = self.rate_hz()?;
        let shown = self.shown(rate_hz);
        let n = shown.clone().count() as f64;
        let total: f64 = shown.map(|c| c.length).sum();
        (n > 0.0).then(|| 120.0 * rate_hz * n / total)
    }

    /// The cycles shown as "now": those of the last moment, newest first.
    fn shown(&self, rate_hz: f64) -> impl Iterator<Item = &LiveCycle> + Clone {
        let since = self.ring.end() as f64 - SHOWN_S * rate_hz;
        self.cycles
            .iter()
            .rev()
            .enumerate()
            .take_while(move |(i, c)| *i < SHOWN_LEAST || c.start >= since)
            .map(|(_, c)| c)
    }

    /// Scatter of the speed over the steady stretch, over its mean [-].
    pub fn rpm_scatter(&self) -> Option<f64> {
        (self.stretch.len() > 2)
            .then(|| self.stretch.speed())
            .flatten()
            .map(|(_, scatter)| scatter)
    }

    /// The bodies now.
    pub fn bodies(&self) -> Vec<BodyNow> {
        let setup = &self.expect.setup;
        let rate_hz = self.rate_hz().unwrap_or(1.0);
        setup
            .bodies
            .iter()
            .enumerate()
            .map(|(b, body)| {
                let zero_pa = body.zero_pa.unwrap_or(0.0);
                let depression = |pa: f64| (setup.p0_pa - pa + zero_pa) / 1e3;
                let means: Vec<f64> = self
                    .shown(rate_hz)
                    .map(|c| depression(c.mean_pa[b]))
                    .filter(|d| d.is_finite())
                    .collect();
                let live = self.pace[b].is_some() && !means.is_empty();
                let n = means.len() as f64;
                let mean = means.iter().sum::<f64>() / n;
                let scatter = (means.iter().map(|d| (d - mean).powi(2)).sum::<f64>() / n).sqrt();
                let now = self.ring.last(b, 1).first().map(|p| f64::from(*p));
                let area = self.areas.as_ref().and_then(|a| a.channels.get(b));
                BodyNow {
                    body: body.body.clone(),
                    now_kpa: now.filter(|p| p.is_finite()).map(|p| (p - zero_pa) / 1e3),
                    depression_kpa: live.then_some(mean),
                    depression_scatter_kpa: (live && n > 1.0).then_some(scatter),
                    zero_kpa: body.zero_pa.map(|z| z / 1e3),
                    refill_rate_per_s: area
                        .map(|a| a.refill_rate_per_s)
                        .filter(|k| k.value.is_finite()),
                    through_area_mm2: area.and_then(|a| a.through_area_mm2),
                    drawn_air_mg: area.and_then(|a| a.drawn_air_mg),
                }
            })
            .collect()
    }

    /// How far the reading has come.
    pub fn progress(&self) -> Progress {
        Progress {
            cycles: self.stretch.len().min(self.expect.gates.cycles),
            needed: self.expect.gates.cycles,
            missing: self.missing(),
            armed: self.armed,
            refused: self.refused.clone(),
        }
    }

    /// Doubts about what is being read now.
    pub fn notices(&self) -> Vec<Notice> {
        let areas = self.areas.iter().flat_map(|a| &a.notices);
        // The countdown says how many cycles there are.
        let areas = areas.filter(|n| n.code != "few-cycles").cloned();
        let own = self.mapping.iter().chain(&self.trouble).cloned();
        own.chain(areas).collect()
    }

    /// Readings accepted so far.
    pub fn accepted(&self) -> u64 {
        self.accepted
    }
}

/// Missing samples that are left blank; a longer hole starts anew, as in the import.
pub(crate) const MOST_BLANKS: u64 = 3;

/// (max - min)/mean over the bodies that are alive [-]; `None` unless all are.
pub(crate) fn spread(bodies: &[BodyNow]) -> Option<f64> {
    let all: Option<Vec<f64>> = bodies.iter().map(|b| b.depression_kpa).collect();
    let all = all.filter(|a| a.len() > 1)?;
    let (mut low, mut high) = (f64::INFINITY, f64::NEG_INFINITY);
    for d in &all {
        low = low.min(*d);
        high = high.max(*d);
    }
    let mean = all.iter().sum::<f64>() / all.len() as f64;
    (mean > 0.0).then(|| (high - low) / mean)
}

fn mean(p_pa: &[f32]) -> f64 {
    let (n, sum) = p_pa
        .iter()
        .filter(|p| p.is_finite())
        .fold((0.0, 0.0), |(n, s), p| (n + 1.0, s + f64::from(*p)));
    sum / n
}

/// Lowest, highest and mean of the readable samples.
fn extent(p_pa: &[f32]) -> Option<(f64, f64, f64)> {
    let readable = || p_pa.iter().filter(|p| p.is_finite()).map(|p| f64::from(*p));
    if 2 * readable().count() < p_pa.len().max(1) {
        return None;
    }
    let low = readable().fold(f64::INFINITY, f64::min);
    let high = readable().fold(f64::NEG_INFINITY, f64::max);
    Some((low, high, mean(p_pa)))
}

fn median(mut values: Vec<f64>) -> Option<f64> {
    if values.is_empty() {
        return None;
    }
    let middle = values.len() / 2;
    Some(*values.select_nth_unstable_by(middle, f64::total_cmp).1)
}

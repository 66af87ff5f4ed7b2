//! The bench of the served pages: the practice engine with its screws, the readings taken on it, what
//! they say, and the turn that is being made.

use std::collections::BTreeMap;
use std::sync::Arc;

use evenpull_diagnose::{Assessment, CauseCode};
use evenpull_job::{Adjuster, AdjusterKind, AmbientData, Condition, PerTurn, Profile};
use serde::Serialize;

use super::bench_job::{BenchJob, BenchReading};
use super::guide::{Guide, GuideView};
use super::station::{Station, stations};
use crate::error::AppError;
use crate::live::{LiveReading, LiveRequest, LiveSession, LiveSource, LiveView, reading_band_rpm};
use crate::practice::Fault;
use crate::profiles::LoadedProfile;

/// Temperature of the practice engine [C]: warm.
const PRACTICE_C: f64 = 75.0;

/// What a bench is set up with.
#[derive(Debug, Clone, PartialEq)]
pub struct BenchStart {
    /// Engine profile.
    pub profile: Arc<LoadedProfile>,
    /// Hidden faults of the practice engine.
    pub faults: Vec<Fault>,
    /// Seed of everything left to chance.
    pub seed: u64,
    /// Name of the machine on the pages.
    pub machine: String,
}

/// Something done at the bench.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub enum Operation {
    /// Start the engine.
    Start,
    /// Kill switch.
    Kill,
    /// Take the zero of the sensors, engine off.
    Zero,
    /// Go to a station by its code: throttle there, bleeds shut or as they were, next reading.
    Station(String),
    /// Read the present station once more.
    Again,
    /// Turn an adjuster, positive = more opening or area.
    Turn {
        /// Adjuster.
        adjuster: String,
        /// Turns.
        turns: f64,
    },
    /// The ECU stores the present throttle-sensor reading as closed.
    Learn,
    /// Follow a step of the advice, counted from 0.
    Follow(usize),
    /// Tell what was hidden.
    Reveal,
    /// Mend what no screw puts right, by its cause; see [`mendable`].
    Mend(CauseCode),
}

/// Why the bench does not do what is asked.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum BenchRefusal {
    /// No such station.
    #[error("no station `{code}`; there are {known}")]
    NoStation {
        /// Code as given.
        code: String,
        /// Codes there are.
        known: String,
    },
    /// No such step, or it turns nothing.
    #[error("step {number} turns nothing that can be followed; assess the readings first")]
    NoStep {
        /// Number as shown.
        number: usize,
    },
    /// Mended what was sound.
    #[error("nothing was wrong there; the engine is as it was")]
    Sound,
    /// Nothing to assess.
    #[error("no reading was taken yet; start the engine and take one")]
    NoReading,
}

/// The bench with its session; dropping it ends the session.
#[derive(Debug)]
pub struct Bench {
    start: BenchStart,
    session: LiveSession,
    job: BenchJob,
    stations: Vec<Station>,
    station: usize,
    collected: u64,
    turned: BTreeMap<String, f64>,
    /// Turns since the last reading.
    pending: Vec<(String, f64)>,
    /// Bleeds as counted from seat [turns], profile's order.
    bleed_turns: Vec<f64>,
    bleeds_shut: bool,
    assessment: Option<Arc<(Assessment, String)>>,
    guide: Option<Guide>,
    revealed: bool,
}

/// Everything a page shows of one moment.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct BenchGlance {
    /// What the sensors say.
    pub live: LiveView,
    /// Code of the station.
    pub station: String,
    /// Band of the speed in which a reading counts, low and high [1/min].
    pub band_rpm: [f64; 2],
    /// Turns made of each adjuster since the bench was set up.
    pub turned: BTreeMap<String, f64>,
    /// Bleeds as they stand [turns from seat]; empty where there are none.
    pub bleed_turns: BTreeMap<String, f64>,
    /// Turn that is being made.
    pub guide: Option<GuideView>,
    /// Readings taken.
    pub readings: usize,
}

impl Bench {
    /// Sets up the bench; the engine stands.
    ///
    /// # Errors
    /// [`AppError`] for a fault that this engine cannot show.
    pub fn set_up(start: &BenchStart) -> Result<Self, AppError> {
        let mut start = start.clone();
        // What is mended goes first from the end, so that the amounts of the others stay.
        start.faults.sort_by_key(|f| MENDABLE.contains(&f.code));
        let profile = &start.profile.profile;
        let stations = stations(profile);
        let session = open(&start, stations[0].condition)?;
        let request = session.request();
        let job = BenchJob {
            profile: LoadedProfile::clone(&start.profile),
            machine: start.machine.clone(),
            ambient_kpa: request.ambient.pressure_kpa,
            ambient_c: request.ambient.temperature_c,
            key_off_kpa: None,
            hose: request.hose,
            seals: seals(profile, session.disturbed_seals()),
            readings: Vec::new(),
        };
        let mut bench = Self {
            bleed_turns: session.bleed_turns().to_vec(),
            start,
            session,
            job,
            stations,
            station: 0,
            collected: 0,
            turned: BTreeMap::new(),
            pending: Vec::new(),
            bleeds_shut: false,
            assessment: None,
            guide: None,
            revealed: false,
        };
        bench.go_to(0)?;
        Ok(bench)
    }

    /// Engine profile.
    pub fn profile(&self) -> &Profile {
        &self.job.profile.profile
    }

    /// Where the profile came from: its name or path.
    pub fn profile_origin(&self) -> &str {
        &self.job.profile.origin
    }

    /// Machine as it is called.
    pub fn machine(&self) -> &str {
        &self.job.machine
    }

    /// What can be read, in the order of work.
    pub fn stations(&self) -> &[Station] {
        &self.stations
    }

    /// The station being read.
    pub fn station(&self) -> &Station {
        &self.stations[self.station]
    }

    /// Adjusters that can be turned here, sealed ones last.
    pub fn screws(&self) -> Vec<Adjuster> {
        let turnable = |a: &Adjuster| {
            a.kind == AdjusterKind::Stop && matches!(a.per_turn, PerTurn::OpeningDeg(_))
                || matches!(a.kind, AdjusterKind::Balance | AdjusterKind::Bleed)
        };
        let mut all: Vec<Adjuster> = self.profile().adjusters();
        all.retain(turnable);
        all.sort_by_key(|a| a.kind.is_sealed());
        all
    }

    /// Readings taken so far.
    pub fn readings(&self) -> &[BenchReading] {
        &self.job.readings
    }

    /// The findings with their page, once assessed.
    pub fn findings(&self) -> Option<Arc<(Assessment, String)>> {
        self.assessment.clone()
    }

    /// Whether a step of the advice can be followed with a count-down.
    pub fn can_follow(&self, step: usize) -> bool {
        self.guide_of(step).is_some()
    }

    /// What was hidden, once it was asked for.
    pub fn truth(&self) -> Option<&[String]> {
        self.revealed.then(|| self.session.hidden_faults())
    }

    /// The job as it stands, to be assessed without holding the bench.
    ///
    /// # Errors
    /// [`AppError::Bench`] without a reading.
    pub fn job(&mut self) -> Result<BenchJob, AppError> {
        self.collect();
        if self.job.readings.is_empty() {
            return Err(BenchRefusal::NoReading.into());
        }
        Ok(self.job.clone())
    }

    /// Keeps the findings of [`Self::job`] with their page.
    pub fn keep(&mut self, assessment: Assessment, page: String) {
        self.assessment = Some(Arc::new((assessment, page)));
        self.guide = None;
    }

    /// What a page shows now; takes over readings that were accepted meanwhile.
    pub fn glance(&mut self) -> BenchGlance {
        self.collect();
        let bodies = self.profile().bodies().iter().cloned();
        let counted = |turns: &f64| if self.bleeds_shut { 0.0 } else { *turns };
        let (low, high) = reading_band_rpm(self.profile(), self.station().condition);
        BenchGlance {
            live: self.session.view(),
            station: self.station().code.clone(),
            band_rpm: [low, high],
            turned: self.turned.clone(),
            bleed_turns: bodies.zip(self.bleed_turns.iter().map(counted)).collect(),
            guide: self.guide.as_ref().map(Guide::view),
            readings: self.job.readings.len(),
        }
    }

    /// Does one thing.
    ///
    /// # Errors
    /// [`AppError::Bench`] for something that is not there, [`AppError::Live`] saying what is in the
    /// way, [`AppError::NoScrew`].
    pub fn operate(&mut self, operation: &Operation) -> Result<(), AppError> {
        self.collect();
        match operation {
            Operation::Start => {
                self.session.start_engine()?;
                self.session.throttle(self.station().throttle())
            }
            Operation::Kill => self.session.stop_engine(),
            Operation::Zero => {
                self.job.key_off_kpa = Some(self.session.take_zero()?);
                Ok(())
            }
            Operation::Station(code) => {
                let found = self.stations.iter().position(|s| s.code == *code);
                let index = found.ok_or_else(|| BenchRefusal::NoStation {
                    code: code.clone(),
                    known: self.codes(),
                })?;
                self.go_to(index)
            }
            Operation::Again => self.session.arm(),
            Operation::Turn { adjuster, turns } => self.turn(adjuster, *turns),
            Operation::Learn => self.session.zero_learn(),
            Operation::Follow(step) => self.follow(*step),
            Operation::Reveal => {
                self.revealed = true;
                Ok(())
            }
            Operation::Mend(code) => self.mend(*code),
        }
    }

    fn codes(&self) -> String {
        let codes: Vec<&str> = self.stations.iter().map(|s| s.code.as_str()).collect();
        codes.join(", ")
    }

    /// Throttle, bleeds and the next reading for a station.
    fn go_to(&mut self, index: usize) -> Result<(), AppError> {
        self.station = index;
        let (condition, throttle) = (self.station().condition, self.station().throttle());
        self.session.throttle(throttle)?;
        let shut = condition == Condition::IdleBleedsShut;
        if shut != self.bleeds_shut && !self.bleed_turns.is_empty() {
            let bodies = self.profile().bodies().to_vec();
            for (body, turns) in bodies.iter().zip(self.bleed_turns.clone()) {
                let by = if shut { -turns } else { turns };
                self.session.turn(&format!("bleed.{body}"), by)?;
            }
            self.bleeds_shut = shut;
        }
        self.session.read_next(condition, &[])
    }

    fn turn(&mut self, name: &str, turns: f64) -> Result<(), AppError> {
        let adjuster = self.profile().adjuster(name);
        let bleed = adjuster
            .as_ref()
            .filter(|a| a.kind == AdjusterKind::Bleed)
            .and_then(|a| self.profile().body_index(a.bodies.first()?));
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
        self.session.turn(name, turns)?;
        *self.turned.entry(name.to_owned()).or_default() += turns;
        if let Some(guide) = self.guide.as_mut().filter(|g| g.adjuster == name) {
            guide.made += turns;
        }
        if let Some(body) = bleed {
            if self.bleeds_shut {
                self.bleed_turns = vec![0.0; self.bleed_turns.len()];
                self.bleeds_shut = false;
            }
            self.bleed_turns[body] += turns;
            return Ok(());
        }
        match self.pending.iter_mut().find(|(n, _)| n == name) {
            Some((_, sum)) => *sum += turns,
            None => self.pending.push((name.to_owned(), turns)),
        }
        let sealed = adjuster.is_some_and(|a| a.kind.is_sealed());
        if let Some((_, touched)) = self.job.seals.iter_mut().find(|(n, _)| n == name) {
            *touched |= sealed;
        }
        Ok(())
    }

    /// The same engine without one of its faults: it stands, its screws are where they were, and
    /// its sensors have to be zeroed again.
    fn mend(&mut self, code: CauseCode) -> Result<(), AppError> {
        let mut start = self.start.clone();
        start.faults.retain(|f| f.code != code);
        if start.faults == self.start.faults {
            return Err(BenchRefusal::Sound.into());
        }
        let session = open(&start, self.station().condition)?;
        for (name, turns) in &self.turned {
            if !name.starts_with("bleed.") {
                session.turn(name, *turns)?;
            }
        }
        let bodies = self.profile().bodies().iter();
        for ((body, made), stands) in bodies.zip(session.bleed_turns()).zip(&self.bleed_turns) {
            session.turn(&format!("bleed.{body}"), stands - made)?;
        }
        (self.session, self.start) = (session, start);
        (self.bleeds_shut, self.collected) = (false, 0);
        self.job.key_off_kpa = None;
        self.guide = None;
        self.go_to(self.station)
    }

    fn follow(&mut self, step: usize) -> Result<(), AppError> {
        let missing = BenchRefusal::NoStep { number: step + 1 };
        self.guide = Some(self.guide_of(step).ok_or(missing)?);
        Ok(())
    }

    fn guide_of(&self, step: usize) -> Option<Guide> {
        let (assessment, _) = self.assessment.as_deref()?;
        Guide::of(assessment.advice.get(step)?, self.profile())
    }

    /// Takes over every reading that was accepted since the last look.
    fn collect(&mut self) {
        let view = self.session.view();
        while self.collected < view.accepted {
            self.collected += 1;
            if let Some(reading) = self.session.accepted(self.collected) {
                let taken = self.as_taken(reading, &view);
                self.job.readings.push(taken);
            }
        }
    }

    fn as_taken(&mut self, reading: LiveReading, view: &LiveView) -> BenchReading {
        if let Some(kpa) = reading.key_off_kpa.iter().copied().collect() {
            self.job.key_off_kpa = Some(kpa);
        }
        let practice = view.practice.as_ref();
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
            recording: reading.text,
            engine_c: Some(PRACTICE_C),
            sensor_v: practice.and_then(|p| p.sensor_v),
            ecu_opening_deg: practice.and_then(|p| p.ecu_opening_deg),
            idle_valve_steps: practice
                .and_then(|p| p.idle_valve_steps)
                .filter(|_| self.profile().idle_valve.is_some()),
            bleed_turns: (!self.bleed_turns.is_empty()).then(|| {
                let counted = |turns: &f64| if shut { 0.0 } else { *turns };
                self.bleed_turns.iter().map(counted).collect()
            }),
            adjusted: std::mem::take(&mut self.pending),
        }
    }
}

/// Causes that no screw puts right and that the practice engine can be rid of.
const MENDABLE: [CauseCode; 10] = [
    CauseCode::StubLeak,
    CauseCode::SpindleWear,
    CauseCode::BleedBlocked,
    CauseCode::ValveTight,
    CauseCode::CompressionLow,
    CauseCode::IdleValveStuckOpen,
    CauseCode::IdleValveStuckShut,
    CauseCode::SparkWeak,
    CauseCode::GaugeFault,
    CauseCode::CrossedHoses,
];

/// What can be mended at the bench.
pub fn mendable() -> impl Iterator<Item = CauseCode> {
    MENDABLE.into_iter()
}

fn open(start: &BenchStart, condition: Condition) -> Result<LiveSession, AppError> {
    LiveSession::open(LiveRequest {
        profile: Arc::clone(&start.profile),
        source: LiveSource::Practice {
            faults: start.faults.clone(),
            seed: start.seed,
        },
        // The practice engine brings its own air and hose.
        ambient: AmbientData {
            pressure_kpa: 101.325,
            pressure_measured: false,
            temperature_c: 20.0,
            humidity_percent: 0.0,
            key_off_kpa: None,
        },
        condition,
        hose: None,
        pinched: Vec::new(),
    })
}

/// Sealed parts, and whether their seals show that they were touched.
fn seals(profile: &Profile, disturbed: &[String]) -> Vec<(String, bool)> {
    profile
        .adjusters()
        .into_iter()
        .filter(|a| a.kind.is_sealed())
        .map(|a| {
            let touched = disturbed.contains(&a.name);
            (a.name, touched)
        })
        .collect()
}

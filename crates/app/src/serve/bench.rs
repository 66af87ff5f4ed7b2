//! The bench of the served pages: the practice engine with its screws, the readings taken on it, what
//! they say, and the turn that is being made.

use std::collections::BTreeMap;
use std::sync::Arc;

use evenpull_diagnose::{Assessment, CauseCode};
use evenpull_job::{Adjuster, AdjusterKind, Condition, PerTurn, Profile};
use evenpull_live::Watcher;
use serde::Serialize;

use super::bench_job::{BenchJob, BenchReading};
use super::bench_source::{BenchStart, MENDABLE, seals};
use super::guide::{Guide, GuideView};
use super::station::{Station, stations};
use crate::error::AppError;
use crate::live::{LiveReading, LiveSession, LiveView, reading_band_rpm};
use crate::profiles::LoadedProfile;

/// Temperature of the practice engine [C]: warm.
const PRACTICE_C: f64 = 75.0;

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
    /// Mend what no screw puts right, by its cause; see [`super::mendable`].
    Mend(CauseCode),
    /// Compare the sensors, all on one held pressure.
    Compare,
    /// What is read beside the sensors at a machine.
    Beside(Beside),
}

/// What is read beside the sensors, as typed; stands for the readings from then on.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Beside {
    /// Engine temperature [C].
    pub engine_c: Option<f64>,
    /// Raw volts of the throttle sensor [V]; for the present station only.
    pub sensor_v: Option<f64>,
    /// Opening the ECU believes in [deg above closed]; for the present station only.
    pub ecu_opening_deg: Option<f64>,
    /// Idle valve [steps]; for the present station only.
    pub idle_valve_steps: Option<f64>,
}

/// Sensors on one held pressure.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Comparison {
    /// What each reads, zeros taken out [kPa], profile's order.
    pub kpa: Vec<f64>,
    /// Largest less smallest [kPa].
    pub apart_kpa: f64,
    /// How far below the air around it was held [kPa].
    pub below_kpa: f64,
    /// They agree to [`AGREE_KPA`], at a depression of [`DRAWN_KPA`] or more.
    pub agree: bool,
}

/// What zeroed sensors on one pressure may differ by [kPa]; docs/sensor-lines.md.
pub const AGREE_KPA: f64 = 0.3;
/// Depression at which a wrong gain shows [kPa]: 1.5 % of it is what they may differ by.
pub const DRAWN_KPA: f64 = 20.0;

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
    /// Done at the machine itself.
    #[error("sensors are read here; this is done at the machine itself")]
    AtTheMachine,
    /// A sealed part of a real machine.
    #[error(
        "`{part}` is sealed and stays so; only in the baseline stage, with a written reason, is a turn \
         of it noted under Work"
    )]
    Sealed {
        /// Part.
        part: String,
    },
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
    beside: Beside,
    comparison: Option<Comparison>,
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
    /// Sensors compared last; `null` before, and when they were zeroed anew.
    pub comparison: Option<Comparison>,
}

impl Bench {
    /// Sets up the bench; the engine stands.
    ///
    /// # Errors
    /// [`AppError`] for a fault that this engine cannot show.
    pub fn set_up(start: &BenchStart) -> Result<Self, AppError> {
        let mut start = start.clone();
        // What is mended goes first from the end, so that the amounts of the others stay.
        if let Some(faults) = start.faults_mut() {
            faults.sort_by_key(|f| MENDABLE.contains(&f.code));
        }
        let profile = &start.profile.profile;
        let stations = stations(profile);
        let sensors = start.sensors();
        // At a machine idle comes first: nobody has shut its bleeds yet.
        let first = stations.iter().position(|s| s.condition == Condition::Idle);
        let station = first.filter(|_| sensors.is_some()).unwrap_or(0);
        let session = start.open(stations[station].condition)?;
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
            bleed_turns: sensors
                .map_or_else(|| session.bleed_turns().to_vec(), |s| s.bleed_turns.clone()),
            start,
            session,
            job,
            stations,
            station,
            collected: 0,
            turned: BTreeMap::new(),
            pending: Vec::new(),
            bleeds_shut: false,
            assessment: None,
            guide: None,
            revealed: false,
            beside: Beside::default(),
            comparison: None,
        };
        bench.go_to(station)?;
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

    /// The practice engine is read: it is started, and its screws are turned, from here.
    pub fn is_practice(&self) -> bool {
        self.start.sensors().is_none()
    }

    /// Its readings belong into the records.
    pub fn keeps(&self) -> bool {
        self.start.sensors().is_none_or(|s| s.keep)
    }

    /// What was typed beside the sensors.
    pub fn beside(&self) -> Beside {
        self.beside
    }

    /// Sees the newest moment of the session whenever it looks; for [`Self::glance`]s at its pace.
    pub fn watch(&self) -> Watcher {
        self.session.watch()
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
            comparison: self.comparison.clone(),
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
                self.comparison = None;
                Ok(())
            }
            Operation::Compare => self.compare(),
            Operation::Beside(beside) => {
                self.beside = *beside;
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
        self.beside = Beside {
            engine_c: self.beside.engine_c,
            ..Beside::default()
        };
        let (condition, throttle) = (self.station().condition, self.station().throttle());
        if !self.is_practice() {
            return self.session.read_next(condition, &[]);
        }
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
            // Where they stand is noted with each reading.
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
    fn mend(&mut self, code: CauseCode) -> Result<(), AppError> {
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
        (self.session, self.start) = (session, start);
        (self.bleeds_shut, self.collected) = (false, 0);
        self.job.key_off_kpa = None;
        self.guide = None;
        self.go_to(self.station)
    }

    /// All sensors on one held pressure: what is left between them is their gain.
    fn compare(&mut self) -> Result<(), AppError> {
        let kpa = self.session.compare()?;
        let high = kpa.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let low = kpa.iter().copied().fold(f64::INFINITY, f64::min);
        let mean = kpa.iter().sum::<f64>() / kpa.len() as f64;
        let below_kpa = self.session.request().ambient.pressure_kpa - mean;
        let apart_kpa = high - low;
        self.comparison = Some(Comparison {
            agree: apart_kpa <= AGREE_KPA && below_kpa >= DRAWN_KPA,
            kpa,
            apart_kpa,
            below_kpa,
        });
        Ok(())
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
        }
    }
}

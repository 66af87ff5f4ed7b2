//! The bench of the served pages: the practice engine with its screws, the readings taken on it, what
//! they say, and the turn that is being made.

use std::collections::BTreeMap;
use std::sync::Arc;

use evenpull_diagnose::Assessment;
use evenpull_job::{Adjuster, AdjusterKind, Condition, PerTurn, Profile};
use evenpull_live::Watcher;
use serde::Serialize;

use super::bench_job::{BenchJob, BenchReading};
use super::bench_source::{BenchStart, MENDABLE, seals};
use super::guide::{Guide, GuideView};
use super::station::{Station, stations};
use crate::error::AppError;
use crate::live::{LiveSession, LiveView, reading_band_rpm};
use crate::profiles::LoadedProfile;

mod comparison;
mod operation;
mod taking;
mod turning;

pub use comparison::{AGREE_KPA, Comparison, DRAWN_KPA};
pub use operation::{BenchRefusal, Beside, Operation};

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
            turns: Vec::new(),
            practice: sensors.is_none(),
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

    /// Readings taken and turns made so far, to be kept.
    pub fn taken(&mut self) -> BenchJob {
        self.collect();
        self.job.clone()
    }

    /// Turns made so far that belong into the records.
    pub fn turns_made(&self) -> usize {
        self.job.turns.len()
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
        let (condition, throttle) = (
            self.stations[index].condition,
            self.stations[index].throttle(),
        );
        if !self.is_practice() {
            self.session.read_next(condition, &[])?;
            self.at_station(index);
            return Ok(());
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
        self.session.read_next(condition, &[])?;
        self.at_station(index);
        Ok(())
    }

    /// From here on another station is read. What was accepted until now belongs to the one before,
    /// with what was typed beside it.
    fn at_station(&mut self, index: usize) {
        self.collect();
        self.station = index;
        self.beside = Beside {
            engine_c: self.beside.engine_c,
            ..Beside::default()
        };
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
}

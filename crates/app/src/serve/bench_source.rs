//! What a bench reads: the practice engine, sensors at a real one, or a recording.

use std::sync::Arc;

use evenpull_diagnose::CauseCode;
use evenpull_job::{AmbientData, Condition, HoseData, Profile};

use crate::error::AppError;
use crate::live::{LiveRequest, LiveSession, LiveSource};
use crate::practice::Fault;
use crate::profiles::LoadedProfile;

/// What a bench is set up with.
#[derive(Debug, Clone, PartialEq)]
pub struct BenchStart {
    /// Engine profile.
    pub profile: Arc<LoadedProfile>,
    /// Name of the machine on the pages.
    pub machine: String,
    /// What is read.
    pub source: BenchSource,
}

/// What a bench reads.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub enum BenchSource {
    /// The practice engine, with its screws to turn.
    Practice {
        /// Hidden faults.
        faults: Vec<Fault>,
        /// Seed of everything left to chance.
        seed: u64,
        /// Air it runs in, of the job it is read for; without, it brings its own.
        air: Option<AmbientData>,
    },
    /// Sensors at a machine, or a recording of them: nothing is operated from here.
    Sensors(Box<SensorSource>),
}

/// Sensors, and what must be known to read them.
#[derive(Debug, Clone, PartialEq)]
pub struct SensorSource {
    /// Ports, address or recording.
    pub live: LiveSource,
    /// Air around the machine.
    pub ambient: AmbientData,
    /// Hose between stub and sensor.
    pub hose: Option<HoseData>,
    /// Bleeds as they stand [turns from seat], profile's order; empty where nobody counted.
    pub bleed_turns: Vec<f64>,
    /// Readings belong into the records: not those of a recording that is there already.
    pub keep: bool,
}

/// Air of a practice engine before it brings its own.
const ANY_AIR: AmbientData = AmbientData {
    pressure_kpa: 101.325,
    pressure_measured: false,
    temperature_c: 20.0,
    temperature_measured: false,
    humidity_percent: 0.0,
    key_off_kpa: None,
};

impl BenchStart {
    /// Nothing is operated from here.
    pub(super) fn sensors(&self) -> Option<&SensorSource> {
        match &self.source {
            BenchSource::Practice { .. } => None,
            BenchSource::Sensors(sensors) => Some(sensors),
        }
    }

    /// Faults of the practice engine.
    pub(super) fn faults_mut(&mut self) -> Option<&mut Vec<Fault>> {
        match &mut self.source {
            BenchSource::Practice { faults, .. } => Some(faults),
            BenchSource::Sensors(_) => None,
        }
    }

    /// Opens the session, to read `condition` first.
    pub(super) fn open(&self, condition: Condition) -> Result<LiveSession, AppError> {
        let (source, ambient, hose) = match &self.source {
            BenchSource::Practice { faults, seed, air } => {
                let source = LiveSource::Practice {
                    faults: faults.clone(),
                    seed: *seed,
                    air: air.clone(),
                };
                (source, ANY_AIR, None)
            }
            BenchSource::Sensors(s) => (s.live.clone(), s.ambient.clone(), s.hose),
        };
        LiveSession::open(LiveRequest {
            profile: Arc::clone(&self.profile),
            source,
            ambient,
            condition,
            hose,
            pinched: Vec::new(),
        })
    }
}

/// Causes that no screw puts right and that the practice engine can be rid of.
pub(super) const MENDABLE: [CauseCode; 10] = [
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

/// Sealed parts, and whether their seals show that they were touched.
pub(super) fn seals(profile: &Profile, disturbed: &[String]) -> Vec<(String, bool)> {
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

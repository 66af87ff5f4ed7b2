//! What sets one practice machine apart from the profile of its kind.
//!
//! No two castings are alike and a profile knows a kind only. Spreads are those of
//! `docs/calibration.md`, assumed; the practice engine without them is easier than a workshop.

use evenpull_airflow::{Plate, Throttle};
use evenpull_job::Profile;
use evenpull_trace::ZERO_DRIFT_PA;
use rand::rngs::StdRng;
use rand::{RngExt, SeedableRng};
use rand_distr::StandardNormal;

use crate::error::AppError;

/// Spread of how long a valve stays open [deg of crank]: clearances even over 0.08 mm and some 0.02 mm of lift a degree
/// where a valve leaves its seat and comes back, `2 0.08 / sqrt(12) / 0.02`; assumed.
const VALVES_SD_DEG: f64 = 2.3;

/// Spreads of a hose over the one described: length, cut to a measure and pushed on its ends, bore, volume at the
/// sensor [-]; assumed.
const HOSE_SD: [f64; 3] = [0.03, 0.02, 0.1];

/// Deviations of one machine from its profile; lists in the profile's order.
#[derive(Debug, Clone, PartialEq)]
pub struct Individual {
    /// Angle of the shut plates over the profile's [deg].
    pub shut_deg: f64,
    /// Discharge of the plates over the profile's [-].
    pub discharge: f64,
    /// Runner volume over the profile's [-].
    pub runner: f64,
    /// Area per step of the idle valve over the profile's [-].
    pub valve: f64,
    /// Area per turn of each bleed over the profile's [-].
    pub bleed: Vec<f64>,
    /// What each body lets by beside plate and bleed [mm2]; `None` leaves it to the visit's seed.
    pub leak_mm2: Option<Vec<f64>>,
    /// Stop of each plate over the baseline [deg].
    pub stop_deg: Vec<f64>,
    /// Opening each body's link adds, or the twist of its plate on one shaft [deg]; nothing for an
    /// undriven body.
    pub link_deg: Vec<f64>,
    /// Raw volts of the throttle sensor over the profile's [V].
    pub sensor_v: f64,
    /// Slope of the throttle sensor over the profile's [-].
    pub sensor_slope: f64,
    /// Gain of each pressure sensor [-].
    pub gain: Vec<f64>,
    /// How much longer than the profile's each cylinder's intake and exhaust valve stay open [deg], half of it at
    /// either end: what clearances within their band leave.
    pub valves_deg: Vec<[f64; 2]>,
    /// Compression ratio of each cylinder over the profile's [-].
    pub compression: Vec<f64>,
    /// What each pressure sensor reads high after its zero was taken [Pa].
    pub zero_pa: Vec<f64>,
    /// Length, bore and dead volume of each pressure sensor's hose over the one that is described [-].
    pub hose: Vec<[f64; 3]>,
    /// Passage between each runner and the idle-air chamber [mm2]; `None`: as the profile says.
    pub idle_chamber_mm2: Option<f64>,
    /// Balance pipe [mm2]; `None`: as the profile says.
    pub balance_pipe_mm2: Option<f64>,
}

impl Individual {
    /// A machine that is exactly as its profile says.
    pub fn none(profile: &Profile) -> Self {
        let n = profile.bodies().len();
        Self {
            shut_deg: 0.0,
            discharge: 1.0,
            runner: 1.0,
            valve: 1.0,
            bleed: vec![1.0; n],
            leak_mm2: None,
            stop_deg: vec![0.0; n],
            link_deg: vec![0.0; n],
            sensor_v: 0.0,
            sensor_slope: 1.0,
            gain: vec![1.0; n],
            valves_deg: vec![[0.0; 2]; n],
            compression: vec![1.0; n],
            zero_pa: vec![0.0; n],
            hose: vec![[1.0; 3]; n],
            idle_chamber_mm2: None,
            balance_pipe_mm2: None,
        }
    }

    /// A sound machine of this kind; the same seed gives the same machine.
    ///
    /// Normal spreads: shut angle 0.2 degree, discharge 5 %, runner 3 %, idle valve and bleeds 10 %,
    /// stops and links 0.04 degree, sensor 4 mV and 1 %, pressure gain 0.4 %, pressure zero 0.17 kPa,
    /// time a valve stays open 2.3 degrees, compression ratios 1 %, hoses 3 % of length,
    /// 2 % of bore and 10 % of dead volume; leaks even from 0.2 to 0.5 mm2.
    pub fn drawn(profile: &Profile, seed: u64) -> Self {
        let n = profile.bodies().len();
        let mut rng = StdRng::seed_from_u64(seed ^ 0x1d1_71d0);
        // On one shaft the first plate is what the others are twisted against.
        let driven = |b: usize| {
            (b > 0 && profile.one_shaft())
                || profile.couplings.iter().any(|c| c.driven.contains(&b))
        };
        let spread = |rng: &mut StdRng, sd: f64| {
            let z: f64 = rng.sample(StandardNormal);
            sd * z.clamp(-3.0, 3.0)
        };
        let mut normal = |sd| spread(&mut rng, sd);
        let mut own = Self {
            shut_deg: normal(0.2),
            discharge: 1.0 + normal(0.05),
            runner: 1.0 + normal(0.03),
            valve: 1.0 + normal(0.1),
            bleed: (0..n).map(|_| 1.0 + normal(0.1)).collect(),
            leak_mm2: None,
            stop_deg: (0..n).map(|_| normal(0.04)).collect(),
            link_deg: (0..n)
                .map(|b| if driven(b) { normal(0.04) } else { 0.0 })
                .collect(),
            sensor_v: normal(0.004),
            sensor_slope: 1.0 + normal(0.01),
            gain: (0..n).map(|_| 1.0 + normal(0.004)).collect(),
            valves_deg: Vec::new(),
            compression: Vec::new(),
            zero_pa: Vec::new(),
            hose: Vec::new(),
            idle_chamber_mm2: None,
            balance_pipe_mm2: None,
        };
        own.leak_mm2 = Some((0..n).map(|_| rng.random_range(0.2..0.5)).collect());
        own.zero_pa = (0..n).map(|_| spread(&mut rng, ZERO_DRIFT_PA)).collect();
        own.valves_deg = (0..n)
            .map(|_| [(); 2].map(|()| spread(&mut rng, VALVES_SD_DEG)))
            .collect();
        own.compression = (0..n).map(|_| 1.0 + spread(&mut rng, 0.01)).collect();
        own.hose = (0..n)
            .map(|_| HOSE_SD.map(|sd| 1.0 + spread(&mut rng, sd)))
            .collect();
        own
    }

    /// Plate and discharge of each body, all alike, with the casting of this machine.
    ///
    /// # Errors
    /// [`AppError::Practice`] for a plate or a discharge that cannot be.
    pub fn throttle(&self, profile: &Profile) -> Result<Throttle, AppError> {
        let mm = 1e-3;
        let body = &profile.body;
        let plate = Plate::new(
            body.bore_mm * mm,
            body.spindle_mm * mm,
            (body.shut_angle_deg + self.shut_deg).to_radians(),
        )
        .map_err(|e| AppError::Practice(e.to_string()))?;
        let discharge = body
            .discharge
            .scaled(self.discharge)
            .map_err(|e| AppError::Practice(e.to_string()))?;
        Ok(Throttle { plate, discharge })
    }
}

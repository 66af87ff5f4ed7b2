//! A machine as it really is: stops, links, leaks, bleeds, and what is not quite as its profile.

use evenpull_airflow::Plate;
use evenpull_job::{CouplingLaw, Profile};

/// The state of one machine; vectors in the profile's order.
#[derive(Debug, Clone)]
pub(super) struct Machine {
    /// Stops over the baseline [deg].
    pub(super) stop_deg: Vec<f64>,
    /// Driven plate over driving plate, per coupling [deg].
    pub(super) link_deg: Vec<f64>,
    /// Leaks [mm2].
    pub(super) leak_mm2: Vec<f64>,
    /// Body whose leak changes from closing to closing, and its relative standard deviation.
    pub(super) leak_scatter: Option<(usize, f64)>,
    /// Bleeds from the seat [turns].
    pub(super) bleed_turns: Vec<f64>,
    /// Area per turn of each bleed [mm2].
    pub(super) bleed_mm2_per_turn: Vec<f64>,
    /// Idle valve's area per step, all bodies [mm2].
    pub(super) valve_mm2_per_step: f64,
    /// Place of the idle valve on the sound machine, in its travel [-].
    pub(super) valve_place: f64,
    /// Geometry with the machine's own shut angle.
    pub(super) plate: Plate,
    /// Discharge coefficient over the profile's [-].
    pub(super) discharge: f64,
    /// Sensor's zero over the record [V].
    pub(super) zero_v: f64,
    /// Sensor's slope over the profile's [-].
    pub(super) volts_slope: f64,
    /// What each body breathes beyond the usual at equal area [kPa of depression].
    pub(super) breathing_kpa: Vec<f64>,
    /// Change of depression per logarithm of area [kPa].
    pub(super) kpa_per_ln_area: f64,
    /// Place the idle valve is stuck at, in its travel.
    pub(super) valve_stuck: Option<f64>,
    /// Air through a split idle-air hose, all bodies together [mm2].
    pub(super) hose_mm2: f64,
    /// Opening over the baseline that a tight cable holds the undriven plate at [deg].
    pub(super) cable_deg: Option<f64>,
    /// Body whose bleed passes nothing.
    pub(super) bleed_blocked: Option<usize>,
    /// Scatter of the throttle sensor [V].
    pub(super) volts_sd: f64,
    /// Area that a weak cylinder makes the engine ask for beyond the usual [mm2].
    pub(super) more_mm2: f64,
    /// Logarithm of the idle speed over that of the air given.
    pub(super) speed_over_air: f64,
    /// Logarithm of lambda of each pipe beyond level and air: injectors, misfire.
    pub(super) lean: Vec<f64>,
    /// Level of lambda on all pipes [ln].
    pub(super) lambda_level: f64,
}

impl Machine {
    /// Plate openings [deg above shut]; `command`: opening the cable asks of the undriven plate.
    ///
    /// The couplings of the profile form a star around one driver.
    pub(super) fn openings_deg(&self, profile: &Profile, command: Option<f64>) -> Vec<f64> {
        let base = profile.body.stop_opening_deg;
        let mut open: Vec<f64> = self.stop_deg.iter().map(|s| base + s).collect();
        let drive = profile.couplings[0].driver;
        let links = || profile.couplings.iter().zip(&self.link_deg);
        let cable = self.cable_deg.map_or(0.0, |deg| base + deg);
        let asked = command.unwrap_or(cable).max(open[drive]);
        open[drive] = links()
            .filter(|(c, _)| c.law == CouplingLaw::Rigid)
            .map(|(c, link)| open[c.driven[0]] - link)
            .fold(asked, f64::max);
        for (c, link) in links() {
            let carried = open[drive] + link;
            let own = &mut open[c.driven[0]];
            *own = match c.law {
                CouplingLaw::Rigid => carried,
                CouplingLaw::OneWay => own.max(carried),
            };
        }
        open
    }

    /// Effective area of a plate [mm2].
    pub(super) fn plate_mm2(&self, profile: &Profile, opening_deg: f64) -> f64 {
        let rad = opening_deg.to_radians();
        self.discharge * profile.body.discharge.at(rad) * self.plate.area_m2(rad) * 1e6
    }

    /// Bleed of body `b` as it stands [mm2].
    pub(super) fn bleed_mm2(&self, b: usize) -> f64 {
        if self.bleed_blocked == Some(b) {
            return 0.0;
        }
        self.bleed_turns[b] * self.bleed_mm2_per_turn[b]
    }
}

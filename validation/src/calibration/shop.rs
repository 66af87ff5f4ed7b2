//! One machine that comes to the shop again and again, and the family it is of.
//!
//! Families differ from their profile as the drawn machines of the calibration do; machines of one
//! family, whose castings are of one mould, differ from each other by a quarter of that, and by 1 % in
//! the scale V/n: one runner and one kind of wall heat. Instruments
//! and noise are drawn anew for every visit; the scale V/n, its change with speed and the wall heat are
//! the machine's.

use evenpull_airflow::Plate;
use evenpull_diagnose::{CycleReading, Family, LastingUnknown};
use evenpull_job::{Job, Profile};

use super::draw::{Source, instruments, profile, sound};
use super::machine::Machine;
use super::readings::{Taken, points, take};

/// Spread of the machines of one family over that of families about their profile; assumed.
const ALIKE: f64 = 0.25;

/// The same of the scale V/n, as a logarithm: the volume of one casting; assumed.
const SCALE_ALIKE: f64 = 0.01;

/// Mean and standard deviation of the wall heat that is drawn [mm2], and of the idle valve's place [-]: even
/// over 0 to 0.45, and over 0.2 to 0.4; of a machine, not of its family.
const HEAT_MM2: (f64, f64) = (0.225, 0.13);
const NEED_SD: f64 = 0.058;

/// The family of one seed.
pub(crate) struct ShopFamily {
    pub(crate) profile: Profile,
    typical: Machine,
    shut_deg: f64,
    ln_scale: f64,
    seed: u64,
}

/// A machine with what the shop may find on it.
pub(crate) struct ShopMachine {
    pub(crate) profile: Profile,
    machine: Machine,
    ln_scale: f64,
    tilt: f64,
    heat_mm2: f64,
    source: Source,
}

impl ShopFamily {
    pub(crate) fn of(seed: u64) -> Self {
        let mut source = Source::seeded(0x5405_0000 + seed);
        let profile = profile(&mut source);
        Self {
            typical: sound(&mut source, &profile),
            shut_deg: profile.body.shut_angle_deg + source.normal(0.2),
            ln_scale: source.normal(profile.refill.scale_sd_percent / 100.0),
            profile,
            seed,
        }
    }

    pub(crate) fn machine(&self, number: u64) -> ShopMachine {
        let mut source = Source::seeded(0x5406_0000 + 1_000 * self.seed + number);
        let mut own = sound(&mut source, &self.profile);
        let n = self.profile.bodies().len();
        let b = &self.profile.body;
        let shut_deg = self.shut_deg + source.normal(0.2 * ALIKE);
        own.plate = Plate::new(b.bore_mm * 1e-3, b.spindle_mm * 1e-3, shut_deg.to_radians())
            .expect("a plate");
        let mut alike = |typical: f64, sd: f64| typical * source.normal(sd * ALIKE).exp();
        own.discharge = alike(self.typical.discharge, 0.05);
        own.valve_mm2_per_step = alike(self.typical.valve_mm2_per_step, 0.1);
        own.kpa_per_ln_area = alike(self.typical.kpa_per_ln_area, 0.1);
        own.bleed_mm2_per_turn = (0..n)
            .map(|i| alike(self.typical.bleed_mm2_per_turn[i], 0.1))
            .collect();
        ShopMachine {
            profile: self.profile.clone(),
            ln_scale: self.ln_scale + source.normal(SCALE_ALIKE),
            tilt: source.normal(0.01),
            heat_mm2: source.between(0.0, 0.45),
            machine: own,
            source,
        }
    }

    /// The family with mean and spread of what was drawn for it in place of what machines told.
    pub(crate) fn known(&self, mut family: Family) -> Family {
        let b = &self.profile.body;
        let per_step = self.profile.idle_valve.map_or(1.0, |v| v.area_mm2_per_step);
        let per_turn = self.profile.bleed.map_or(1.0, |x| x.area_mm2_per_turn);
        for v in &mut family.values {
            let (mean, sd) = match v.unknown {
                LastingUnknown::Scale => (self.ln_scale, SCALE_ALIKE),
                LastingUnknown::Shut => (self.shut_deg - b.shut_angle_deg, 0.2 * ALIKE),
                LastingUnknown::Discharge => (self.typical.discharge.ln(), 0.05 * ALIKE),
                LastingUnknown::Valve => {
                    let own = self.typical.valve_mm2_per_step;
                    ((own / per_step).ln(), 0.1 * ALIKE)
                }
                LastingUnknown::Bleed(i) => {
                    let own = self.typical.bleed_mm2_per_turn[i];
                    ((own / per_turn).ln(), 0.1 * ALIKE)
                }
                LastingUnknown::Heat => HEAT_MM2,
                LastingUnknown::Need => (0.0, NEED_SD),
                _ => v.profile,
            };
            (v.mean, v.next_sd) = (mean, sd);
        }
        let n = family.values.len();
        let own = |i: usize, j: usize| match i == j {
            true => family.values[i].next_sd.powi(2),
            false => 0.0,
        };
        family.covariance = (0..n)
            .map(|i| (0..n).map(|j| own(i, j)).collect())
            .collect();
        family
    }
}

/// Everything a visit can be asked for.
const ALL: Taken = Taken {
    recorded: true,
    bleeds_shut: true,
    sweep: true,
    volts: true,
    steps: true,
    swapped: false,
    lambda: false,
};

impl ShopMachine {
    /// A visit with everything recorded: idle with bleeds shut and open, four openings, hold.
    pub(crate) fn visit(&mut self) -> (Job, Vec<Option<CycleReading>>) {
        self.visit_with("")
    }

    /// The same with lines of seals, as in `[seals]`.
    pub(crate) fn visit_with(&mut self, seals: &str) -> (Job, Vec<Option<CycleReading>>) {
        let mut set = instruments(&mut self.source, &self.profile);
        (set.ln_scale, set.tilt, set.heat_mm2) = (self.ln_scale, self.tilt, self.heat_mm2);
        set.gauge_kpa = None;
        let all = points(ALL);
        let read = take(
            &self.machine,
            &set,
            &self.profile,
            ALL,
            &all,
            &mut self.source,
        );
        let text = format!(
            "format = \"evenpull.job/1\"\nprofile = \"profile.toml\"\nmachine = \"drawn machine\"\n[ambient]\n\
             pressure_kpa = 101.325\ntemperature_c = 15.0\n[seals]\n{seals}{}",
            read.lines
        );
        let job = Job::from_toml("job.toml", &text, &self.profile)
            .unwrap_or_else(|e| panic!("the drawn job is sound: {e}\n{text}"));
        (job, read.cycles)
    }

    /// Plates with the throttle shut over the working baseline [deg].
    pub(crate) fn offsets_deg(&self) -> Vec<f64> {
        let base = self.profile.body.stop_opening_deg;
        let open = self.machine.openings_deg(&self.profile, None);
        open.iter().map(|o| o - base).collect()
    }

    /// Leak of a body [mm2].
    pub(crate) fn leak_mm2(&mut self, body: usize) -> &mut f64 {
        &mut self.machine.leak_mm2[body]
    }

    /// Stop of a body over the baseline [deg].
    pub(crate) fn stop_deg(&mut self, body: usize) -> &mut f64 {
        &mut self.machine.stop_deg[body]
    }

    /// Error of a coupling [deg].
    pub(crate) fn link_deg(&mut self, coupling: usize) -> &mut f64 {
        &mut self.machine.link_deg[coupling]
    }

    /// Zero of the throttle sensor over its record [V].
    pub(crate) fn zero_v(&mut self) -> &mut f64 {
        &mut self.machine.zero_v
    }

    /// Bleed of a body from its seat [turns].
    pub(crate) fn bleed_turns(&mut self, body: usize) -> &mut f64 {
        &mut self.machine.bleed_turns[body]
    }

    /// Bleed of a body as it stands [mm2].
    pub(crate) fn bleed_mm2(&self, body: usize) -> f64 {
        self.machine.bleed_mm2(body)
    }
}

//! Drawing a machine, what was done to it, and what the visit measured.

use evenpull_airflow::Plate;
use evenpull_diagnose::CycleReading;
use evenpull_job::{Job, Profile, builtin};
use rand::rngs::StdRng;
use rand::{RngExt, SeedableRng};
use rand_distr::StandardNormal;

use super::checks::Checks;
use super::fault::{self, Truth};
use super::machine::Machine;
use super::readings::{Instruments, Taken, points, take};

/// Kind of visit by what it measured.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Evidence {
    /// Idle with bleeds shut and open, four openings, hold; volts and steps.
    Full,
    /// Recorded, but without the sweep, the volts, the steps or the reading with bleeds shut.
    Thin,
    /// Gauges alone.
    Gauges,
}

/// A job with its truth.
pub struct Drawn {
    /// Profile as the shop has it.
    pub profile: Profile,
    /// Job.
    pub job: Job,
    /// Analysed recordings, one entry per reading.
    pub cycles: Vec<Option<CycleReading>>,
    /// What was put in.
    pub truth: Truth,
    /// The machine and the shop, to take further readings.
    pub(super) visit: Visit,
}

/// Everything a further reading follows from.
pub(super) struct Visit {
    pub(super) machine: Machine,
    pub(super) instruments: Instruments,
    pub(super) taken: Taken,
    pub(super) source: Source,
    pub(super) checks: Checks,
    pub(super) seals: String,
    pub(super) lines: String,
}

impl Visit {
    /// The job file as it stands.
    pub(super) fn text(&self) -> String {
        format!(
            "format = \"evenpull.job/1\"\nprofile = \"profile.toml\"\nmachine = \"drawn machine\"\n[ambient]\n\
             pressure_kpa = 100.0\ntemperature_c = 20.0\n[checks]\n{}[seals]\n{}{}",
            self.checks.lines(),
            self.seals,
            self.lines
        )
    }

    /// The same, read.
    pub(super) fn job(&self, profile: &Profile) -> Job {
        let text = self.text();
        Job::from_toml("job.toml", &text, profile)
            .unwrap_or_else(|e| panic!("the drawn job is sound: {e}\n{text}"))
    }
}

/// Random numbers of one job.
pub(super) struct Source {
    rng: StdRng,
}

impl Source {
    pub(super) fn seeded(seed: u64) -> Self {
        Self {
            rng: StdRng::seed_from_u64(seed),
        }
    }

    /// Normal about zero.
    pub(super) fn normal(&mut self, sd: f64) -> f64 {
        sd * self.rng.sample::<f64, _>(StandardNormal)
    }

    /// Even between two limits.
    pub(super) fn between(&mut self, lo: f64, hi: f64) -> f64 {
        lo + (hi - lo) * self.rng.random::<f64>()
    }

    /// True with probability `p`.
    pub(super) fn chance(&mut self, p: f64) -> bool {
        self.rng.random::<f64>() < p
    }

    /// -1 or 1.
    pub(super) fn sign(&mut self) -> f64 {
        if self.chance(0.5) { 1.0 } else { -1.0 }
    }

    /// Index drawn by weight.
    pub(super) fn pick(&mut self, weights: &[f64]) -> usize {
        let mut left = self.between(0.0, weights.iter().sum());
        for (i, w) in weights.iter().enumerate() {
            left -= w;
            if left < 0.0 {
                return i;
            }
        }
        weights.len() - 1
    }

    pub(super) fn each(&mut self, n: usize, mut f: impl FnMut(&mut Self) -> f64) -> Vec<f64> {
        (0..n).map(|_| f(self)).collect()
    }
}

/// Draws the job of one seed.
///
/// # Panics
/// If the drawn job is not a sound job file.
pub fn draw(seed: u64) -> Drawn {
    let mut own = Source {
        rng: StdRng::seed_from_u64(0xca11_0000 + seed),
    };
    let source = &mut own;
    let profile = profile(source);
    let mut machine = sound(source, &profile);
    let mut instruments = instruments(source, &profile);
    let (mut taken, evidence) = taken(source, &mut instruments, &profile);
    taken.lambda = source.chance(0.35);
    let faults = fault::put_in(source, &profile, &mut machine, &mut instruments);
    let seals = fault::seals(source, &profile, &mut machine, &faults);
    let zeroed = evidence == Evidence::Gauges && !taken.swapped && source.chance(0.7);
    let checks = Checks::made(source, &profile, &machine, &faults, zeroed);
    let readings = take(
        &machine,
        &instruments,
        &profile,
        taken,
        &points(taken),
        source,
    );
    let truth = Truth::of(
        &profile,
        &machine,
        evidence,
        taken,
        &checks,
        faults,
        &seals.put_back,
    );
    let visit = Visit {
        machine,
        instruments,
        taken,
        source: own,
        checks,
        seals: seals.text,
        lines: readings.lines,
    };
    Drawn {
        job: visit.job(&profile),
        profile,
        cycles: readings.cycles,
        truth,
        visit,
    }
}

/// An embedded profile with other dimensions: a rigid or one-way twin, now and then a triple.
pub(super) fn profile(source: &mut Source) -> Profile {
    let triple = source.chance(0.1);
    let (index, bore, stop) = if triple {
        (3, "38.0", "2.10")
    } else {
        (0, "46.0", "2.20")
    };
    let law = if source.chance(0.4) {
        "one-way"
    } else {
        "rigid"
    };
    let drawn_bore = source.between(36.0, if triple { 42.0 } else { 50.0 });
    let drawn_stop = source.between(1.9, 2.5);
    let put = |key: &str, value: f64| format!("{key} = {value:.2}");
    let text = builtin()[index]
        .toml
        .replace("\"rigid\"", &format!("\"{law}\""))
        .replace(&format!("bore_mm = {bore}"), &put("bore_mm", drawn_bore))
        .replace(
            &format!("stop_opening_deg = {stop}"),
            &put("stop_opening_deg", drawn_stop),
        );
    Profile::from_toml("profile.toml", &text).expect("an embedded profile with other dimensions")
}

/// A machine nobody has spoilt.
pub(super) fn sound(source: &mut Source, profile: &Profile) -> Machine {
    let n = profile.bodies().len();
    let b = &profile.body;
    let per_turn = profile.bleed.map_or(0.0, |x| x.area_mm2_per_turn);
    let per_step = profile.idle_valve.map_or(0.0, |v| v.area_mm2_per_step);
    let shut_deg = b.shut_angle_deg + source.normal(0.2);
    Machine {
        stop_deg: source.each(n, |s| s.normal(0.04)),
        link_deg: source.each(profile.couplings.len(), |s| s.normal(0.04)),
        leak_mm2: source.each(n, |s| s.between(0.2, 0.5)),
        leak_scatter: None,
        bleed_turns: source.each(n, |s| (0.5 + s.normal(0.05)).max(0.1)),
        bleed_mm2_per_turn: source.each(n, |s| per_turn * s.normal(0.1).exp()),
        valve_mm2_per_step: per_step * source.normal(0.1).exp(),
        valve_place: source.between(0.2, 0.4),
        plate: Plate::new(b.bore_mm * 1e-3, b.spindle_mm * 1e-3, shut_deg.to_radians())
            .expect("a plate"),
        discharge: source.normal(0.05).exp(),
        zero_v: source.normal(0.004),
        volts_slope: 1.0 + source.normal(0.01),
        breathing_kpa: source.each(n, |s| s.normal(0.3)),
        kpa_per_ln_area: 36.0 * source.normal(0.1).exp(),
        valve_stuck: None,
        hose_mm2: 0.0,
        cable_deg: None,
        bleed_blocked: None,
        volts_sd: 0.003,
        more_mm2: 0.0,
        speed_over_air: source.between(0.8, 1.2),
        lean: source.each(n, |s| s.normal(0.02)),
        lambda_level: source.normal(0.05) - 0.04,
    }
}

pub(super) fn instruments(source: &mut Source, profile: &Profile) -> Instruments {
    let n = profile.bodies().len();
    Instruments {
        ln_scale: source.normal(profile.refill.scale_sd_percent / 100.0),
        tilt: source.normal(0.01),
        heat_mm2: source.between(0.0, 0.45),
        ln_gain: source.each(n, |s| s.normal(0.004)),
        zero_kpa: source.each(n, |s| s.normal(0.17)),
        gauge_kpa: source
            .chance(0.5)
            .then(|| source.each(n, |s| s.normal(0.3))),
    }
}

/// What the visit measures.
fn taken(
    source: &mut Source,
    instruments: &mut Instruments,
    profile: &Profile,
) -> (Taken, Evidence) {
    let mut taken = Taken {
        recorded: true,
        bleeds_shut: true,
        sweep: true,
        volts: true,
        steps: true,
        swapped: false,
        lambda: false,
    };
    let kind = source.pick(&[0.7, 0.15, 0.15]);
    if kind == 0 {
        return (taken, Evidence::Full);
    }
    match source.pick(&[0.4, 0.2, 0.2, 0.2]) {
        0 => taken.sweep = false,
        1 => taken.volts = false,
        2 => taken.steps = false,
        _ => taken.bleeds_shut = false,
    }
    if kind == 1 {
        return (taken, Evidence::Thin);
    }
    let n = profile.bodies().len();
    taken.recorded = false;
    taken.swapped = n == 2 && source.chance(0.6);
    instruments.gauge_kpa = Some(source.each(n, |s| s.normal(0.3)));
    (taken, Evidence::Gauges)
}

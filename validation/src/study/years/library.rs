//! How much the shop's library narrows a baseline.

use std::fmt::Write as _;

use evenpull_diagnose::{Beside, Bike, Family, Lasting, assess_beside, sweep_points};

use super::super::chance::Chance;
use crate::calibration::{ShopFamily, ShopMachine};

/// Machines of the family on record.
const SIZES: [usize; 5] = [0, 1, 2, 3, 5];

/// One family: a machine with a moved stop, read beside ever more healthy ones.
#[derive(Debug, Clone, PartialEq)]
pub struct LibraryTrial {
    /// Half of the 90 % intervals of the plates' offsets, mean over the bodies, by number of machines [deg].
    pub half_deg: Vec<f64>,
    /// Whether each interval holds the truth, by number of machines.
    pub holds: Vec<Vec<bool>>,
}

/// Reads the machine of one family.
pub fn library_trial(seed: u64) -> LibraryTrial {
    let family = ShopFamily::of(300 + seed);
    let mut chance = Chance::of(8, seed);
    let bikes: Vec<Bike> = (0..SIZES[SIZES.len() - 1])
        .map(|i| healthy(&mut family.machine(i as u64), i))
        .collect();
    let mut spoilt = family.machine(99);
    let n = spoilt.profile.bodies().len();
    *spoilt.stop_deg(chance.one_of(n)) += chance.between(0.2, 0.6);
    if chance.chance(0.5) {
        *spoilt.zero_v() += chance.either(0.02, 0.05);
    }
    let truth = spoilt.offsets_deg();
    let (job, cycles) = spoilt.visit();
    let mut out = LibraryTrial {
        half_deg: Vec::new(),
        holds: Vec::new(),
    };
    for size in SIZES {
        let known = Family::of(&family.profile, &bikes[..size]);
        let beside = Beside {
            family: known.as_ref(),
            ..Beside::default()
        };
        let found = assess_beside(&job, &family.profile, &cycles, &beside);
        let halves = found
            .bodies
            .iter()
            .map(|b| 0.5 * (b.offset_deg.hi90 - b.offset_deg.lo90));
        out.half_deg.push(halves.sum::<f64>() / n as f64);
        let held = found.bodies.iter().zip(&truth);
        out.holds.push(
            held.map(|(b, t)| (b.offset_deg.lo90..=b.offset_deg.hi90).contains(t))
                .collect(),
        );
    }
    out
}

fn healthy(machine: &mut ShopMachine, number: usize) -> Bike {
    let (job, cycles) = machine.visit();
    let profile = &machine.profile;
    let lasting: Vec<Lasting> = Lasting::of_sound(&job, profile, &cycles)
        .into_iter()
        .collect();
    let sensor = profile.sensor;
    let closed = (job.readings.iter())
        .filter(|r| r.condition.throttle_shut())
        .filter_map(|r| Some(r.sensor_v? - sensor?.volts_at_stop));
    Bike {
        label: format!("machine {number}"),
        lasting,
        closed_v: closed.take(1).collect(),
        sweep: sweep_points(&job, profile, &cycles),
    }
}

/// As printed.
pub(super) fn text(trials: &[LibraryTrial]) -> String {
    let mut out = format!(
        "library, {} families\n  {:<12}{:>16}{:>20}{:>12}\n",
        trials.len(),
        "machines",
        "half 90 % deg",
        "over without, median",
        "held"
    );
    for (k, size) in SIZES.iter().enumerate() {
        let halves: Vec<f64> = trials.iter().map(|t| t.half_deg[k]).collect();
        let ratios: Vec<f64> = trials
            .iter()
            .map(|t| t.half_deg[k] / t.half_deg[0])
            .collect();
        let held: Vec<bool> = trials.iter().flat_map(|t| t.holds[k].clone()).collect();
        let share = held.iter().filter(|h| **h).count() as f64 / held.len().max(1) as f64;
        let _ = writeln!(
            out,
            "  {size:<12}{:>16.3}{:>20.2}{:>10.1} %",
            median(halves),
            median(ratios),
            100.0 * share
        );
    }
    out
}

fn median(mut values: Vec<f64>) -> f64 {
    values.sort_by(f64::total_cmp);
    values.get(values.len() / 2).copied().unwrap_or(f64::NAN)
}

//! How much the shop's library narrows a baseline.

use std::fmt::Write as _;

use evenpull_diagnose::{
    BaselineBody, Beside, Bike, Family, Lasting, LastingUnknown, Sampling, assess_beside,
    sweep_points,
};

use super::super::chance::Chance;
use crate::calibration::{ShopFamily, ShopMachine};

/// Machines of the family on record.
const SIZES: [usize; 5] = [0, 1, 2, 3, 5];

/// One family: a machine with a moved stop, read beside ever more healthy ones.
#[derive(Debug, Clone, PartialEq)]
pub struct LibraryTrial {
    /// The throttle sensor was moved as well, so that its volts tell nothing.
    pub sensor_moved: bool,
    /// The same beside the family as it was drawn: the least that any number of machines could leave.
    pub known_half_deg: Option<f64>,
    /// Half of the 90 % intervals of the plates over the working baseline, mean over the bodies, by
    /// number of machines [deg]; `None` where no baseline was given.
    pub half_deg: Vec<Option<f64>>,
    /// Whether each interval holds the truth, by number of machines.
    pub holds: Vec<Vec<bool>>,
    /// Standard deviation of the next machine's shut angle, by number of machines [deg].
    pub shut_deg: Vec<f64>,
}

/// Reads the machine of one family. Whoever turned a stop or the sensor broke its seal.
pub fn library_trial(seed: u64) -> LibraryTrial {
    let family = ShopFamily::of(300 + seed);
    let mut chance = Chance::of(8, seed);
    let bikes: Vec<Bike> = (0..SIZES[SIZES.len() - 1])
        .map(|i| healthy(&mut family.machine(i as u64), i))
        .collect();
    let mut spoilt = family.machine(99);
    let n = spoilt.profile.bodies().len();
    let body = chance.one_of(n);
    *spoilt.stop_deg(body) += chance.between(0.2, 0.6);
    let sensor_moved = seed.is_multiple_of(2);
    if sensor_moved {
        *spoilt.zero_v() += chance.either(0.02, 0.05);
    }
    let state = |broken: bool| if broken { "disturbed" } else { "intact" };
    let mut seals = format!("sensor = \"{}\"\n", state(sensor_moved));
    for (b, name) in spoilt.profile.bodies().iter().enumerate() {
        seals += &format!("\"stop.{name}\" = \"{}\"\n", state(b == body));
    }
    let truth = spoilt.offsets_deg();
    let (job, cycles) = spoilt.visit_with(&seals);
    let mut out = LibraryTrial {
        sensor_moved,
        known_half_deg: None,
        half_deg: Vec::new(),
        holds: Vec::new(),
        shut_deg: Vec::new(),
    };
    let families: Vec<Option<Family>> = (SIZES.iter())
        .map(|&size| Family::of(&family.profile, &bikes[..size]))
        .collect();
    let all = families.last().cloned().flatten().map(|f| family.known(f));
    for (k, known) in families.iter().chain([&all]).enumerate() {
        let beside = Beside {
            family: known.as_ref(),
            ..Beside::default()
        };
        let found = assess_beside(&job, &family.profile, &cycles, &beside, Sampling::Laplace);
        let bodies = found.baseline.map(|b| b.bodies);
        let half = |bodies: &Vec<BaselineBody>| {
            let halves = bodies
                .iter()
                .map(|b| 0.5 * (b.offset_deg.hi90 - b.offset_deg.lo90));
            halves.sum::<f64>() / n as f64
        };
        if k == SIZES.len() {
            out.known_half_deg = bodies.as_ref().map(half);
            continue;
        }
        out.half_deg.push(bodies.as_ref().map(half));
        let held = bodies.iter().flatten().zip(&truth);
        out.holds.push(
            held.map(|(b, t)| (b.offset_deg.lo90..=b.offset_deg.hi90).contains(t))
                .collect(),
        );
        let shut = known.iter().flat_map(|f| &f.values);
        let shut = shut
            .filter(|v| v.unknown == LastingUnknown::Shut)
            .map(|v| v.next_sd);
        out.shut_deg
            .push(shut.fold(f64::INFINITY, f64::min).min(0.2));
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
    let mut out = String::new();
    for (moved, what) in [(true, "sensor moved too"), (false, "sensor as it was")] {
        let own: Vec<&LibraryTrial> = trials.iter().filter(|t| t.sensor_moved == moved).collect();
        let _ = writeln!(
            out,
            "library, {} families, {what}\n  {:<10}{:>14}{:>21}{:>10}{:>11}{:>15}",
            own.len(),
            "machines",
            "half 90 % deg",
            "over without, median",
            "held",
            "given",
            "next shut deg"
        );
        let known = own.iter().filter_map(|t| t.known_half_deg).collect();
        let over = (own.iter()).filter_map(|t| Some(t.known_half_deg? / t.half_deg[0]?));
        let (known, over) = (median(known), median(over.collect()));
        for (k, size) in SIZES.iter().enumerate() {
            let halves: Vec<f64> = own.iter().filter_map(|t| t.half_deg[k]).collect();
            let ratios = own
                .iter()
                .filter_map(|t| Some(t.half_deg[k]? / t.half_deg[0]?));
            let held: Vec<bool> = own.iter().flat_map(|t| t.holds[k].clone()).collect();
            let share = held.iter().filter(|h| **h).count() as f64 / held.len().max(1) as f64;
            let _ = writeln!(
                out,
                "  {size:<10}{:>14.3}{:>21.2}{:>8.1} %{:>7} of {}{:>12.3}",
                median(halves.clone()),
                median(ratios.collect()),
                100.0 * share,
                halves.len(),
                own.len(),
                median(own.iter().map(|t| t.shut_deg[k]).collect())
            );
        }
        let _ = writeln!(out, "  {:<10}{known:>14.3}{over:>21.2}", "all");
    }
    out
}

fn median(mut values: Vec<f64>) -> f64 {
    values.sort_by(f64::total_cmp);
    values.get(values.len() / 2).copied().unwrap_or(f64::NAN)
}

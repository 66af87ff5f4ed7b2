//! What was done to the machine, and what of it is worth calling a fault.

use evenpull_diagnose::CauseCode;
use evenpull_job::{CouplingLaw, Profile};

use super::draw::{Evidence, Source};
use super::machine::Machine;
use super::readings::Instruments;

/// A fault with the body it sits on; a linkage fault has the driven body.
pub(super) type Fault = (CauseCode, Option<String>);

/// What was put in, for comparison.
#[derive(Debug, Clone)]
pub struct Truth {
    /// Kind of visit.
    pub evidence: Evidence,
    /// Faults worth more than the "good" limit, with the body they sit on.
    pub faults: Vec<(CauseCode, Option<String>)>,
    /// Causes that may be called either way: put in but worth less than the "good" limit, or not
    /// put in but scattered to between "good" and "act" (links and bleeds).
    pub arguable: Vec<CauseCode>,
    /// The linkage has one stop carry all plates.
    pub rigid: bool,
    /// Where each plate stands with the throttle shut over the baseline [deg].
    pub offset_deg: Vec<f64>,
    /// Leaks [mm2].
    pub leak_mm2: Vec<f64>,
    /// Bleeds [mm2].
    pub bleed_mm2: Vec<f64>,
}

/// Depression lost per degree of plate at idle [kPa], by the filling model: 1.4 kPa for 0.1 degree.
const KPA_PER_DEG_AT_IDLE: f64 = 14.0;

/// Depression lost at idle per mm2 over the idle through-area [kPa]: 1.4 kPa for 0.3 mm2 of 8 mm2.
const KPA_PER_LN_AREA_AT_IDLE: f64 = 37.0;

/// Leak, bleed and idle valve of a sound body at idle [mm2].
const BESIDE_PLATE_MM2: f64 = 3.0;

/// What a sound body lets by [mm2].
const SOUND_LEAK_MM2: f64 = 0.35;

/// What was done to the machine, by how often a shop asked about uneven running meets it (assumed).
pub(super) fn put_in(
    source: &mut Source,
    profile: &Profile,
    machine: &mut Machine,
    instruments: &mut Instruments,
) -> Vec<Fault> {
    let side = source.pick(&vec![1.0; profile.bodies().len()]);
    let name = Some(profile.bodies()[side].clone());
    match source.pick(&[0.3, 0.2, 0.2, 0.1, 0.03, 0.06, 0.04, 0.07]) {
        0 => Vec::new(),
        1 => vec![balance(source, profile, machine)],
        2 => vec![leak(source, side, name, machine)],
        3 => vec![stop(source, side, name, machine)],
        4 => {
            let deg = source.sign() * source.between(0.4, 1.0);
            machine.zero_v += profile.sensor.map_or(0.0, |s| s.volts_per_deg) * deg;
            vec![(CauseCode::SensorShifted, None)]
        }
        5 => {
            machine.bleed_turns[side] += source.between(0.4, 1.0);
            // Judged by what the bleeds pass, see `Truth::of`.
            Vec::new()
        }
        6 => {
            let kpa = source.sign() * source.between(1.5, 5.0);
            // Where there are gauges one of them is off, else a sensor lost its zero.
            match &mut instruments.gauge_kpa {
                Some(gauges) => gauges[side] += kpa,
                None => instruments.zero_kpa[side] += kpa,
            }
            vec![(CauseCode::GaugeFault, None)]
        }
        _ => vec![
            balance(source, profile, machine),
            leak(source, side, name, machine),
        ],
    }
}

fn balance(source: &mut Source, profile: &Profile, machine: &mut Machine) -> Fault {
    let c = source.pick(&vec![1.0; profile.couplings.len()]);
    machine.link_deg[c] = source.sign() * source.between(0.1, 0.8);
    let driven = profile.couplings[c].driven[0];
    (
        CauseCode::BalanceOff,
        Some(profile.bodies()[driven].clone()),
    )
}

fn leak(source: &mut Source, side: usize, name: Option<String>, machine: &mut Machine) -> Fault {
    machine.leak_mm2[side] = source.between(0.8, 5.0);
    if source.chance(0.5) {
        machine.leak_scatter = Some((side, source.between(0.05, 0.25)));
        (CauseCode::SpindleWear, name)
    } else {
        (CauseCode::StubLeak, name)
    }
}

fn stop(source: &mut Source, side: usize, name: Option<String>, machine: &mut Machine) -> Fault {
    let deg = source.between(0.2, 1.0);
    if source.chance(0.65) {
        machine.stop_deg[side] += deg;
        (CauseCode::StopIn, name)
    } else {
        machine.stop_deg[side] -= deg;
        (CauseCode::StopOut, name)
    }
}

/// Words of the seals section: a stop that was turned mostly shows it, now and then a seal is
/// broken for another reason, and a good part cannot be seen.
pub(super) fn seals(source: &mut Source, profile: &Profile, faults: &[Fault]) -> String {
    let words = ["disturbed", "cannot see", "intact"];
    let turned = |b: &String| {
        faults.iter().any(|(code, body)| {
            matches!(code, CauseCode::StopIn | CauseCode::StopOut) && body.as_ref() == Some(b)
        })
    };
    let mut text = String::new();
    for b in profile.bodies() {
        let odds = if turned(b) {
            [0.65, 0.3, 0.05]
        } else {
            [0.05, 0.3, 0.65]
        };
        let stop = words[source.pick(&odds)];
        let link = words[source.pick(&[0.02, 0.3, 0.68])];
        text += &format!("\"stop.{b}\" = \"{stop}\"\n\"link.{b}\" = \"{link}\"\n");
    }
    text
}

impl Truth {
    /// Sorts what was put in by what it is worth in depression.
    pub(super) fn of(
        profile: &Profile,
        machine: &Machine,
        evidence: Evidence,
        put_in: Vec<Fault>,
    ) -> Self {
        let base = profile.body.stop_opening_deg;
        let open = machine.openings_deg(profile, None);
        let offset_deg: Vec<f64> = open.iter().map(|o| o - base).collect();
        let area = machine.plate_mm2(profile, base) + BESIDE_PLATE_MM2;
        let per_mm2 = KPA_PER_LN_AREA_AT_IDLE / area;
        let tolerance = profile.tolerance;
        let rigid = profile.couplings[0].law == CouplingLaw::Rigid;
        let bleed_mm2: Vec<f64> = (0..open.len()).map(|b| machine.bleed_mm2(b)).collect();
        let (mut faults, mut arguable) = (Vec::new(), Vec::new());
        for (code, body) in put_in.clone() {
            let b = body.as_ref().and_then(|b| profile.body_index(b));
            let worth_kpa = match (code, b) {
                // Judged below, with the links that nobody touched.
                (CauseCode::BalanceOff, _) => continue,
                // A stop that was backed out shows as far as its plate came down with it.
                (CauseCode::StopOut, Some(b)) => KPA_PER_DEG_AT_IDLE * -offset_deg[b],
                (CauseCode::StopIn, Some(b)) => KPA_PER_DEG_AT_IDLE * offset_deg[b],
                (CauseCode::SpindleWear | CauseCode::StubLeak, Some(b)) => {
                    per_mm2 * (machine.leak_mm2[b] - SOUND_LEAK_MM2)
                }
                _ => f64::INFINITY,
            };
            if worth_kpa > tolerance.good_kpa {
                faults.push((code, body));
            } else {
                arguable.push(code);
            }
        }
        for (c, link) in profile.couplings.iter().zip(&machine.link_deg) {
            let worth_kpa = KPA_PER_DEG_AT_IDLE * link.abs();
            let body = Some(profile.bodies()[c.driven[0]].clone());
            let fault = (CauseCode::BalanceOff, body);
            let touched = put_in.contains(&fault);
            if worth_kpa
                > if touched {
                    tolerance.good_kpa
                } else {
                    tolerance.act_kpa
                }
            {
                faults.push(fault);
            } else if worth_kpa > tolerance.good_kpa {
                arguable.push(CauseCode::BalanceOff);
            }
        }
        let high = bleed_mm2.iter().copied().fold(0.0, f64::max);
        let low = bleed_mm2.iter().copied().fold(f64::INFINITY, f64::min);
        let apart_kpa = per_mm2 * (high - low);
        if apart_kpa > tolerance.act_kpa {
            faults.push((CauseCode::BleedUnequal, None));
        } else if apart_kpa > tolerance.good_kpa {
            arguable.push(CauseCode::BleedUnequal);
        }
        Self {
            evidence,
            faults,
            arguable,
            rigid,
            offset_deg,
            leak_mm2: machine.leak_mm2.clone(),
            bleed_mm2,
        }
    }
}

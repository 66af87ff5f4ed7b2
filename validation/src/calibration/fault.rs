//! What was done to the machine, and what of it is worth calling a fault.

use evenpull_diagnose::CauseCode;
use evenpull_job::{CouplingLaw, Profile, Tolerance};

use super::checks::Checks;
use super::draw::{Evidence, Source};
use super::machine::Machine;
use super::readings::{Instruments, Taken};

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
    /// put in but scattered to between "good" and "act" (links, bleeds, stops put back by eye).
    pub arguable: Vec<CauseCode>,
    /// Links and bleeds that are off by more than the assessment's own limit for calling them so,
    /// whoever did it: "good" for links, midway to "act" for bleeds; and stops that were turned, whether a
    /// plate follows them or not, put back by eye or not: what the stated probability of each is of.
    pub graded: Vec<(CauseCode, Option<String>)>,
    /// The linkage has one stop carry all plates.
    pub rigid: bool,
    /// Where each plate stands with the throttle shut over the baseline [deg].
    pub offset_deg: Vec<f64>,
    /// Leaks [mm2].
    pub leak_mm2: Vec<f64>,
    /// Bleeds [mm2].
    pub bleed_mm2: Vec<f64>,
}

/// Depressions above which something that is off counts [kPa].
struct Counts {
    /// As one of [`Truth::arguable`], up to the fault.
    arguable_kpa: f64,
    /// As one of [`Truth::graded`].
    graded_kpa: f64,
    /// As one of [`Truth::faults`].
    fault_kpa: f64,
}

/// Causes of [`Truth::graded`].
pub(super) const GRADED: [CauseCode; 4] = [
    CauseCode::BalanceOff,
    CauseCode::BleedUnequal,
    CauseCode::StopIn,
    CauseCode::StopOut,
];

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
    // The last stands for the twelve that are met less often.
    let first = source.pick(&[0.35, 0.15, 0.15, 0.02, 0.03, 0.05, 0.04, 0.05, 0.16]);
    let mut faults = match first {
        0 => Vec::new(),
        1 => vec![balance(source, profile, machine)],
        2 => vec![leak(source, side, name.clone(), machine)],
        3 => vec![stop(source, side, name.clone(), machine)],
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
        7 => vec![
            balance(source, profile, machine),
            leak(source, side, name.clone(), machine),
        ],
        _ => rarer(source, profile, machine, side, name.clone()),
    };
    if source.chance(STOP_BESIDE) && !faults.iter().any(|f| holds_plates(f.0)) {
        faults.push(stop(source, side, name, machine));
    }
    faults
}

/// Chance that a stop was turned on a machine whatever else is the matter with it: who turns one screw often turns
/// the next; assumed.
const STOP_BESIDE: f64 = 0.14;

/// Faults of what the plates rest on.
fn holds_plates(code: CauseCode) -> bool {
    use CauseCode::{CableTight, StopIn, StopOut};
    matches!(code, StopIn | StopOut | CableTight)
}

/// Valves, compression, spark, injectors, filter, idle valve, idle hose, bleed, cable, sensor track.
fn rarer(
    source: &mut Source,
    profile: &Profile,
    machine: &mut Machine,
    side: usize,
    name: Option<String>,
) -> Vec<Fault> {
    let full_mm2 = profile
        .idle_valve
        .map_or(0.0, |v| f64::from(v.steps) * v.area_mm2_per_step);
    let fault = match source.pick(&[1.0; 12]) {
        // Shown by the feeler gauge alone.
        0 => (CauseCode::ValveTight, name),
        1 => (CauseCode::ValveLoose, name),
        2 => {
            machine.more_mm2 = source.between(0.5, 3.0);
            (CauseCode::CompressionLow, name)
        }
        3 => {
            machine.more_mm2 = source.between(1.0, 5.0);
            machine.lean[side] += source.between(0.08, 0.25);
            (CauseCode::SparkWeak, name)
        }
        4 => {
            machine.more_mm2 = source.between(0.0, 2.0);
            machine.lean[side] += source.sign() * source.between(0.1, 0.3);
            (CauseCode::InjectorUnequal, name)
        }
        5 => {
            machine.more_mm2 = source.between(0.3, 3.0);
            (CauseCode::FilterBlocked, None)
        }
        6 => {
            machine.valve_stuck = Some(source.between(0.6, 1.0));
            (CauseCode::IdleValveStuckOpen, None)
        }
        7 => {
            machine.valve_stuck = Some(source.between(0.0, 0.08));
            (CauseCode::IdleValveStuckShut, None)
        }
        8 => {
            machine.hose_mm2 = full_mm2 * source.between(0.2, 0.9);
            (CauseCode::IdleAirHose, None)
        }
        9 => {
            machine.bleed_blocked = Some(side);
            (CauseCode::BleedBlocked, name)
        }
        10 => {
            machine.cable_deg = Some(source.between(0.2, 1.0));
            let drive = profile.couplings[0].driver;
            (CauseCode::CableTight, Some(profile.bodies()[drive].clone()))
        }
        _ => {
            machine.volts_sd = source.between(0.02, 0.1);
            (CauseCode::SensorWorn, None)
        }
    };
    vec![fault]
}

/// A channel that tells of the fault was taken.
fn tellable(code: CauseCode, taken: Taken, checks: &Checks) -> bool {
    match code {
        CauseCode::ValveTight | CauseCode::ValveLoose => checks.clearances.is_some(),
        CauseCode::CompressionLow => {
            checks.compression_kpa.is_some() || checks.leak_down_percent.is_some()
        }
        CauseCode::SparkWeak | CauseCode::InjectorUnequal => taken.lambda,
        CauseCode::FilterBlocked => checks.lid_changes == Some(true),
        CauseCode::IdleValveStuckOpen | CauseCode::IdleValveStuckShut => taken.steps,
        // Without one the valve closes and all looks as on a machine that asks for little.
        CauseCode::IdleAirHose => taken.steps && taken.volts,
        CauseCode::BleedBlocked => taken.bleeds_shut,
        CauseCode::CableTight => checks.cable_slack == Some(false),
        CauseCode::SensorWorn => taken.volts && taken.sweep,
        // Volts are all that a sensor which slipped changes.
        CauseCode::SensorShifted => taken.volts,
        _ => true,
    }
}

/// Causes that a machine may be said to have when a fault was put in that nothing at hand tells of.
fn stand_ins(code: CauseCode) -> &'static [CauseCode] {
    use CauseCode::{
        BleedUnequal, CableTight, CompressionLow, FilterBlocked, IdleAirHose, IdleValveStuckOpen,
        IdleValveStuckShut, InjectorUnequal, SensorShifted, SensorWorn, SparkWeak, StopIn, StopOut,
        StopsBoth,
    };
    match code {
        CompressionLow | SparkWeak | InjectorUnequal | FilterBlocked => &[
            CompressionLow,
            SparkWeak,
            InjectorUnequal,
            FilterBlocked,
            IdleValveStuckShut,
        ],
        CableTight => &[StopIn, StopsBoth],
        IdleAirHose | IdleValveStuckOpen => &[IdleAirHose, IdleValveStuckOpen, StopIn, StopsBoth],
        IdleValveStuckShut => &[SparkWeak],
        CauseCode::BleedBlocked => &[BleedUnequal, StopOut],
        SensorWorn => &[SensorShifted],
        _ => &[],
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

/// Seals as they are found, and stops that somebody turned and put back by eye.
pub(super) struct Seals {
    /// Words of the seals section.
    pub(super) text: String,
    /// Bodies whose stop was put back.
    pub(super) put_back: Vec<usize>,
}

/// How far a stop that was put back by eye may be from where it was [deg]: a sixteenth of a turn of a screw of half
/// a millimetre a turn on an arm of 15 mm is 0.12; assumed.
const BY_EYE_DEG: f64 = 0.2;

/// What is off by more counts as a moved stop, as the assessment says it of a stop with a broken seal [deg].
const MOVED_DEG: f64 = 0.12;

/// Looks at the seals: a stop that was turned mostly shows it, and a good part cannot be seen. Now and then the seal
/// of another is broken: half of them flaked off, the others were turned and put back by eye.
pub(super) fn seals(
    source: &mut Source,
    profile: &Profile,
    machine: &mut Machine,
    faults: &[Fault],
) -> Seals {
    let words = ["disturbed", "cannot see", "intact"];
    let turned = |b: &String| {
        faults.iter().any(|(code, body)| {
            matches!(code, CauseCode::StopIn | CauseCode::StopOut) && body.as_ref() == Some(b)
        })
    };
    let mut seals = Seals {
        text: String::new(),
        put_back: Vec::new(),
    };
    for (i, b) in profile.bodies().iter().enumerate() {
        let by_fault = turned(b);
        let odds = if by_fault {
            [0.65, 0.3, 0.05]
        } else {
            [0.05, 0.3, 0.65]
        };
        let stop = source.pick(&odds);
        if stop == 0 && !by_fault && source.chance(0.5) {
            machine.stop_deg[i] += source.between(-BY_EYE_DEG, BY_EYE_DEG);
            seals.put_back.push(i);
        }
        let (stop, link) = (words[stop], words[source.pick(&[0.02, 0.3, 0.68])]);
        seals.text += &format!("\"stop.{b}\" = \"{stop}\"\n\"link.{b}\" = \"{link}\"\n");
    }
    seals
}

impl Truth {
    /// Sorts what was put in by what it is worth in depression.
    pub(super) fn of(
        profile: &Profile,
        machine: &Machine,
        evidence: Evidence,
        taken: Taken,
        checks: &Checks,
        put_in: Vec<Fault>,
        put_back: &[usize],
    ) -> Self {
        let base = profile.body.stop_opening_deg;
        let open = machine.openings_deg(profile, None);
        let offset_deg: Vec<f64> = open.iter().map(|o| o - base).collect();
        let area = machine.plate_mm2(profile, base) + BESIDE_PLATE_MM2;
        let per_mm2 = machine.kpa_per_ln_area / area;
        let step_deg = 0.05;
        let plate_mm2 = |deg: f64| machine.plate_mm2(profile, deg);
        let slope = (plate_mm2(base + step_deg) - plate_mm2(base - step_deg)) / (2.0 * step_deg);
        let per_deg = machine.kpa_per_ln_area * slope / area;
        let tolerance = profile.tolerance;
        let rigid = profile.couplings[0].law == CouplingLaw::Rigid;
        let (mut faults, mut arguable, mut graded) = (Vec::new(), Vec::new(), Vec::new());
        for (code, body) in put_in.clone() {
            let b = body.as_ref().and_then(|b| profile.body_index(b));
            if matches!(code, CauseCode::StopIn | CauseCode::StopOut) {
                // Its probability is that of the turned stop, whether a plate follows it or not.
                graded.push((code, body.clone()));
            }
            let worth_kpa = match (code, b) {
                // Judged below, with the links that nobody touched.
                (CauseCode::BalanceOff, _) => continue,
                // A stop that was backed out shows as far as its plate came down with it.
                (CauseCode::StopOut, Some(b)) => per_deg * -offset_deg[b],
                (CauseCode::StopIn, Some(b)) => per_deg * offset_deg[b],
                (CauseCode::SpindleWear | CauseCode::StubLeak, Some(b)) => {
                    per_mm2 * (machine.leak_mm2[b] - SOUND_LEAK_MM2)
                }
                (CauseCode::CableTight, Some(b)) => per_deg * offset_deg[b],
                // Within what engines differ by; the valve sees to it.
                (CauseCode::IdleAirHose, _) if machine.hose_mm2 < 0.25 * area => 0.0,
                _ => f64::INFINITY,
            };
            if !tellable(code, taken, checks) {
                arguable.push(code);
                arguable.extend(stand_ins(code));
            } else if worth_kpa > tolerance.good_kpa {
                faults.push((code, body));
            } else {
                arguable.push(code);
            }
        }
        let mut truth = Self {
            evidence,
            faults,
            arguable,
            graded,
            rigid,
            offset_deg,
            leak_mm2: machine.leak_mm2.clone(),
            bleed_mm2: (0..open.len()).map(|b| machine.bleed_mm2(b)).collect(),
        };
        for &b in put_back {
            let (off_deg, offset_deg) = (machine.stop_deg[b], truth.offset_deg[b]);
            let (code, worth_kpa) = if off_deg > 0.0 {
                (CauseCode::StopIn, per_deg * offset_deg)
            } else {
                (CauseCode::StopOut, per_deg * -offset_deg)
            };
            let moved = off_deg.abs() > MOVED_DEG;
            let counts = Counts {
                arguable_kpa: if moved {
                    f64::NEG_INFINITY
                } else {
                    tolerance.good_kpa
                },
                graded_kpa: if moved {
                    f64::NEG_INFINITY
                } else {
                    f64::INFINITY
                },
                fault_kpa: tolerance.act_kpa,
            };
            let fault = (code, Some(profile.bodies()[b].clone()));
            truth.sort(fault, worth_kpa, counts);
        }
        for (c, link) in profile.couplings.iter().zip(&machine.link_deg) {
            let body = Some(profile.bodies()[c.driven[0]].clone());
            let fault = (CauseCode::BalanceOff, body);
            let touched = put_in.contains(&fault);
            truth.sort_link(tolerance, fault, per_deg * link.abs(), touched);
        }
        // One that is blocked was judged above.
        if machine.bleed_blocked.is_none() {
            truth.sort_bleeds(tolerance, per_mm2);
        }
        truth
    }

    /// Sorts a link that is `worth_kpa` off; `touched`: somebody altered it.
    pub(super) fn sort_link(
        &mut self,
        tolerance: Tolerance,
        fault: Fault,
        worth_kpa: f64,
        touched: bool,
    ) {
        let counts = Counts {
            arguable_kpa: tolerance.good_kpa,
            graded_kpa: tolerance.good_kpa,
            fault_kpa: if touched {
                tolerance.good_kpa
            } else {
                tolerance.act_kpa
            },
        };
        self.sort(fault, worth_kpa, counts);
    }

    /// Sorts how far the bleeds of this machine are apart.
    pub(super) fn sort_bleeds(&mut self, tolerance: Tolerance, kpa_per_mm2: f64) {
        let high = self.bleed_mm2.iter().copied().fold(0.0, f64::max);
        let low = (self.bleed_mm2.iter().copied()).fold(f64::INFINITY, f64::min);
        let counts = Counts {
            arguable_kpa: tolerance.good_kpa,
            graded_kpa: 0.5 * (tolerance.good_kpa + tolerance.act_kpa),
            fault_kpa: tolerance.act_kpa,
        };
        let fault = (CauseCode::BleedUnequal, None);
        self.sort(fault, kpa_per_mm2 * (high - low), counts);
    }

    fn sort(&mut self, fault: Fault, worth_kpa: f64, counts: Counts) {
        if worth_kpa > counts.graded_kpa {
            self.graded.push(fault.clone());
        }
        if worth_kpa > counts.fault_kpa {
            self.faults.push(fault);
        } else if worth_kpa > counts.arguable_kpa {
            self.arguable.push(fault.0);
        }
    }
}

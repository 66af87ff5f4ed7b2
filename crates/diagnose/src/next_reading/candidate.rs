//! Tests of the trade: what they are, what they cost, what they answer to.
//!
//! Minutes and chances are common practice, no source.

use evenpull_job::{Condition, Job, PerBody, Profile, Seal, SealState};

use super::foresee::Foreseen;
use super::{count, holds};
use crate::assessment::{CauseCode, ReadingKind};
use crate::evidence::Evidence;
use crate::hypothesis::Fault;

/// A reading or test that may come next.
pub(super) struct Candidate {
    pub(super) kind: ReadingKind,
    pub(super) what: &'static str,
    pub(super) why: &'static str,
    pub(super) minutes: f64,
    pub(super) tells: Tells,
}

/// How a test tells.
#[derive(Clone, Copy)]
pub(super) enum Tells {
    /// By numbers that the forward model foresees.
    Numbers(Foreseen),
    /// By one of several words; the chance of each for the faults there and the number of bodies.
    Words(fn(&[Fault], usize) -> Vec<f64>),
}

/// Chances of "nothing" and of each body answering, when a test answers to `codes` on a body with
/// the chance `hit` and to nothing with the chance `false_alarm`.
fn by_body(
    label: &[Fault],
    bodies: usize,
    codes: &[(CauseCode, f64)],
    false_alarm: f64,
) -> Vec<f64> {
    let answers: Vec<f64> = (0..bodies)
        .map(|b| {
            codes
                .iter()
                .filter(|(code, _)| holds(label, *code, Some(b)))
                .map(|(_, hit)| *hit)
                .fold(false_alarm, f64::max)
        })
        .collect();
    // Every pattern of bodies that answer or do not.
    (0..1_usize << bodies.min(6))
        .map(|pattern| {
            answers
                .iter()
                .enumerate()
                .map(|(b, p)| if pattern >> b & 1 == 1 { *p } else { 1.0 - p })
                .product()
        })
        .collect()
}

/// Chances of "no" and "yes".
fn yes(there: bool, hit: f64, false_alarm: f64) -> Vec<f64> {
    let p = if there { hit } else { false_alarm };
    vec![1.0 - p, p]
}

use CauseCode as C;

pub(super) const CANDIDATES: [Candidate; 19] = [
    Candidate {
        kind: ReadingKind::BleedsShut,
        what: "shut the bleeds, counting the turns, and read idle again",
        why: "a difference that goes with the bleeds shut is theirs; one that stays is not",
        minutes: 4.0,
        tells: Tells::Numbers(Foreseen::BleedsShut),
    },
    Candidate {
        kind: ReadingKind::Sweep,
        what: "read steady openings at 2,000, 2,500 and 3,000 rpm and in the hold band, with raw sensor volts",
        why: "a leak adds the same area everywhere, a plate offset grows with the opening, a follower's stop fades off idle",
        minutes: 8.0,
        tells: Tells::Numbers(Foreseen::Sweep),
    },
    Candidate {
        kind: ReadingKind::SwapGauges,
        what: "swap the gauge hoses side to side, and read again",
        why: "a gauge error stays with the gauge, a true difference with the cylinder",
        minutes: 3.0,
        tells: Tells::Numbers(Foreseen::SwapGauges),
    },
    Candidate {
        kind: ReadingKind::SwapSensors,
        what: "swap the pressure sensors side to side, and read idle again",
        why: "a sensor's error stays with the sensor, a true difference with the cylinder",
        minutes: 4.0,
        tells: Tells::Numbers(Foreseen::SwapSensors),
    },
    Candidate {
        kind: ReadingKind::PinchIdleValve,
        what: "pinch the idle-air hoses at the bodies and read idle again",
        why: "what goes with the pinch came through the idle valve or its hoses",
        minutes: 4.0,
        tells: Tells::Numbers(Foreseen::PinchIdleValve),
    },
    Candidate {
        kind: ReadingKind::KnownJet,
        what: "let a jet of known bore in on one stub and read idle again",
        why: "a known area tells how large the others really are",
        minutes: 6.0,
        tells: Tells::Numbers(Foreseen::Jet),
    },
    Candidate {
        kind: ReadingKind::RepeatAfterBlips,
        what: "read idle three times more, with three blips before each",
        why: "a stub leak repeats between blips, a worn spindle settles elsewhere",
        minutes: 4.0,
        tells: Tells::Numbers(Foreseen::Repeat),
    },
    Candidate {
        kind: ReadingKind::SprayStub,
        what: "with the engine idling, spray or smoke the inlet stubs",
        why: "a stub leak answers to it, a worn spindle does not",
        minutes: 3.0,
        tells: Tells::Words(|l, n| by_body(l, n, &[(C::StubLeak, 0.9)], 0.03)),
    },
    Candidate {
        kind: ReadingKind::RockSpindle,
        what: "rock the spindles and measure their play",
        why: "a worn spindle rocks, a leaking stub does not",
        minutes: 4.0,
        tells: Tells::Words(|l, n| by_body(l, n, &[(C::SpindleWear, 0.85)], 0.05)),
    },
    Candidate {
        kind: ReadingKind::LinkOff,
        what: "look at the seals of stops and links and their lock nuts, take the link off and see which plate rests on its stop",
        why: "a rigid link hides which stop carries, and an altered link acts like a balance adjuster that is off",
        minutes: 8.0,
        tells: Tells::Words(|l, n| {
            let stops = by_body(
                l,
                n,
                &[(C::StopIn, 0.85), (C::StopOut, 0.6), (C::StopsBoth, 0.7)],
                0.05,
            );
            let link = yes(holds(l, C::LinkAltered, None), 0.85, 0.05);
            stops
                .iter()
                .flat_map(|s| link.iter().map(move |x| s * x))
                .collect()
        }),
    },
    Candidate {
        kind: ReadingKind::LeakDown,
        what: "leak-down of every cylinder",
        why: "rings and valves that leak show there whatever the throttle bodies do",
        minutes: 15.0,
        tells: Tells::Words(|l, n| {
            by_body(
                l,
                n,
                &[(C::CompressionLow, 0.9), (C::ValveTight, 0.5)],
                0.04,
            )
        }),
    },
    Candidate {
        kind: ReadingKind::Compression,
        what: "compression of every cylinder, throttle fully open",
        why: "a weak cylinder can sit at equal depression",
        minutes: 10.0,
        tells: Tells::Words(|l, n| {
            by_body(
                l,
                n,
                &[(C::CompressionLow, 0.85), (C::ValveTight, 0.4)],
                0.03,
            )
        }),
    },
    Candidate {
        kind: ReadingKind::Clearances,
        what: "valve clearances, stone cold",
        why: "a tight valve leaks like low compression; the feeler gauge parts them",
        minutes: 30.0,
        tells: Tells::Words(|l, n| {
            by_body(l, n, &[(C::ValveTight, 0.95), (C::ValveLoose, 0.95)], 0.03)
        }),
    },
    Candidate {
        kind: ReadingKind::LambdaPerPipe,
        what: "lambda or CO of each pipe at hold",
        why: "an injector that is off makes one pipe lean or rich although the air is even; a misfire reads falsely lean",
        minutes: 6.0,
        tells: Tells::Words(|l, n| {
            by_body(
                l,
                n,
                &[(C::InjectorUnequal, 0.9), (C::SparkWeak, 0.6)],
                0.04,
            )
        }),
    },
    Candidate {
        kind: ReadingKind::SwapIgnition,
        what: "swap coil and plug side to side and read lambda of each pipe again",
        why: "a weak spark goes with the coil or plug, an injector's error stays",
        minutes: 12.0,
        tells: Tells::Words(|l, n| by_body(l, n, &[(C::SparkWeak, 0.85)], 0.04)),
    },
    Candidate {
        kind: ReadingKind::LidOff,
        what: "hold steady, take the airbox lid and filter off and on",
        why: "a blocked filter answers to it",
        minutes: 3.0,
        tells: Tells::Words(|l, _| yes(holds(l, C::FilterBlocked, None), 0.85, 0.05)),
    },
    Candidate {
        kind: ReadingKind::SlowSensorSweep,
        what: "note the raw sensor volts after five snaps shut, then open slowly and watch them",
        why: "a worn track jumps or drops out, most of all near idle",
        minutes: 4.0,
        tells: Tells::Words(|l, _| yes(holds(l, C::SensorWorn, None), 0.85, 0.04)),
    },
    Candidate {
        kind: ReadingKind::CableSlack,
        what: "look for slack in the cable with the bars lock to lock, fast-idle lever off",
        why: "a tight cable holds the plates open as a stop does that was turned in",
        minutes: 1.0,
        tells: Tells::Words(|l, _| yes(holds(l, C::CableTight, None), 0.95, 0.03)),
    },
    Candidate {
        kind: ReadingKind::IdleHoses,
        what: "spray or smoke the idle valve's hoses, then unplug the valve and watch the speed",
        why: "a split hose answers to the spray; a stuck valve does not answer to its plug",
        minutes: 4.0,
        tells: Tells::Words(|l, _| {
            let hose = yes(holds(l, C::IdleAirHose, None), 0.9, 0.03);
            let stuck =
                holds(l, C::IdleValveStuckOpen, None) || holds(l, C::IdleValveStuckShut, None);
            let valve = yes(stuck, 0.85, 0.05);
            hose.iter()
                .flat_map(|h| valve.iter().map(move |v| h * v))
                .collect()
        }),
    },
];

/// How instruments are swapped on so many bodies, see [`evenpull_job::instrument_on`].
pub(super) fn swap(what: &str, bodies: usize) -> String {
    if bodies > 2 {
        format!("move each of the {what} on to the next body, the last to the first")
    } else {
        format!("swap the {what} side to side")
    }
}

impl Candidate {
    /// What to do, on so many bodies; what the job has noted is not asked for again.
    pub(super) fn what(&self, bodies: usize, job: &Job) -> String {
        let stop = |s: &&Seal| s.part.starts_with("stop.") && s.state != SealState::CannotSee;
        let stops_seen = job.seals.iter().filter(stop).count() >= bodies;
        match self.kind {
            ReadingKind::LinkOff if stops_seen => {
                "take the link off and see which plate rests on its stop, and look at the lock nuts of stops and links"
                    .to_owned()
            }
            ReadingKind::SwapGauges if bodies > 2 => {
                format!("{}, and read again", swap("gauge hoses", bodies))
            }
            ReadingKind::SwapSensors if bodies > 2 => {
                format!("{}, and read idle again", swap("pressure sensors", bodies))
            }
            ReadingKind::SwapIgnition if bodies > 2 => {
                "exchange coil and plug with another cylinder's and read lambda of each pipe again"
                    .to_owned()
            }
            _ => self.what.to_owned(),
        }
    }

    /// Done already, as far as the job says.
    pub(super) fn done(&self, job: &Job, evidence: &Evidence) -> bool {
        let checks = &job.checks;
        let full = |given: Option<bool>| given == Some(true);
        match self.kind {
            ReadingKind::BleedsShut => count(evidence, Condition::IdleBleedsShut) > 0,
            ReadingKind::Sweep => count(evidence, Condition::Sweep) >= 3,
            ReadingKind::SwapGauges => job.readings.iter().any(|r| r.swapped),
            ReadingKind::SwapSensors => job.readings.iter().any(|r| r.swapped),
            ReadingKind::PinchIdleValve => evidence.points.iter().any(|p| p.valve_pinched),
            ReadingKind::KnownJet => job.readings.iter().any(|r| r.jet.is_some()),
            ReadingKind::RepeatAfterBlips => count(evidence, Condition::Idle) >= 4,
            ReadingKind::SprayStub => full(checks.stub_spray.as_ref().map(PerBody::is_complete)),
            ReadingKind::RockSpindle => {
                full(checks.spindle_play_mm.as_ref().map(PerBody::is_complete))
            }
            ReadingKind::LeakDown => {
                full(checks.leak_down_percent.as_ref().map(PerBody::is_complete))
            }
            ReadingKind::Compression => {
                full(checks.compression_kpa.as_ref().map(PerBody::is_complete))
            }
            ReadingKind::Clearances => full(checks.clearances.as_ref().map(PerBody::is_complete)),
            ReadingKind::LambdaPerPipe => job.readings.iter().any(|r| r.lambda.is_some()),
            // Tells nothing before a pipe was seen to be off.
            ReadingKind::SwapIgnition => !job.readings.iter().any(|r| r.lambda.is_some()),
            ReadingKind::LidOff => checks.lid_off.is_some(),
            ReadingKind::SlowSensorSweep => !checks.snap_shut_v.is_empty(),
            ReadingKind::CableSlack => checks.cable_slack.is_some(),
            _ => false,
        }
    }

    /// The machine has what the test is about.
    pub(super) fn possible(&self, profile: &Profile) -> bool {
        match self.kind {
            ReadingKind::BleedsShut => profile.bleed.is_some(),
            ReadingKind::PinchIdleValve | ReadingKind::IdleHoses => profile.idle_valve.is_some(),
            ReadingKind::SlowSensorSweep => profile.sensor.is_some(),
            ReadingKind::LinkOff => !profile.couplings.is_empty(),
            ReadingKind::SwapGauges | ReadingKind::SwapSensors | ReadingKind::SwapIgnition => {
                profile.bodies().len() > 1
            }
            _ => true,
        }
    }
}

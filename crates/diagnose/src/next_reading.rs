//! The reading that would settle most, per minute of shop time.

use evenpull_job::Condition;

use crate::assessment::{Cause, CauseCode, NextReading};
use crate::evidence::Evidence;

/// A reading that separates two causes.
struct Candidate {
    separates: &'static [CauseCode],
    what: &'static str,
    why: &'static str,
    minutes: f64,
    /// A sweep: nothing new once three steady openings were read.
    sweeps: bool,
}

use CauseCode::{
    BalanceOff, BleedUnequal, GaugeFault, LinkAltered, SensorShifted, SpindleWear, StopIn, StopOut,
    StopsBoth, StubLeak,
};

/// Tests of the trade with their usual time; common practice, no source.
const CANDIDATES: [Candidate; 7] = [
    Candidate {
        separates: &[SpindleWear, StubLeak],
        what: "with the engine idling, spray or smoke the inlet stub, then rock the spindle; read again after three blips",
        why: "a stub leak answers to the spray and repeats between blips, a worn spindle rocks and scatters",
        minutes: 5.0,
        sweeps: false,
    },
    Candidate {
        separates: &[BalanceOff, LinkAltered],
        what: "look at the link's seal and lock nuts, take the link off and see whether both plates seat",
        why: "a balance adjuster that is off and an altered link act alike on every pressure reading",
        minutes: 8.0,
        sweeps: false,
    },
    Candidate {
        separates: &[StopIn, StopOut, StopsBoth],
        what: "look at both stop seals, then lift the link off and see which plate rests on its stop",
        why: "with a rigid link the most open stop carries both plates, so the pressures cannot name it",
        minutes: 8.0,
        sweeps: false,
    },
    Candidate {
        separates: &[SensorShifted, StopIn, StopsBoth],
        what: "measure a sweep of six to twelve steady openings with raw sensor volts",
        why: "a moved stop changes the air at a given voltage step, a shifted sensor only the volts",
        minutes: 10.0,
        sweeps: false,
    },
    Candidate {
        separates: &[GaugeFault],
        what: "swap the gauge hoses side to side and read again",
        why: "a gauge error stays with the gauge, a true difference with the cylinder",
        minutes: 3.0,
        sweeps: false,
    },
    Candidate {
        separates: &[BleedUnequal],
        what: "shut both bleeds, counting the turns, and read idle again",
        why: "a difference that goes with the bleeds shut is theirs",
        minutes: 4.0,
        sweeps: false,
    },
    Candidate {
        separates: &[BalanceOff, SpindleWear, StubLeak, StopIn],
        what: "read steady openings at 2,000, 2,500 and 3,000 rpm and in the hold band",
        why: "a leak adds the same area everywhere, a plate offset grows with the opening, a follower's stop fades off idle",
        minutes: 8.0,
        sweeps: true,
    },
];

/// Entropy that a test of the named causes can take away [nat].
///
/// The test tells its causes apart from each other and from all others.
fn gain(causes: &[Cause], separates: &[CauseCode]) -> f64 {
    let mut inside: Vec<f64> = Vec::new();
    for cause in causes {
        if cause.members.len() > 1 && cause.members.iter().all(|m| separates.contains(m)) {
            // Members of a family share its probability until something separates them.
            let each = cause.probability / cause.members.len() as f64;
            inside.extend(cause.members.iter().map(|_| each));
        } else if separates.contains(&cause.code) {
            inside.push(cause.probability);
        }
    }
    let sum: f64 = inside.iter().sum();
    if sum <= 0.0 {
        return 0.0;
    }
    let within: f64 = inside.iter().map(|p| -p * (p / sum).max(1e-12).ln()).sum();
    let s = sum.clamp(1e-9, 1.0 - 1e-9);
    let against_rest = -(s * s.ln() + (1.0 - s) * (1.0 - s).ln());
    within + against_rest
}

/// What to measure next; `None` when nothing is open.
pub(crate) fn choose(
    causes: &[Cause],
    evidence: &Evidence,
    undetermined: bool,
) -> Option<NextReading> {
    if evidence.is_crossed() {
        return Some(NextReading {
            what: "put the hoses on the right bodies and read idle again".to_owned(),
            why:
                "the firing intervals show them crossed; no adjuster may be turned on such readings"
                    .to_owned(),
            minutes: 3.0,
        });
    }
    if evidence.cross_flow {
        return Some(NextReading {
            what: "pinch off the idle-air hoses and any balance pipe and read idle and hold again"
                .to_owned(),
            why: "the runners fill each other, which shifts areas and depressions alike".to_owned(),
            minutes: 5.0,
        });
    }
    if !evidence.has_areas() && !evidence.gauges_checked {
        return Some(NextReading {
            what: "swap the gauge hoses side to side and read idle and hold again".to_owned(),
            why: "a gauge error stays with the gauge, a true difference with the cylinder"
                .to_owned(),
            minutes: 3.0,
        });
    }
    let open = undetermined || causes.first().is_some_and(|c| c.members.len() > 1);
    if !open {
        return None;
    }
    let sweeps = evidence
        .points
        .iter()
        .filter(|p| p.condition == Condition::Sweep)
        .count();
    let best = CANDIDATES
        .iter()
        .filter(|c| !(c.sweeps && sweeps >= 3))
        .map(|c| (gain(causes, c.separates) / c.minutes, c))
        .max_by(|a, b| a.0.total_cmp(&b.0))?;
    (best.0 > 0.0).then(|| NextReading {
        what: best.1.what.to_owned(),
        why: best.1.why.to_owned(),
        minutes: best.1.minutes,
    })
}

//! What to turn, which way, how far, in the trade's order; and what stays sealed.

use evenpull_job::{AdjusterKind, Job, Profile};

use crate::assessment::{Advice, Cause, CauseCode};
use crate::breathing::Breathing;
use crate::evidence::Evidence;
use crate::levelling::HIDDEN_BY_LEVELLING;
use crate::model::Model;
use crate::posterior::Fitted;
use crate::summary::{Draw, over};

/// What the advice is made from.
pub(crate) struct Desk<'a> {
    pub(crate) job: &'a Job,
    pub(crate) model: &'a Model<'a>,
    pub(crate) evidence: &'a Evidence,
    pub(crate) fitted: &'a [Fitted],
    pub(crate) draws: &'a [Draw],
    pub(crate) causes: &'a [Cause],
    pub(crate) undetermined: bool,
    /// The readings themselves are in doubt: the model does not fit or gauges were not checked.
    pub(crate) doubted: bool,
    pub(crate) breathing: Breathing,
}

/// Probability from which a cause is acted on.
const ACT_ON: f64 = 0.5;

/// Probability of causes that levelling would hide up to which it is advised all the same.
const HIDDEN_MOST: f64 = 0.2;

impl Desk<'_> {
    pub(crate) fn likely(&self, codes: &[CauseCode]) -> Option<&Cause> {
        self.causes
            .iter()
            .find(|c| c.probability >= ACT_ON && codes.contains(&c.code))
    }

    pub(crate) fn profile(&self) -> &Profile {
        self.model.profile
    }

    /// Steps in the trade's order: what invalidates readings first, leaks before balance, bleeds last.
    pub(crate) fn steps(&self) -> Vec<Advice> {
        use CauseCode::{LinkAltered, SpindleWear, StubLeak};
        if self.evidence.is_crossed() {
            return vec![plain(
                "hoses",
                "exchange the hoses so that each sensor or gauge is on the body it is named after",
                "engine off",
                "the firing intervals show them crossed; read again before anything is turned",
            )];
        }
        if self.evidence.cross_flow {
            return vec![plain(
                "idle-air hoses",
                "pinch off the idle-air hoses and any balance pipe and read again",
                "engine off while the hoses are clamped",
                "the runners fill each other; turning an adjuster on such readings dials in an error",
            )];
        }
        if self.undetermined && !self.may_level() {
            return Vec::new();
        }
        let mut steps = Vec::new();
        if let Some(c) = self.likely(&[SpindleWear, StubLeak]) {
            steps.push(self.find_leak(c));
        }
        if let Some(c) = self.likely(&[CauseCode::GaugeFault]) {
            let which = c
                .body
                .as_deref()
                .map_or("gauges and sensors".to_owned(), |b| format!("gauge on {b}"));
            steps.push(plain(
                &which,
                "swap them side to side, zero or replace the one that is off, read again",
                "engine off while hoses are moved",
                "the difference stays with the instrument, not with the cylinder",
            ));
            return steps;
        }
        let sealed = [
            CauseCode::StopIn,
            CauseCode::StopOut,
            CauseCode::StopsBoth,
            LinkAltered,
        ];
        if let Some(c) = self.likely(&sealed) {
            steps.push(if c.code == LinkAltered && self.profile().one_shaft() {
                twisted_step(c)
            } else {
                baseline_step(c, self.job.baseline_reason.is_some())
            });
            return steps;
        }
        if let Some(c) = self.likely(&[CauseCode::SensorShifted]) {
            steps.push(plain(
                "throttle sensor",
                "check its fixing and its closed volts over five snaps; restoring it belongs to the baseline stage",
                "an override with a written reason; plates proven on their stops",
                c.evidence_for.first().map_or("its volts are off while the air is right", String::as_str),
            ));
            return steps;
        }
        if steps.is_empty() {
            steps.extend(self.level());
        }
        steps
    }

    /// Undetermined, but nothing is in question that levelling would hide: balance adjusters and
    /// bleeds are there to be turned.
    fn may_level(&self) -> bool {
        let hidden: f64 = self
            .causes
            .iter()
            .filter(|c| c.members.iter().any(|m| HIDDEN_BY_LEVELLING.contains(m)))
            .map(|c| c.probability)
            .sum();
        !self.doubted && hidden < HIDDEN_MOST
    }

    fn find_leak(&self, cause: &Cause) -> Advice {
        let body = cause.body.as_deref().unwrap_or("that body");
        let size = self
            .profile()
            .body_index(body)
            .map(|b| over(self.draws, |p| p[self.model.space.leak(b)]))
            .map_or(String::new(), |i| {
                format!(
                    "; about {:.1} mm2 ({:.1} to {:.1})",
                    i.value, i.lo90, i.hi90
                )
            });
        plain(
            &format!("inlet stub and spindle of {body}"),
            "find the leak: spray or smoke the stub, clamps and tappings, rock the spindle; repair, then read again",
            "sprays away from ignition and hot pipes; engine cool enough to touch",
            &format!(
                "air gets in behind the plate of {body}{size}; a balance set over a leak costs about 0.3 degree per mm2"
            ),
        )
    }
}

pub(crate) fn plain(adjuster: &str, way: &str, gate: &str, why: &str) -> Advice {
    Advice {
        adjuster: adjuster.to_owned(),
        turns: None,
        way: way.to_owned(),
        predicted_spread: None,
        gate: gate.to_owned(),
        why: why.to_owned(),
    }
}

fn baseline_step(cause: &Cause, reason_given: bool) -> Advice {
    let on = cause
        .body
        .as_deref()
        .map_or(String::new(), |b| format!(" on {b}"));
    plain(
        &format!("baseline stage{on}"),
        if reason_given {
            "of the sealed parts turn only a stop that is named below, to its volts; where none is, the baseline is not \
             known well enough to turn one"
        } else {
            "leave sealed parts alone in this stage; restoring a working baseline needs an override with a written \
             reason (`[baseline] reason` in the job)"
        },
        "leaks excluded, clearances and gauges checked, seals photographed, owner's authority noted",
        "a sealed part was moved; compensating with the balance adjuster or the bleeds would hide it",
    )
}

fn twisted_step(cause: &Cause) -> Advice {
    let on = cause.body.as_deref().unwrap_or("one body");
    plain(
        &format!("plate of {on}"),
        "leave the bleeds as they are: they would level the idle only; have the plate centred on its spindle with the \
         bodies off, or keep the machine as it is with the owner's knowledge",
        "engine off; leaks excluded, gauges checked; plate screws are locked and must be locked again",
        "one spindle carries all plates, and this one stands at another angle than its fellows, off idle as well \
         as at idle: no adjuster is there for it",
    )
}

/// (max - min)/mean.
pub(crate) fn spread(values: &[f64]) -> Option<f64> {
    let mean = values.iter().sum::<f64>() / values.len() as f64;
    (values.len() > 1 && mean > 0.0).then(|| range(values) / mean)
}

/// Highest less lowest.
pub(crate) fn range(values: &[f64]) -> f64 {
    let high = values.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    high - values.iter().copied().fold(f64::INFINITY, f64::min)
}

/// Parts that must not be turned, by the names the files use.
pub(crate) fn leave_sealed(profile: &Profile) -> Vec<String> {
    profile
        .adjusters()
        .into_iter()
        .filter(|a| {
            matches!(
                a.kind,
                AdjusterKind::Stop | AdjusterKind::LinkEnd | AdjusterKind::Sensor
            )
        })
        .map(|a| a.name)
        .collect()
}

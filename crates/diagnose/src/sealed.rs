//! What to do about a sealed part that was moved: nothing outside the baseline stage.

use evenpull_job::SealState;

use crate::advice::{Desk, plain};
use crate::assessment::{Advice, Cause, CauseCode};
use crate::summary::over;

/// What must be true before a sealed part is turned.
const BASELINE_GATE: &str =
    "leaks excluded, clearances and gauges checked, seals photographed, owner's authority noted";

impl Desk<'_> {
    /// What to do about a sealed part that was moved.
    pub(crate) fn sealed_step(&self) -> Option<Advice> {
        use CauseCode::{LinkAltered, SensorShifted, StopIn, StopOut, StopsBoth};
        if let Some(c) = self.likely(&[StopIn, StopOut, StopsBoth, LinkAltered]) {
            let coupling = self.profile().couplings.iter().position(|k| {
                let body = k.driven.first().map(|&b| &self.profile().bodies()[b]);
                c.code == LinkAltered && body == c.body.as_ref()
            });
            return Some(match coupling {
                Some(coupling) => self.link_step(coupling),
                None if c.code == LinkAltered => twisted_step(c),
                None => baseline_step(c, self.job.baseline_reason.is_some()),
            });
        }
        self.likely(&[SensorShifted]).map(|c| {
            plain(
                "throttle sensor",
                "check its fixing and its closed volts over five snaps; restoring it belongs to the baseline stage",
                "an override with a written reason; plates proven on their stops",
                c.evidence_for.first().map_or("its volts are off while the air is right", String::as_str),
            )
        })
    }

    /// Ends of a coupling's link whose seal is broken, by the names the files use.
    fn broken_link_seals(&self, coupling: usize) -> Vec<String> {
        let k = &self.profile().couplings[coupling];
        let ends = k.driven.iter().chain([&k.driver]);
        ends.map(|&b| format!("link.{}", self.profile().bodies()[b]))
            .filter(|part| self.job.seal(part) == Some(SealState::Disturbed))
            .collect()
    }

    /// The first of these couplings whose own link has a broken seal: its adjuster is not turned, for an altered link
    /// acts like an adjuster that is off.
    pub(crate) fn altered_link(&self, couplings: &[usize]) -> Option<Advice> {
        let broken = |c: &&usize| !self.broken_link_seals(**c).is_empty();
        couplings.iter().find(broken).map(|&c| self.link_step(c))
    }

    fn link_step(&self, coupling: usize) -> Advice {
        let k = &self.profile().couplings[coupling];
        let body = |b: usize| self.profile().bodies()[b].as_str();
        let driven: Vec<&str> = k.driven.iter().map(|&b| body(b)).collect();
        let driven = driven.join(" and ");
        let broken = self.broken_link_seals(coupling);
        let seals = match broken.as_slice() {
            [] => String::new(),
            all => format!("the seal of {} is broken; ", all.join(" and ")),
        };
        let off_deg = over(self.draws, |p| p[self.model.space.link(coupling)]).value;
        let screw = &k.adjuster;
        let way = if self.job.baseline_reason.is_some() {
            format!(
                "put the link back to its mark, or until both plates rest on their stops together, lock and seal it; \
                 then read again, and only then turn `{screw}`"
            )
        } else {
            format!(
                "leave the link's length and `{screw}` as they stand; unclip the link and see whether both plates \
                 rest on their stops; putting the link right needs an override with a written reason (`[baseline] \
                 reason` in the job)"
            )
        };
        plain(
            &format!("baseline stage, link from {} to {driven}", body(k.driver)),
            &way,
            BASELINE_GATE,
            &format!(
                "{seals}the plate of {driven} stands {off_deg:+.2} degrees against the one that drives it; the balance \
                 adjuster would hide a link that was altered"
            ),
        )
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
            "turn nothing for now, neither the sealed part nor a balance adjuster or bleed to make up for it; putting it \
             back needs an override with a written reason (`[baseline] reason` in the job)"
        },
        BASELINE_GATE,
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

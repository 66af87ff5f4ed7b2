//! What is mended or set before a balance adjuster or a bleed is turned.
//!
//! A screw that makes up for a leak, a stuck valve or a weak cylinder is wrong again once the part is mended. So the
//! part comes first, then the readings again, then the screws. What was measured outside its limits counts as a fact,
//! however much of the depressions it explains.

use evenpull_job::{SprayResult, clearances_out, compression_out, leak_down_out, spindle_play_out};

use crate::advice::{Desk, plain};
use crate::assessment::{Advice, Cause, CauseCode};
use crate::summary::over;

/// Gate of work at the valves.
const STONE_COLD: &str = "engine off and stone cold";

/// Gate of work with sprays and plugs.
const OFF_AND_COOL: &str =
    "engine off and cool enough to touch, ignition off; sprays away from ignition";

impl Desk<'_> {
    /// Measured values outside their limits, whatever they have to do with the depressions.
    pub(crate) fn measured_out(&self) -> Vec<Advice> {
        let mut steps = Vec::new();
        let out = clearances_out(self.job, self.profile());
        if !out.is_empty() {
            steps.push(plain(
                "valve clearances",
                "set those that are outside their limits, note what they are then, and read again",
                STONE_COLD,
                &format!(
                    "measured: {}; no screw makes up for a valve",
                    out.join(", ")
                ),
            ));
        }
        let leaks = leak_down_out(self.job, self.profile());
        let low: Vec<String> = compression_out(self.job, self.profile())
            .into_iter()
            .chain(leaks.iter().cloned())
            .collect();
        if !low.is_empty() {
            let way = if leaks.is_empty() {
                "leak-down next; find out where it escapes and mend that, then read again"
            } else {
                "listen where the air of the leak-down escapes (inlet, exhaust, crankcase) and mend that, then read again"
            };
            let why = format!(
                "measured: {}; no screw makes up for a weak cylinder",
                low.join(", ")
            );
            steps.push(plain("compression", way, OFF_AND_COOL, &why));
        }
        let worn = spindle_play_out(self.job, self.profile());
        if !worn.is_empty() {
            let (bodies, said): (Vec<_>, Vec<_>) = worn.into_iter().unzip();
            steps.push(plain(
                &format!("spindle of {}", bodies.join(" and ")),
                "renew the spindle or its bushes, or the body, note the play then, and read again",
                OFF_AND_COOL,
                &format!(
                    "measured: {}; a spindle that moves in its bushes lets in other air after every blip, and no screw holds",
                    said.join(", ")
                ),
            ));
        }
        steps
    }

    /// Parts to mend by the causes that are more likely than not, in the trade's order.
    pub(crate) fn mended(&self) -> Vec<Advice> {
        use CauseCode::{
            BleedBlocked, CableTight, CompressionLow, FilterBlocked, IdleAirHose,
            IdleValveStuckOpen, IdleValveStuckShut, InjectorUnequal, SensorWorn, SparkWeak,
            SpindleWear, StubLeak, ValveLoose, ValveTight,
        };
        let order: [&[CauseCode]; 9] = [
            &[CableTight],
            &[FilterBlocked],
            &[ValveTight, ValveLoose],
            &[CompressionLow],
            &[SpindleWear, StubLeak],
            &[IdleValveStuckOpen, IdleValveStuckShut, IdleAirHose],
            &[BleedBlocked],
            &[InjectorUnequal, SparkWeak],
            &[SensorWorn],
        ];
        order
            .iter()
            .flat_map(|codes| self.all_likely(codes))
            .filter_map(|c| self.mend(c))
            .collect()
    }

    fn mend(&self, cause: &Cause) -> Option<Advice> {
        use CauseCode::{
            BleedBlocked, CableTight, CompressionLow, FilterBlocked, InjectorUnequal, SensorWorn,
            SparkWeak, SpindleWear, StubLeak, ValveLoose, ValveTight,
        };
        let of = match cause.body.as_deref() {
            Some(body) => format!(" of {body}"),
            None => " of the weak cylinder".to_owned(),
        };
        let measured_clearances = !clearances_out(self.job, self.profile()).is_empty();
        let measured_compression = compression_out(self.job, self.profile()).is_some()
            || !leak_down_out(self.job, self.profile()).is_empty();
        let valve_unseen =
            cause.members.contains(&ValveTight) && self.job.checks.clearances.is_none();
        let step = match cause.code {
            SpindleWear | StubLeak => self.find_leak(cause),
            CauseCode::IdleValveStuckOpen
            | CauseCode::IdleValveStuckShut
            | CauseCode::IdleAirHose => idle_air(cause),
            CableTight => plain(
                "cable",
                "give it slack, fast-idle lever off, bars lock to lock; then read again",
                "engine off",
                "a tight cable holds the plates open as a stop does that was turned in",
            ),
            FilterBlocked => plain(
                "air filter",
                "clean or renew it, wipe the airbox dry, then read again",
                OFF_AND_COOL,
                "all bodies draw through it; no screw makes up for it",
            ),
            ValveTight | ValveLoose if !measured_clearances => plain(
                &format!("valve clearances{of}"),
                "measure them and set those that are outside their limits, then read again",
                STONE_COLD,
                "a tight or loose valve changes how a cylinder draws, and no screw puts that right",
            ),
            CompressionLow if !measured_compression => plain(
                &format!("compression{of}"),
                "compression and leak-down; find out where it escapes and mend that, then read again",
                OFF_AND_COOL,
                "no screw makes up for a weak cylinder",
            ),
            // A tight valve leaks like a weak cylinder, and a feeler gauge costs less than a mended one.
            CompressionLow if valve_unseen => plain(
                &format!("valve clearances{of}"),
                "measure them before anything is taken apart, and set those that are outside their limits; then read again",
                STONE_COLD,
                "a valve that does not close leaks like low compression",
            ),
            BleedBlocked => plain(
                &format!("bleed passage{of}"),
                "take the screw out, counting its turns, clean screw and passage, put it back, then read idle again",
                OFF_AND_COOL,
                "turning the screw changes nothing; the other bleeds are not set to make up for it",
            ),
            InjectorUnequal | SparkWeak => plain(
                &format!("injector, plug, cap and coil{of}"),
                "change them over to another cylinder one after the other, reading lambda again; renew what the error \
                 goes with",
                OFF_AND_COOL,
                "the air is right and its mixture or spark is not; no screw makes up for it",
            ),
            SensorWorn => plain(
                "throttle sensor",
                "renew it when a slow sweep shows jumps; its place is sealed and is set in the baseline stage only",
                "engine off, ignition on for the sweep; an override with a written reason before it is moved",
                "its volts jump, and the ECU fuels by them",
            ),
            _ => return None,
        };
        Some(step)
    }

    /// What the balance adjusters and bleeds do meanwhile; `None` on a machine without either.
    pub(crate) fn wait(&self) -> Option<Advice> {
        let mut names: Vec<&str> = self
            .profile()
            .couplings
            .iter()
            .map(|c| c.adjuster.as_str())
            .collect();
        names.extend(self.profile().bleed.map(|_| "bleeds"));
        let last = names.pop()?;
        let all = match names.as_slice() {
            [] => last.to_owned(),
            first => format!("{} and {last}", first.join(", ")),
        };
        Some(plain(
            &all,
            "leave as they stand for now",
            "the work above done; then idle with bleeds shut, idle and hold read again and assessed",
            "what is left then is balanced; a screw that makes up for a fault is wrong again once the fault is mended",
        ))
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
        let worn = spindle_play_out(self.job, self.profile());
        let sprayed = self.job.checks.stub_spray.as_ref();
        let place = self.profile().body_index(body);
        let answered = place.and_then(|b| sprayed?.get(b)) == Some(&SprayResult::Change);
        let (part, way) = if answered {
            let way = "renew or seal what the spray answered at (stub, clamp or tapping), spray again to see that it is \
                       tight, then read again";
            ("inlet stub", way)
        } else if worn.iter().any(|(b, _)| b == body) {
            let way = "before the spindle is renewed, spray or smoke the stub, clamps and tappings as well; repair, then read again";
            ("inlet stub", way)
        } else {
            let way = "find the leak: spray or smoke the stub, clamps and tappings, rock the spindle; repair, then read again";
            ("inlet stub and spindle", way)
        };
        plain(
            &format!("{part} of {body}"),
            way,
            "sprays away from ignition and hot pipes; engine cool enough to touch",
            &format!(
                "air gets in behind the plate of {body}{size}; a plate balanced over a leak stands about 0.3 degree wrong for each mm2"
            ),
        )
    }
}

/// The idle valve, its hose, or whichever of the two it is.
fn idle_air(cause: &Cause) -> Advice {
    let hose = cause.members.contains(&CauseCode::IdleAirHose);
    let valve = cause.members.iter().any(|c| *c != CauseCode::IdleAirHose);
    let find = "find the split or loose hose with spray or smoke and renew it";
    let free = "clean and free the idle valve and its passages, check its plug, wiring and drive, renew it if it does \
                not follow";
    let (part, way) = match (hose, valve) {
        (true, false) => ("idle-air hoses", find.to_owned()),
        (true, true) => (
            "idle-air hoses and idle valve",
            format!("{find}; if none is, {free}"),
        ),
        (false, _) => ("idle valve", free.to_owned()),
    };
    plain(
        part,
        &format!("{way}; then read idle again"),
        OFF_AND_COOL,
        "the idle air is not what the computer asks for; no stop, balance adjuster or bleed is turned to make up for it",
    )
}

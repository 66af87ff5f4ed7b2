//! The `[checks]` of a job: what was looked at by hand.

use super::{Checks, SprayResult, ValveClearances};
use crate::document::{Item, Limits, Section, within};
use crate::per_body::PerBody;
use crate::profile::Profile;

/// One thou [mm], exact.
const THOU_MM: f64 = 0.0254;
const SPRAY: [(&str, SprayResult); 2] = [
    ("no change", SprayResult::NoChange),
    ("change", SprayResult::Change),
];

pub(super) fn checks(root: &Section<'_>, profile: &Profile) -> Checks {
    let Some(s) = root.section("checks") else {
        return Checks::default();
    };
    let bodies = profile.bodies();
    let numbers = |key: &str, limits: Limits| -> Option<PerBody<f64>> {
        s.item(key)?.per_body(bodies, &[], |i| i.number(limits))
    };
    let checks = Checks {
        spindle_play_mm: numbers("spindle_play_mm", within(0.0, 3.0, "mm")),
        leak_down_percent: numbers("leak_down_percent", within(0.0, 100.0, "%")),
        compression_kpa: numbers("compression_kpa", within(0.0, 3000.0, "kPa")),
        stub_spray: s
            .item("stub_spray")
            .and_then(|item| item.per_body(bodies, &[], |i| i.one_of(&SPRAY))),
        clearances: s
            .item("clearances")
            .and_then(|item| item.per_body(bodies, &[], clearances)),
        snap_shut_v: s
            .item("snap_shut_v")
            .and_then(|i| i.numbers(None, within(0.0, 6.0, "V")))
            .unwrap_or_default(),
        cable_slack: s.item("cable_slack").and_then(|i| i.flag()),
        lid_off: s.item("lid_off").and_then(|i| i.one_of(&SPRAY)),
        gauges_zeroed: s.item("gauges_zeroed").and_then(|i| i.flag()),
    };
    s.close();
    checks
}

fn clearances(item: &Item<'_>) -> Option<ValveClearances> {
    let s = item.section()?;
    let found = ValveClearances {
        inlet_mm: valves(&s, "inlet"),
        exhaust_mm: valves(&s, "exhaust"),
    };
    s.close();
    Some(found)
}

/// `<what>_mm` or `<what>_thou`, one number or a list, as millimetres.
fn valves(s: &Section<'_>, what: &str) -> Vec<f64> {
    let read = |key: String, limits: Limits| -> Option<Vec<f64>> {
        let item = s.item(&key)?;
        if item.is_list() {
            item.numbers(None, limits)
        } else {
            item.number(limits).map(|v| vec![v])
        }
    };
    let mm = read(format!("{what}_mm"), within(0.0, 2.0, "mm"));
    let thou = read(format!("{what}_thou"), within(0.0, 80.0, "thou"));
    if mm.is_some() && thou.is_some() {
        s.doc().problem(
            s.span(),
            &s.path_of(&format!("{what}_thou")),
            "given in mm and in thou",
            "keep one of the two",
        );
    }
    mm.or(thou.map(|list| list.iter().map(|t| t * THOU_MM).collect()))
        .unwrap_or_default()
}

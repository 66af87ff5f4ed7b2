//! The working baseline: targets, the signs it rests on, how to verify and when to give it up.

use evenpull_diagnose::{Assessment, BASELINE_WORDS, Baseline, BaselineBody, Interval};

use crate::number::{fixed, range, signed};
use crate::writing::Writing;

/// What the page shows of a baseline.
#[derive(Debug)]
pub(crate) struct BaselineView {
    /// What it is, and is not.
    pub(crate) words: &'static str,
    /// Known well enough to set a stop by.
    pub(crate) sure: bool,
    pub(crate) targets: Vec<Target>,
    pub(crate) bodies: Vec<BodyTarget>,
    pub(crate) signs: Vec<String>,
    pub(crate) verify: Vec<String>,
    pub(crate) give_up: Vec<String>,
}

/// One value to go back to.
#[derive(Debug)]
pub(crate) struct Target {
    pub(crate) name: &'static str,
    pub(crate) value: String,
    pub(crate) range: String,
}

/// Where the plate of one body stands.
#[derive(Debug)]
pub(crate) struct BodyTarget {
    pub(crate) body: String,
    pub(crate) offset: String,
    pub(crate) offset_range: String,
    /// Raw volts with the plate back, with their interval.
    pub(crate) volts: String,
}

/// The baseline of an assessment, if there is one.
///
/// `writing`: the unit of pressures; figures have decimal points.
pub(crate) fn baseline(assessment: &Assessment, writing: Writing) -> Option<BaselineView> {
    let found = assessment.baseline.as_ref()?;
    Some(BaselineView {
        words: BASELINE_WORDS,
        sure: found.sure,
        targets: targets(found, writing),
        bodies: found.bodies.iter().map(body).collect(),
        signs: found.signs.clone(),
        verify: found.verify.clone(),
        give_up: found.give_up.clone(),
    })
}

fn targets(found: &Baseline, writing: Writing) -> Vec<Target> {
    let in_unit = |i: Interval| Interval {
        value: i.value * writing.per_kpa(),
        lo90: i.lo90 * writing.per_kpa(),
        hi90: i.hi90 * writing.per_kpa(),
    };
    let target = |name, unit: &str, decimals, interval: Option<Interval>| {
        interval.map(|i| Target {
            name,
            value: format!("{} {unit}", fixed(i.value, decimals)),
            range: range(&i, decimals),
        })
    };
    [
        target(
            "Throttle sensor, drive plate on its stop",
            "V",
            3,
            Some(found.stop_v),
        ),
        target("Idle valve, warm", "steps", 0, found.idle_valve_steps),
        target(
            "Idle depression",
            writing.unit(),
            writing.decimals(),
            found.idle_depression_kpa.map(in_unit),
        ),
    ]
    .into_iter()
    .flatten()
    .collect()
}

fn body(b: &BaselineBody) -> BodyTarget {
    BodyTarget {
        body: b.body.clone(),
        offset: format!("{} deg", signed(b.offset_deg.value, 2)),
        offset_range: range(&b.offset_deg, 2),
        volts: b.stop_v.as_ref().map_or_else(
            || "the sensor does not follow this plate".to_owned(),
            |v| format!("{} V ({})", fixed(v.value, 3), range(v, 3)),
        ),
    }
}

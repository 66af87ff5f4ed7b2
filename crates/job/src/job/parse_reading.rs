//! The `[[reading]]` tables of a job.

use super::{
    Adjusted, AmbientData, Condition, GaugeReading, HoseData, JetData, Pinch, Reading, parse_layout,
};
use crate::document::{Document, Item, Section, nearest, within};
use crate::notice::Notice;
use crate::per_body::PerBody;
use crate::profile::Profile;

const CONDITIONS: [(&str, Condition); 4] = [
    ("idle", Condition::Idle),
    ("idle-bleeds-shut", Condition::IdleBleedsShut),
    ("sweep", Condition::Sweep),
    ("hold", Condition::Hold),
];
const PINCHES: [(&str, Pinch); 2] = [
    ("idle_valve", Pinch::IdleValve),
    ("balance_pipe", Pinch::BalancePipe),
];

pub(super) fn readings(
    root: &Section<'_>,
    profile: &Profile,
    ambient: &AmbientData,
) -> Vec<Reading> {
    let Some(item) = root.required("reading", "... (one `[[reading]]` table per reading)") else {
        return Vec::new();
    };
    let rows = item.list().unwrap_or_default();
    if rows.is_empty() {
        item.problem(
            "there are no readings",
            "add at least one `[[reading]]` table",
        );
    }
    rows.iter()
        .filter_map(|row| reading(row, profile, ambient))
        .collect()
}

fn reading(row: &Item<'_>, profile: &Profile, ambient: &AmbientData) -> Option<Reading> {
    let s = row.section()?;
    let bodies = profile.bodies();
    let condition = s
        .required("condition", "\"idle\"")
        .and_then(|i| i.one_of(&CONDITIONS));
    let recording = s.item("recording");
    let gauge = s.item("gauge");
    if recording.is_none() && gauge.is_none() {
        row.problem(
            "the reading holds neither `recording` nor `gauge`",
            "add `recording = \"file.csv\"` or `gauge = { left = 33.2, right = 33.4, unit = \"kPa\" }`",
        );
    }
    let reading = Reading {
        line: row.line(),
        condition: condition.unwrap_or(Condition::Idle),
        recording_line: recording.as_ref().map(Item::line),
        recording: recording.and_then(|i| i.text()),
        gauge: gauge.and_then(|i| gauges(&i, bodies, ambient)),
        sensor_v: s.number("sensor_v", within(0.0, 6.0, "V")),
        ecu_opening_deg: s.number("ecu_opening_deg", within(-10.0, 95.0, "deg")),
        idle_valve_steps: s
            .item("idle_valve_steps")
            .and_then(|i| idle_steps(&i, profile)),
        engine_c: s.number("engine_c", within(-40.0, 250.0, "C")),
        rpm: s.number("rpm", within(200.0, 15_000.0, "1/min")),
        bleed_turns: s
            .item("bleed_turns")
            .and_then(|i| bleed_turns(&i, profile, s.doc())),
        hose: s.section("hose").and_then(hose),
        swapped: s.item("swapped").and_then(|i| i.flag()).unwrap_or(false),
        practice: s.item("practice").and_then(|i| i.flag()).unwrap_or(false),
        pinched: s.item("pinched").map(|i| pinched(&i)).unwrap_or_default(),
        jet: s.section("jet").and_then(|j| jet(j, profile)),
        lambda: s
            .item("lambda")
            .and_then(|i| i.per_body(bodies, &[], |v| v.number(within(0.4, 3.0, "")))),
        adjusted: s
            .item("adjusted")
            .map(|i| adjusted(&i, profile, s.doc()))
            .unwrap_or_default(),
        repaired: s.text("repaired"),
    };
    contradictions(&s, &reading);
    s.close();
    Some(reading)
}

/// Typed depressions, converted to kilopascal; none may exceed ambient.
fn gauges(item: &Item<'_>, bodies: &[String], ambient: &AmbientData) -> Option<GaugeReading> {
    let s = item.section()?;
    let unit_item = s.required("unit", "\"kPa\"")?;
    let unit = parse_layout::pressure_unit(&unit_item, &unit_item.text()?, "")?;
    let word = unit_item.text()?;
    let ambient_kpa = ambient.pressure_kpa;
    let depression_kpa = item.per_body(bodies, &["unit"], |i| {
        let typed = i.number(within(-1e6, 1e6, ""))?;
        let kpa = unit.to_pa(typed) / 1000.0;
        if kpa < 0.0 {
            i.problem(
                format!("the depression is negative: {typed} {word}"),
                "write ambient minus runner pressure, without a sign",
            );
            return None;
        }
        if kpa >= ambient_kpa {
            i.problem(
                format!(
                    "a depression of {typed} {word} = {kpa:.1} kPa is above the ambient \
                     {ambient_kpa:.1} kPa"
                ),
                "check the unit; a depression is ambient minus runner pressure and an engine \
                 idles near 25 to 45 kPa",
            );
            return None;
        }
        Some(kpa)
    })?;
    if !depression_kpa.is_complete() {
        let missing: Vec<&str> = bodies
            .iter()
            .enumerate()
            .filter(|(i, b)| depression_kpa.get(*i).is_none() && !s.has(b))
            .map(|(_, b)| b.as_str())
            .collect();
        if !missing.is_empty() {
            item.problem(
                format!("no gauge value for {}", missing.join(", ")),
                "give one value per body, keyed by its name",
            );
        }
    }
    Some(GaugeReading {
        depression_kpa,
        unit,
    })
}

fn idle_steps(item: &Item<'_>, profile: &Profile) -> Option<f64> {
    let steps = item.number(within(0.0, 4096.0, "steps"))?;
    if let Some(valve) = profile.idle_valve
        && steps > f64::from(valve.steps)
    {
        item.problem(
            format!(
                "{steps} steps, but the profile's idle valve has {}",
                valve.steps
            ),
            "give the position in steps from shut, or correct `idle_valve.steps` of the profile",
        );
        return None;
    }
    Some(steps)
}

fn bleed_turns(item: &Item<'_>, profile: &Profile, doc: &Document<'_>) -> Option<PerBody<f64>> {
    let turns = item.per_body(profile.bodies(), &[], |i| {
        i.number(within(0.0, 20.0, "turns"))
    })?;
    let Some(bleed) = profile.bleed else {
        item.problem(
            "the profile has no bleeds",
            "take `bleed_turns` out, or add `[bleed]` to the profile",
        );
        return None;
    };
    for (i, body) in profile.bodies().iter().enumerate() {
        if let Some(&t) = turns.get(i)
            && t > bleed.max_turns
        {
            doc.notice(Notice::new(
                "bleed-beyond-range",
                format!(
                    "line {}: the {body} bleed stands {t} turns from its seat, more than {} is a \
                     sign that something else is wrong",
                    item.line(),
                    bleed.max_turns
                ),
            ));
        }
    }
    Some(turns)
}

fn hose(s: Section<'_>) -> Option<HoseData> {
    let length = s
        .required("length_m", "0.25")
        .and_then(|i| i.number(within(0.01, 10.0, "m")));
    let bore = s
        .required("bore_mm", "4.0")
        .and_then(|i| i.number(within(0.5, 15.0, "mm")));
    let dead = s.number_or(
        "dead_volume_cc",
        within(0.0, 100.0, "cc"),
        0.5,
        "assumed for a small sensor",
    );
    s.close();
    Some(HoseData {
        length_m: length?,
        bore_mm: bore?,
        dead_volume_cc: dead,
    })
}

fn pinched(item: &Item<'_>) -> Vec<Pinch> {
    let list = item.list().unwrap_or_default();
    list.iter().filter_map(|i| i.one_of(&PINCHES)).collect()
}

fn jet(s: Section<'_>, profile: &Profile) -> Option<JetData> {
    let body = s
        .required("body", "\"left\"")
        .and_then(|i| i.body(profile.bodies()));
    let bore = s
        .required("bore_mm", "1.2")
        .and_then(|i| i.number(within(0.1, 6.0, "mm")));
    s.close();
    Some(JetData {
        body: body?,
        bore_mm: bore?,
    })
}

/// One table or a list of them.
fn adjusted(item: &Item<'_>, profile: &Profile, doc: &Document<'_>) -> Vec<Adjusted> {
    if item.is_table() {
        return one_adjusted(item, profile, doc).into_iter().collect();
    }
    let list = item.list().unwrap_or_default();
    list.iter()
        .filter_map(|i| one_adjusted(i, profile, doc))
        .collect()
}

fn one_adjusted(item: &Item<'_>, profile: &Profile, doc: &Document<'_>) -> Option<Adjusted> {
    let s = item.section()?;
    let name_item = s.required("adjuster", "\"balance screw\"");
    let turns = s
        .required("turns", "0.25")
        .and_then(|i| i.number(within(-30.0, 30.0, "turns")));
    s.close();
    let name_item = name_item?;
    let name = name_item.text()?;
    let Some(adjuster) = profile.adjuster(&name) else {
        let known: Vec<String> = profile.adjusters().into_iter().map(|a| a.name).collect();
        name_item.problem(
            format!("the profile has no adjuster named `{name}`"),
            nearest(&name, known.iter().map(String::as_str), "adjuster"),
        );
        return None;
    };
    if adjuster.kind.is_sealed() {
        doc.notice(Notice::new(
            "sealed-part-turned",
            format!(
                "line {}: `{name}` is a sealed {}; turning it loses the working position, and the \
                 readings before and after it belong to two different states",
                name_item.line(),
                adjuster.kind.words()
            ),
        ));
    }
    Some(Adjusted {
        adjuster: name,
        turns: turns?,
    })
}

/// Statements of one reading that cannot both be true.
fn contradictions(s: &Section<'_>, reading: &Reading) {
    let open = reading
        .bleed_turns
        .as_ref()
        .is_some_and(|t| t.iter().flatten().any(|&v| v > 0.0));
    if reading.condition == Condition::IdleBleedsShut
        && open
        && let Some(item) = s.item("bleed_turns")
    {
        item.problem(
            "the condition says bleeds shut, but a bleed is open",
            "write 0.0 for every body, or `condition = \"idle\"`",
        );
    }
}

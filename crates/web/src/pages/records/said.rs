//! What is on record in the keys of a job file, in words and in the units of the shop.

use evenpull_app::{PressureUnit, Writing, parse_decimal};
use toml::de::{DeTable, DeValue};

use crate::page::Visitor;
use crate::texts::Texts;

/// Keys of readings and checks: key, key of its text, unit behind a number, decimals at most.
const LABELS: [(&str, &str, &str, usize); 22] = [
    ("rpm", "bench.rpm", "", 0),
    ("sensor_v", "bench.volts", "", 3),
    ("ecu_opening_deg", "bench.ecu", "", 2),
    ("idle_valve_steps", "bench.valve", "", 0),
    ("engine_c", "readings.engine_c", "", 0),
    ("bleed_turns", "said.bleed_turns", "", 2),
    ("pinched", "said.pinched", "", 0),
    ("jet", "said.jet", "", 2),
    ("lambda", "said.lambda", "", 2),
    ("swapped", "readings.swapped", "", 0),
    ("repaired", "said.repaired", "", 0),
    ("practice", "said.practice", "", 0),
    ("cable_slack", "checks.cable", "", 0),
    ("gauges_zeroed", "checks.gauges", "", 0),
    ("lid_off", "checks.lid", "", 0),
    ("clearances", "checks.clearances", "mm", 2),
    ("compression_kpa", "checks.compression", "kPa", 0),
    ("leak_down_percent", "checks.leak_down", "%", 0),
    ("spindle_play_mm", "checks.spindle", "mm", 2),
    ("stub_spray", "checks.spray", "", 0),
    ("snap_shut_v", "said.snap_shut", "V", 3),
    ("key_off_kpa", "said.key_off", "kPa", 2),
];

/// Words inside values: as written, key of the text.
const WORDS: [(&str, &str); 8] = [
    ("change", "checks.change"),
    ("no change", "checks.no_change"),
    ("inlet_mm", "checks.inlet"),
    ("exhaust_mm", "checks.exhaust"),
    ("idle_valve", "said.idle_valve"),
    ("balance_pipe", "said.balance_pipe"),
    ("body", "said.body"),
    ("bore_mm", "said.bore"),
];

/// Most decimals of a number that no label knows.
const DECIMALS: usize = 3;

/// The keys of a reading but its condition, each with its value. What cannot be read stands as it is.
pub(super) fn reading(values_toml: &str, visitor: &Visitor) -> Vec<(String, String)> {
    let Ok(table) = DeTable::parse(values_toml) else {
        return vec![(String::new(), values_toml.trim().to_owned())];
    };
    table
        .get_ref()
        .iter()
        .map(|(key, value)| (key.get_ref().as_ref(), value.get_ref()))
        .filter(|(key, _)| *key != "condition")
        .map(|(key, value)| named(key, value, visitor))
        .collect()
}

/// The mean depressions [kPa] that were read from a recording, in the unit of the shop.
pub(super) fn recorded(
    bodies: &[String],
    kpa: &[Option<f64>],
    visitor: &Visitor,
) -> (String, String) {
    let w = visitor.writing;
    let each = bodies.iter().zip(kpa).map(|(body, kpa)| {
        let shown = kpa.map_or_else(|| "–".to_owned(), |kpa| w.pressure(kpa));
        format!("{body} {shown}")
    });
    let values = each.collect::<Vec<_>>().join(", ");
    (
        visitor.texts.at("said.recorded").to_owned(),
        format!("{values} {}", w.unit()),
    )
}

/// One number of a reading, as it was typed.
pub(super) fn typed_number(values_toml: &str, key: &str) -> Option<f64> {
    let table = DeTable::parse(values_toml).ok()?;
    number(table.get_ref().get(key)?.get_ref())
}

/// A check by its name and value in TOML.
pub(super) fn check(name: &str, value_toml: &str, visitor: &Visitor) -> (String, String) {
    let line = format!("value = {value_toml}");
    let found = DeTable::parse(&line).ok();
    let value = found.as_ref().and_then(|t| t.get_ref().get("value"));
    match value {
        Some(value) => named(name, value.get_ref(), visitor),
        None => (label(name, &visitor.texts), value_toml.to_owned()),
    }
}

/// The bodies that a check has a value for; none where it is one value for the whole engine.
pub(super) fn bodies(value_toml: &str) -> Vec<String> {
    let line = format!("value = {value_toml}");
    let found = DeTable::parse(&line).ok();
    let value = found.as_ref().and_then(|t| t.get_ref().get("value"));
    match value.map(|v| v.get_ref()) {
        Some(DeValue::Table(table)) => table.keys().map(|key| key.get_ref().to_string()).collect(),
        _ => Vec::new(),
    }
}

fn named(key: &str, value: &DeValue<'_>, visitor: &Visitor) -> (String, String) {
    let texts = &visitor.texts;
    match (key, value) {
        ("gauge", DeValue::Table(gauge)) => (
            texts.at("said.gauge").to_owned(),
            gauges(gauge, visitor.writing),
        ),
        ("hose", DeValue::Table(hose)) => {
            (texts.at("said.hose").to_owned(), hose_words(hose, visitor))
        }
        _ => {
            let known = LABELS.iter().find(|(k, ..)| *k == key);
            let (unit, decimals) = known.map_or(("", DECIMALS), |(_, _, unit, n)| (*unit, *n));
            let shown = words(value, decimals, visitor);
            let unit = if unit.is_empty() {
                String::new()
            } else {
                format!(" {unit}")
            };
            (label(key, texts), format!("{shown}{unit}"))
        }
    }
}

/// The text of a key, or the key with its underscores as blanks.
fn label(key: &str, texts: &Texts) -> String {
    let known = LABELS.iter().find(|(k, ..)| *k == key);
    known.map_or_else(
        || key.replace('_', " "),
        |(_, text, ..)| texts.at(text).to_owned(),
    )
}

fn number(value: &DeValue<'_>) -> Option<f64> {
    match value {
        DeValue::Integer(n) => n.to_string().parse().ok(),
        DeValue::Float(n) => n.to_string().parse().ok(),
        // A decimal comma stands in quotes.
        DeValue::String(text) => parse_decimal(text).ok(),
        _ => None,
    }
}

fn words(value: &DeValue<'_>, decimals: usize, visitor: &Visitor) -> String {
    let texts = &visitor.texts;
    let word = |text: &str| {
        let known = WORDS.iter().find(|(w, _)| *w == text);
        known.map_or_else(|| text.to_owned(), |(_, key)| texts.at(key).to_owned())
    };
    if let Some(n) = number(value) {
        return visitor.writing.plain(n, decimals);
    }
    match value {
        DeValue::Boolean(yes) => texts
            .at(if *yes { "checks.yes" } else { "checks.no" })
            .to_owned(),
        DeValue::String(text) => word(text),
        DeValue::Array(all) => {
            let each = all.iter().map(|v| words(v.get_ref(), decimals, visitor));
            each.collect::<Vec<_>>().join(", ")
        }
        DeValue::Table(table) => {
            let each = table.iter().map(|(key, v)| {
                let inner = words(v.get_ref(), decimals, visitor);
                format!("{} {inner}", word(key.get_ref()))
            });
            each.collect::<Vec<_>>().join(", ")
        }
        other => other.type_str().to_owned(),
    }
}

/// Depressions in the unit of the shop, whatever unit they were read in.
fn gauges(gauge: &DeTable<'_>, writing: Writing) -> String {
    let unit: Option<PressureUnit> = match gauge.get("unit").map(|v| v.get_ref()) {
        Some(DeValue::String(text)) => text.parse().ok(),
        _ => None,
    };
    let unit = unit.unwrap_or(PressureUnit::KPa);
    let each = gauge
        .iter()
        .filter(|(key, _)| key.get_ref() != "unit")
        .map(|(body, value)| {
            let kpa = number(value.get_ref()).map(|v| unit.to_pa(v) / 1e3);
            let shown = kpa.map_or_else(|| "–".to_owned(), |kpa| writing.pressure(kpa));
            format!("{} {shown}", body.get_ref())
        });
    format!("{} {}", each.collect::<Vec<_>>().join(", "), writing.unit())
}

fn hose_words(hose: &DeTable<'_>, visitor: &Visitor) -> String {
    let value = |key: &str| {
        let n = hose.get(key).and_then(|v| number(v.get_ref()));
        visitor.writing.plain(n.unwrap_or(0.0), 2)
    };
    visitor.texts.fill(
        "said.hose_is",
        &[
            ("length", &value("length_m")),
            ("bore", &value("bore_mm")),
            ("dead", &value("dead_volume_cc")),
        ],
    )
}

#[cfg(test)]
mod tests {
    use std::sync::Arc;

    use super::*;
    use crate::light::Light;

    fn visitor(comma: bool, pressure: PressureUnit) -> Visitor {
        Visitor {
            session: None,
            light: Light::Auto,
            texts: Arc::new(Texts::english()),
            writing: Writing { comma, pressure },
        }
    }

    #[test]
    fn a_reading_is_told_in_the_units_of_the_shop() {
        let toml = "condition = \"hold\"\ngauge = { left = 34.5, right = \"35,5\", unit = \"kPa\" }\n\
                    engine_c = 78\nbleed_turns = { left = 0.5, right = 0.75 }\nswapped = true\n\
                    hose = { length_m = 0.25, bore_mm = 4, dead_volume_cc = 0.6 }\nnew_key = 3\n";
        let said = reading(toml, &visitor(true, PressureUnit::Mbar));
        let find = |value: &str| said.iter().any(|(_, v)| v == value);
        for value in [
            "left 345, right 355 mbar",
            "78",
            "left 0,5, right 0,75",
            "yes",
            "0,25 m, 4 mm bore, 0,6 cc at the sensor",
            "3",
        ] {
            assert!(find(value), "{value} in {said:?}");
        }
        assert!(
            !said.iter().any(|(label, _)| label.contains('_')),
            "{said:?}"
        );
    }

    #[test]
    fn checks_are_told_and_what_is_unknown_stands_as_it_is() {
        let v = visitor(false, PressureUnit::KPa);
        for (name, toml, label, value) in [
            (
                "cable_slack",
                "true",
                "Cable has slack at rest, bars lock to lock",
                "yes",
            ),
            (
                "clearances",
                "{ left = { inlet_mm = 0.1, exhaust_mm = 0.15 } }",
                "Valve clearances, stone cold",
                "left exhaust 0.15, inlet 0.1 mm",
            ),
            (
                "compression_kpa",
                "{ left = 1150 }",
                "Compression",
                "left 1150 kPa",
            ),
            (
                "stub_spray",
                "{ left = \"no change\" }",
                "Spray or smoke at the inlet stub",
                "left no change",
            ),
            ("some_new_check", "[1, 2]", "some new check", "1, 2"),
            ("broken", "{ left = ", "broken", "{ left = "),
        ] {
            let said = check(name, toml, &v);
            assert_eq!(said, (label.to_owned(), value.to_owned()), "{name}");
        }
    }
}

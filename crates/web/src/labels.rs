//! What the label of a form's field says, for refusals: nobody sees the names that forms are sent with.

use evenpull_app::Condition;

use crate::pages::condition_words;
use crate::texts::Texts;

/// Fields of the forms and keys of a job, each with the key of its label.
const LABELS: [(&str, &str); 55] = [
    ("address", "readings.address"),
    ("adjuster", "work.adjuster"),
    ("bleed", "readings.bleed"),
    ("bleed_turns", "readings.bleed"),
    ("bore_mm", "readings.hose_bore"),
    ("cable_slack", "checks.cable"),
    ("caption", "booking.caption"),
    ("clearances", "checks.clearances"),
    ("complaint", "machine.complaint"),
    ("compression_kpa", "checks.compression"),
    ("condition", "readings.condition"),
    ("contact", "machines.contact"),
    ("currency", "shop.currency"),
    ("dead_volume_cc", "readings.hose_dead"),
    ("decimal", "shop.decimal"),
    ("ecu_opening_deg", "bench.ecu"),
    ("engine_c", "readings.engine_c"),
    ("exhaust_mm", "checks.exhaust"),
    ("gauge", "said.gauge"),
    ("gauges_zeroed", "checks.gauges"),
    ("hose", "said.hose"),
    ("hose_bore_mm", "readings.hose_bore"),
    ("hose_dead_cc", "readings.hose_dead"),
    ("hose_length_m", "readings.hose_length"),
    ("idle_valve_steps", "bench.valve"),
    ("inlet_mm", "checks.inlet"),
    ("leak_down_percent", "checks.leak_down"),
    ("length_m", "readings.hose_length"),
    ("lid_off", "checks.lid"),
    ("line_minutes", "shop.minutes"),
    ("line_price", "shop.price"),
    ("name", "machines.name"),
    ("note", "machines.owner_note"),
    ("odometer_km", "machine.odometer"),
    ("owner", "machines.owner_name"),
    ("pressure", "shop.pressure"),
    ("pressure_kpa", "machine.ambient"),
    ("profile", "machines.profile"),
    ("rate", "shop.rate"),
    ("registration", "machines.registration"),
    ("repaired", "readings.repaired"),
    ("retain_until", "machines.retain"),
    ("rpm", "bench.rpm"),
    ("seal", "booking.seals"),
    ("seed", "bench.seed"),
    ("sensor_v", "bench.volts"),
    ("sold_on", "owners.sold_on"),
    ("source", "readings.source"),
    ("spindle_play_mm", "checks.spindle"),
    ("steps", "bench.valve"),
    ("stub_spray", "checks.spray"),
    ("temperature_c", "machine.temperature"),
    ("turns", "work.turns"),
    ("unit", "readings.unit"),
    ("way", "work.way"),
];

/// The label of a field as the page shows it, with what it is for: `gauge.left` is "Gauges, left". A name that no
/// page has a label for stands as it is.
pub(crate) fn label(field: &str, texts: &Texts) -> String {
    let known = |name: &str| {
        let found = LABELS.iter().find(|(key, _)| *key == name);
        found.map(|(_, text)| texts.at(text).trim_end_matches([',', ' ']).to_owned())
    };
    if let Some(label) = known(field) {
        return label;
    }
    let Some((first, rest)) = field.split_once('.') else {
        return field.to_owned();
    };
    if let Some(condition) = Condition::ALL.into_iter().find(|c| c.as_str() == first) {
        return format!(
            "{}, {}",
            condition_words(condition, texts),
            label(rest, texts)
        );
    }
    match (known(first), rest.parse::<usize>()) {
        // Lines of a list are counted from 0 in the form and from 1 on the page.
        (Some(label), Ok(index)) => format!("{} {}, {label}", texts.at("shop.line"), index + 1),
        // Inside a check or a hose the last word is what was measured.
        (Some(label), Err(_)) => {
            let inner: Vec<String> = rest
                .split('.')
                .map(|part| known(part).unwrap_or_else(|| part.to_owned()))
                .collect();
            format!("{label}, {}", inner.join(", "))
        }
        (None, _) => field.to_owned(),
    }
}

/// The label of a key of a job file, such as `reading[2].rpm`.
pub(crate) fn label_of_key(key: &str, texts: &Texts) -> String {
    let inner = match key.split_once('.') {
        Some((section, inner))
            if section.starts_with("reading[") || matches!(section, "ambient" | "checks") =>
        {
            inner
        }
        _ => key,
    };
    label(inner, texts)
}

/// As [`label_of_key`], with the condition of the reading where it is one of a form's; see
/// [`crate::pages::aside::problem_of_readings`].
pub(crate) fn label_of_reading_key(
    key: &str,
    before: usize,
    conditions: &[Condition],
    texts: &Texts,
) -> String {
    let plain = label_of_key(key, texts);
    let number = key.strip_prefix("reading[").and_then(|rest| {
        let (number, _) = rest.split_once(']')?;
        number.parse::<usize>().ok()
    });
    // Readings are counted from 1.
    let place = number.and_then(|n| n.checked_sub(before + 1));
    match place.and_then(|i| conditions.get(i)) {
        Some(condition) => format!("{}, {plain}", condition_words(*condition, texts)),
        None => plain,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_key_of_a_job_file_is_called_as_the_pages_call_it() {
        let texts = Texts::english();
        for (key, wanted) in [
            ("reading[2].rpm", "rpm"),
            ("ambient.pressure_kpa", "Barometer, kPa"),
            ("checks.leak_down_percent.left", "Leak-down, left"),
            ("layout.time", "layout.time"),
        ] {
            assert_eq!(label_of_key(key, &texts), wanted, "{key}");
        }
    }

    #[test]
    fn a_reading_of_a_form_is_told_by_its_condition() {
        let texts = Texts::english();
        let form = [Condition::Idle, Condition::Hold];
        for (key, wanted) in [
            ("reading[3].rpm", "idle, rpm"),
            ("reading[4].gauge.left", "hold, Gauges, left"),
            ("reading[2].rpm", "rpm"),
            ("reading[5].rpm", "rpm"),
            ("ambient.pressure_kpa", "Barometer, kPa"),
        ] {
            assert_eq!(label_of_reading_key(key, 2, &form, &texts), wanted, "{key}");
        }
    }

    #[test]
    fn a_field_is_called_as_its_page_calls_it() {
        let texts = Texts::english();
        for (field, wanted) in [
            ("odometer_km", "Odometer, km"),
            ("gauge.left", "Gauges, left"),
            ("bleed.right", "Bleed, turns from seat, right"),
            ("hold.rpm", "hold, rpm"),
            ("idle.gauge.left", "idle, Gauges, left"),
            ("line_price.0", "Line 1, Parts or fixed price"),
            (
                "clearances.left.inlet_mm",
                "Valve clearances, stone cold, left, inlet",
            ),
            ("never_heard_of", "never_heard_of"),
        ] {
            assert_eq!(label(field, &texts), wanted, "{field}");
        }
    }

    #[test]
    fn every_label_is_a_text_and_stands_once() {
        let texts = Texts::english();
        for (i, (field, key)) in LABELS.iter().enumerate() {
            assert_ne!(texts.at(key), *key, "{field}");
            assert!(
                LABELS[..i].iter().all(|(other, _)| other != field),
                "{field}"
            );
        }
    }
}

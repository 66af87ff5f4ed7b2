//! The tables of the findings, cylinders as columns.

use evenpull_app::{AssessOutcome, Assessment, Interval, ReadingResult};

use crate::paragraph::{entry, fixed, table};

/// Speed, depression and through-area of every reading.
pub(crate) fn readings(outcome: &AssessOutcome) -> String {
    let a = &outcome.assessment;
    let typed = &outcome.loaded.job.readings;
    let mut head = vec!["reading".to_owned(), "rpm".to_owned()];
    head.extend(a.body_names.iter().map(|b| format!("{b} kPa")));
    head.push("differ".to_owned());
    head.extend(a.body_names.iter().map(|b| format!("{b} mm2")));
    let rows = a.readings.iter().enumerate().map(|(i, r)| {
        let mut row = vec![format!("{} {}", i + 1, r.condition)];
        let recorded = r.cycle.as_ref().map(|c| c.rpm.value);
        let rpm = recorded.or_else(|| typed.get(i).and_then(|t| t.rpm));
        row.push(fixed(rpm.unwrap_or(f64::NAN), 0));
        let depression = depressions(r, a.body_names.len());
        row.extend(depression.iter().map(|d| fixed(*d, 1)));
        row.push(fixed(difference(&depression), 1));
        row.extend((0..a.body_names.len()).map(|b| area(r, b)));
        row
    });
    let text = table(&head, rows.collect());
    if a.readings.is_empty() {
        return String::new();
    }
    let limits = format!(
        "Depression in kPa, through-area in mm2. A difference up to {} kPa is good, above {} kPa \
         is to be acted on.",
        a.good_kpa, a.act_kpa
    );
    text + &entry("  ", &limits)
}

/// Recorded depressions, or those of the gauges.
fn depressions(r: &ReadingResult, bodies: usize) -> Vec<f64> {
    let recorded = |c: &evenpull_app::CycleReading| {
        c.channels
            .iter()
            .map(|channel| channel.mean_depression_kpa)
            .collect()
    };
    let typed = r.gauge_kpa.clone();
    let found: Option<Vec<f64>> = r.cycle.as_ref().map(recorded).or(typed);
    found.unwrap_or_else(|| vec![f64::NAN; bodies])
}

fn difference(depression: &[f64]) -> f64 {
    let max = depression.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let min = depression.iter().copied().fold(f64::INFINITY, f64::min);
    max - min
}

fn area(r: &ReadingResult, body: usize) -> String {
    let channel = r.cycle.as_ref().and_then(|c| c.channels.get(body));
    match channel {
        None => "-".to_owned(),
        Some(c) => c
            .through_area_mm2
            .map_or_else(|| "refused".to_owned(), |s| fixed(s.value, 2)),
    }
}

/// Plate offset, leak and bleed of every body, and the difference of the first two.
pub(crate) fn bodies(a: &Assessment) -> String {
    if a.bodies.is_empty() {
        return String::new();
    }
    let mut head = vec![String::new(), String::new()];
    head.extend(a.bodies.iter().map(|b| b.body.clone()));
    if let (Some(_), [first, second, ..]) = (&a.difference, a.body_names.as_slice()) {
        head.push(format!("{first} - {second}"));
    }
    let row = |name: &str, unit: &str, values: Vec<Interval>, extra: Option<Interval>| {
        let mut row = vec![name.to_owned(), unit.to_owned()];
        row.extend(values.into_iter().chain(extra).map(|i| interval(i, 2)));
        row
    };
    let all =
        |pick: fn(&evenpull_app::BodyFinding) -> Interval| a.bodies.iter().map(pick).collect();
    let mut bleed = row("bleed", "mm2", all(|b| b.bleed_mm2), None);
    bleed.resize(head.len(), String::new());
    let rows = vec![
        row(
            "plate offset",
            "deg",
            all(|b| b.offset_deg),
            a.difference.map(|d| d.offset_deg),
        ),
        row(
            "leak",
            "mm2",
            all(|b| b.leak_mm2),
            a.difference.map(|d| d.leak_mm2),
        ),
        bleed,
    ];
    table(&head, rows)
}

/// `value (low to high)`.
fn interval(i: Interval, decimals: usize) -> String {
    if !i.value.is_finite() {
        return "-".to_owned();
    }
    let [value, lo, hi] = [i.value, i.lo90, i.hi90].map(|v| fixed(v, decimals));
    format!("{value} ({lo} to {hi})")
}

/// Targets to go back to.
pub(crate) fn baseline(a: &Assessment) -> String {
    let Some(b) = &a.baseline else {
        return String::new();
    };
    let mut text = entry(
        "  ",
        &format!(
            "{}{}",
            evenpull_app::BASELINE_WORDS,
            if b.sure {
                ""
            } else {
                "; not known well enough to set a stop by"
            }
        ),
    );
    // Volts need a third decimal: a hundredth is a fifth of a degree.
    text += &entry(
        "  ",
        &format!("raw sensor volts on the stop: {} V", interval(b.stop_v, 3)),
    );
    if let Some(steps) = b.idle_valve_steps {
        text.push_str(&entry(
            "  ",
            &format!("idle-valve steps: {}", interval(steps, 0)),
        ));
    }
    if let Some(kpa) = b.idle_depression_kpa {
        text.push_str(&entry(
            "  ",
            &format!("idle depression: {} kPa", interval(kpa, 1)),
        ));
    }
    for t in &b.bodies {
        let volts = t
            .stop_v
            .map_or(String::new(), |v| format!(", back at {} V", interval(v, 3)));
        text.push_str(&entry(
            "  ",
            &format!(
                "{}: plate {} deg from it{volts}",
                t.body,
                interval(t.offset_deg, 2)
            ),
        ));
    }
    let lists = [
        ("sign", &b.signs),
        ("verify", &b.verify),
        ("give up if", &b.give_up),
    ];
    for (head, lines) in lists {
        for line in lines {
            text.push_str(&entry("  - ", &format!("{head}: {line}")));
        }
    }
    text
}

/// Air error over the throttle range.
pub(crate) fn mixture(a: &Assessment) -> String {
    let mut points: Vec<(f64, f64)> = a.fuelling.iter().map(|f| (f.opening_deg, f.rpm)).collect();
    points.sort_by(|x, y| x.1.total_cmp(&y.1).then(x.0.total_cmp(&y.0)));
    points.dedup();
    if points.is_empty() {
        return String::new();
    }
    let mut head = vec!["opening deg".to_owned(), "rpm".to_owned()];
    head.extend(a.body_names.iter().cloned());
    let rows = points.into_iter().map(|(opening, rpm)| {
        let mut row = vec![fixed(opening, 1), fixed(rpm, 0)];
        row.extend(a.body_names.iter().map(|body| {
            let at = |f: &&evenpull_app::Fuelling| {
                f.body == *body
                    && f.opening_deg.total_cmp(&opening).is_eq()
                    && f.rpm.total_cmp(&rpm).is_eq()
            };
            a.fuelling
                .iter()
                .find(at)
                .map_or_else(|| "-".to_owned(), |f| percent(f.air_error_percent))
        }));
        row
    });
    let mut text = table(&head, rows.collect());
    for sentence in &a.mixture_words {
        text += &entry("  ", sentence);
    }
    text
}

fn percent(i: Interval) -> String {
    if !i.value.is_finite() {
        return "-".to_owned();
    }
    format!("{:+.1} ({:+.1} to {:+.1})", i.value, i.lo90, i.hi90)
}

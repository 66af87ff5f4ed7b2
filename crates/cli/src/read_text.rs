//! One recording in words.

use std::fmt::Write;

use evenpull_app::{ChannelReading, CycleReading, Profile, ReadOutcome, Scaled};

use crate::paragraph::{entry, fixed, table};

/// The reading as a mechanic reads it: evenness first, then a table, then the doubts.
pub(crate) fn read_text(outcome: &ReadOutcome, profile: &Profile) -> String {
    let r = &outcome.reading;
    let mut text = String::new();
    let _ = writeln!(
        text,
        "{}\n{:.0} +-{:.1} rpm over {} cycles ({:.1} s at {:.0} Hz)\n",
        outcome.name,
        r.rpm.value,
        r.rpm.sd,
        r.cycles,
        outcome.samples as f64 * outcome.dt_s,
        1.0 / outcome.dt_s
    );
    text.push_str(&entry("", &evenness(r, profile)));
    text.push('\n');
    text.push_str(&channel_table(&r.channels));
    let refused = r.channels.iter().any(|c| c.through_area_mm2.is_none());
    if refused {
        text.push_str(&entry(
            "  ",
            "An area shown as `refused` cannot be trusted from this recording; the doubts below \
             say why and what to do.",
        ));
    }
    if let Some(percent) = scale_percent(&r.channels) {
        let _ = writeln!(
            text,
            "  Areas and air masses share a scale uncertain by {percent:.0} %; ratios are free of it."
        );
    }
    if !r.notices.is_empty() {
        text.push_str("\nDoubts\n");
        for n in &r.notices {
            text.push_str(&entry("  - ", &n.text));
        }
    }
    text
}

/// The difference of depression against the profile's limits.
fn evenness(r: &CycleReading, profile: &Profile) -> String {
    let tolerance = &profile.tolerance;
    let by_depression = |a: &&ChannelReading, b: &&ChannelReading| {
        a.mean_depression_kpa.total_cmp(&b.mean_depression_kpa)
    };
    let low = r.channels.iter().min_by(by_depression);
    let high = r.channels.iter().max_by(by_depression);
    let (Some(low), Some(high)) = (low, high) else {
        return "No cylinder was read.".to_owned();
    };
    if r.channels.len() == 1 {
        return format!(
            "One cylinder: {:.1} kPa depression.",
            low.mean_depression_kpa
        );
    }
    let difference = high.mean_depression_kpa - low.mean_depression_kpa;
    let word = if difference <= tolerance.good_kpa {
        "good"
    } else if difference <= tolerance.act_kpa {
        "watch"
    } else {
        "act"
    };
    format!(
        "Depression differs by {difference:.1} kPa, `{}` above `{}`: {word} (good to {} kPa, act \
         above {} kPa).",
        high.body, low.body, tolerance.good_kpa, tolerance.act_kpa
    )
}

fn channel_table(channels: &[ChannelReading]) -> String {
    let mut head = vec![String::new(), String::new()];
    head.extend(channels.iter().map(|c| c.body.clone()));
    let row = |name: &str, unit: &str, value: &dyn Fn(&ChannelReading) -> String| {
        let mut row = vec![name.to_owned(), unit.to_owned()];
        row.extend(channels.iter().map(value));
        row
    };
    table(
        &head,
        vec![
            row("mean depression", "kPa", &|c| {
                fixed(c.mean_depression_kpa, 1)
            }),
            row("lowest pressure", "kPa", &|c| fixed(c.lowest_kpa, 1)),
            row("refill rate", "1/s", &|c| {
                let k = c.refill_rate_per_s;
                format!("{} +-{}", fixed(k.value, 2), fixed(k.sd, 2))
            }),
            row("through-area", "mm2", &|c| scaled(c.through_area_mm2, 2)),
            row("drawn air a cycle", "mg", &|c| scaled(c.drawn_air_mg, 1)),
        ],
    )
}

fn scaled(value: Option<Scaled>, decimals: usize) -> String {
    value.map_or_else(
        || "refused".to_owned(),
        |s| format!("{} +-{}", fixed(s.value, decimals), fixed(s.sd, decimals)),
    )
}

/// Common scale uncertainty [%], from the first body that has an area.
fn scale_percent(channels: &[ChannelReading]) -> Option<f64> {
    let area = channels.iter().find_map(|c| c.through_area_mm2)?;
    let percent = 100.0 * area.scale_sd / area.value;
    percent.is_finite().then_some(percent)
}

//! Lines as a device writes them, for tests, for the bench and as a pattern for a device.

use std::fmt::Write as _;

use crate::lines::{LineHead, LineUnit, check};

/// The head of a stream, with its check and line end.
pub fn head_line(head: &LineHead) -> String {
    let mut line = format!(
        "head v=1 rate={} names={} wrap={}",
        head.stream.rate_hz,
        head.stream.channels.join(","),
        head.wrap
    );
    // Writing to a string does not fail.
    let _ = match head.unit {
        LineUnit::KiloPascal => write!(line, " unit=kPa"),
        LineUnit::Pascal => write!(line, " unit=Pa"),
        LineUnit::Count { counts, sensor } => {
            let (k1, k2) = slope(sensor);
            let full = counts.full_scale();
            write!(line, " unit=count full={full} k1={k1} k2={k2}")
        }
        LineUnit::Volt { supply_v, sensor } => {
            let (k1, k2) = slope(sensor);
            write!(line, " unit=volt full={supply_v} k1={k1} k2={k2}")
        }
    };
    if let Some(run) = &head.run {
        let _ = write!(line, " run={run}");
    }
    ended(line)
}

/// Slope [1/kPa] and offset [-] of a sensor.
fn slope(sensor: evenpull_airflow::Ratiometric) -> (f64, f64) {
    let k2 = sensor.ratio_from_pa(0.0);
    // Back from the step of the ratio, to the digits a data sheet has.
    let k1 = (1e12 / sensor.pa_per_ratio() * 1e3).round() / 1e12;
    (k1, k2)
}

/// One sample; a value that is not finite is written as `-`.
pub fn sample_line(count: u64, values: &[f64], decimals: usize) -> String {
    let mut line = count.to_string();
    for v in values {
        let _ = if v.is_finite() {
            write!(line, " {v:.decimals$}")
        } else {
            write!(line, " -")
        };
    }
    ended(line)
}

/// A remark for people; characters beyond plain ASCII are left out.
pub fn remark_line(text: &str) -> String {
    let plain = text.chars().filter(|c| (' '..='~').contains(c));
    ended("note ".chars().chain(plain).take(200).collect())
}

fn ended(mut line: String) -> String {
    let sum = check(line.as_bytes());
    let _ = writeln!(line, "~{sum:02x}");
    line
}

//! The files of a practice job.

use std::fmt::Write as _;
use std::fs::File;
use std::io::{BufWriter, Write};
use std::path::Path;

use super::bench::{Bench, HOSE, Point, Taken};
use super::{PracticeTruth, ReadingTruth};
use crate::error::AppError;
use crate::written::{unwritable, write_text};
use evenpull_engine::{Blemishes, Layout, write_recording};

pub(super) fn make_folder(folder: &Path) -> Result<(), AppError> {
    std::fs::create_dir_all(folder).map_err(|e| unwritable(folder, &e))
}

pub(super) fn write_folder(
    folder: &Path,
    job: &str,
    profile_text: &str,
    truth: &PracticeTruth,
) -> Result<(), AppError> {
    let text = serde_json::to_string_pretty(truth).map_err(|e| AppError::Json(e.to_string()))?;
    write_text(&folder.join("job.toml"), job)?;
    write_text(&folder.join("profile.toml"), profile_text)?;
    write_text(&folder.join("truth.json"), &(text + "\n"))
}

pub(super) fn whole_truth(
    bench: &Bench<'_>,
    bleed_mm2: Vec<f64>,
    readings: Vec<ReadingTruth>,
) -> PracticeTruth {
    PracticeTruth {
        faults: bench.described.clone(),
        stop_deg: bench.setting.linkage.stop_deg.clone(),
        link_deg: bench.setting.linkage.link_deg.clone(),
        leak_mm2: bench.leak_mm2(),
        bleed_mm2,
        readings,
    }
}

/// What was pinched and turned for the reading written last.
pub(super) fn circumstances(text: &mut String, pinched: bool, noted: &[(String, f64)]) {
    if pinched {
        text.push_str("pinched = [\"idle_valve\", \"balance_pipe\"]\n");
    }
    if noted.is_empty() {
        return;
    }
    let entries: Vec<String> = noted
        .iter()
        .map(|(name, turns)| format!("{{ adjuster = {}, turns = {turns:.3} }}", quoted(name)))
        .collect();
    let _ = writeln!(text, "adjusted = [{}]", entries.join(", "));
}

pub(super) fn recording_name(index: usize, point: Point) -> String {
    format!(
        "{index:02}_{}_{:.0}.csv",
        point.condition.as_str(),
        point.rpm
    )
}

/// Everything above the readings; `own` goes before the first table.
pub(super) fn head(bench: &Bench<'_>, own: &str) -> String {
    let p = bench.profile;
    let ambient_kpa = bench.setting.ambient_pa / 1e3;
    let per_body = |value: &dyn Fn(usize) -> String| -> String {
        let entries = p.bodies().iter().enumerate();
        entries
            .map(|(i, b)| format!("{} = {}", quoted(b), value(i)))
            .collect::<Vec<_>>()
            .join(", ")
    };
    let mut text = format!(
        "format = \"evenpull.job/1\"\nprofile = \"profile.toml\"\nmachine = \"practice engine\"\n{own}\
         [ambient]\npressure_kpa = {ambient_kpa:.2}\ntemperature_c = {:.1}\nkey_off_kpa = {{ {} }}\n\
         [seals]\n",
        bench.setting.ambient_k - 273.15,
        per_body(&|_| format!("{ambient_kpa:.2}")),
    );
    for part in p.adjusters().iter().filter(|a| a.kind.is_sealed()) {
        let touched = bench.disturbed.contains(&part.name);
        let state = if touched { "disturbed" } else { "intact" };
        let _ = writeln!(text, "{} = \"{state}\"", quoted(&part.name));
    }
    text.push_str("[layout]\ntime = \"time_s\"\ntime_unit = \"s\"\n[layout.pressure]\n");
    for body in p.bodies() {
        let _ = writeln!(
            text,
            "{} = {{ column = {}, unit = \"kPa\" }}",
            quoted(body),
            quoted(&format!("{body}_kpa"))
        );
    }
    text
}

pub(super) fn reading(
    text: &mut String,
    bench: &Bench<'_>,
    point: Point,
    name: &str,
    taken: &Taken,
) {
    let _ = write!(
        text,
        "[[reading]]\ncondition = \"{}\"\nrecording = {}\nengine_c = 75\n\
         hose = {{ length_m = {}, bore_mm = {}, dead_volume_cc = {} }}\n",
        point.condition.as_str(),
        quoted(name),
        HOSE.length_m,
        HOSE.bore_mm,
        HOSE.dead_volume_cc
    );
    if let (Some(v), Some(deg)) = (taken.sensor_v, taken.ecu_opening_deg) {
        let _ = write!(text, "sensor_v = {v:.3}\necu_opening_deg = {deg:.2}\n");
    }
    if bench.profile.idle_valve.is_some() {
        let _ = writeln!(text, "idle_valve_steps = {:.0}", taken.idle_steps);
    }
    if bench.profile.bleed.is_some() {
        let entries: Vec<String> = bench
            .profile
            .bodies()
            .iter()
            .zip(&taken.bleed_turns)
            .map(|(b, t)| format!("{} = {t:.2}", quoted(b)))
            .collect();
        let _ = writeln!(text, "bleed_turns = {{ {} }}", entries.join(", "));
    }
}

/// A TOML basic string.
fn quoted(text: &str) -> String {
    format!("\"{}\"", text.replace('\\', "\\\\").replace('"', "\\\""))
}

pub(super) fn truth(point: Point, recording: String, taken: &Taken) -> ReadingTruth {
    let t = &taken.trace.truth;
    let scaled = |list: &[f64], by: f64| list.iter().map(|v| v * by).collect();
    ReadingTruth {
        condition: point.condition.as_str(),
        rpm: taken.trace.rpm,
        recording,
        plate_deg: t.plate_deg.clone(),
        through_area_mm2: scaled(&t.through_area_m2, 1e6),
        drawn_air_mg: scaled(&t.drawn_air_kg, 1e6),
        mean_depression_kpa: scaled(&t.mean_depression_pa, 1e-3),
    }
}

pub(super) fn write_samples(bench: &Bench<'_>, taken: &Taken, path: &Path) -> Result<(), AppError> {
    let bodies: Vec<&str> = bench.profile.bodies().iter().map(String::as_str).collect();
    let mut samples = taken.samples.clone();
    if bench.crossed {
        // The hoses are crossed, the columns keep their names.
        samples.p_pa.swap(0, 1);
    }
    let order: Vec<usize> = (0..bodies.len()).collect();
    let file = File::create(path).map_err(|e| unwritable(path, &e))?;
    let mut out = BufWriter::new(file);
    write_recording(
        &mut out,
        &samples,
        &bodies,
        &order,
        &Layout::Plain,
        Blemishes::default(),
    )
    .and_then(|()| out.flush())
    .map_err(|e| unwritable(path, &e))
}

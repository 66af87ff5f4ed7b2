//! Readings taken on the bench as a job: the same files as any other, assessed as any other.

use std::fmt::Write as _;
use std::path::Path;

use evenpull_job::{Condition, HoseData};

use crate::assess::{AssessOutcome, assess};
use crate::error::AppError;
use crate::profiles::LoadedProfile;
use crate::written::{unwritable, write_text};

/// One reading taken on the bench.
#[derive(Debug, Clone, PartialEq)]
pub struct BenchReading {
    /// What the engine did.
    pub condition: Condition,
    /// Recording: `time_s` and a column `BODY_kpa` for each body.
    pub recording: String,
    /// Engine speed [1/min].
    pub rpm: f64,
    /// Mean depressions [kPa], profile's order.
    pub depression_kpa: Vec<f64>,
    /// The firing intervals show hoses on each other's bodies: the depressions are not of the bodies they
    /// are named after.
    pub crossed: bool,
    /// Engine temperature [C], if it was told.
    pub engine_c: Option<f64>,
    /// Raw volts of the throttle sensor [V].
    pub sensor_v: Option<f64>,
    /// Opening the ECU believes in [deg above closed].
    pub ecu_opening_deg: Option<f64>,
    /// Idle valve [steps].
    pub idle_valve_steps: Option<f64>,
    /// Bleeds [turns from seat], profile's order.
    pub bleed_turns: Option<Vec<f64>>,
    /// Adjusters turned since the reading before [turns], positive = more opening.
    pub adjusted: Vec<(String, f64)>,
    /// How many of the turns of the visit were made before it.
    pub turns_before: usize,
}

/// Everything the bench knows about one visit.
#[derive(Debug, Clone, PartialEq)]
pub struct BenchJob {
    /// Engine profile.
    pub profile: LoadedProfile,
    /// Machine as it is called.
    pub machine: String,
    /// Ambient pressure [kPa].
    pub ambient_kpa: f64,
    /// Ambient temperature [C].
    pub ambient_c: f64,
    /// What each sensor read with the engine off [kPa], profile's order.
    pub key_off_kpa: Option<Vec<f64>>,
    /// Hose between stub and sensor.
    pub hose: Option<HoseData>,
    /// Sealed parts, and whether the seal shows that they were touched.
    pub seals: Vec<(String, bool)>,
    /// Readings in the order they were taken.
    pub readings: Vec<BenchReading>,
    /// Adjusters turned [turns], each turn by itself, in the order they were made; not the bleeds, which each
    /// reading has as they stand.
    pub turns: Vec<(String, f64)>,
    /// Readings are of the practice engine.
    pub practice: bool,
}

impl BenchJob {
    /// Writes the job into `folder` (made if missing) and assesses it as any job.
    ///
    /// # Errors
    /// [`AppError::Unwritable`] for the folder, else as in [`assess`].
    pub fn assess_in(&self, folder: &Path) -> Result<AssessOutcome, AppError> {
        std::fs::create_dir_all(folder).map_err(|e| unwritable(folder, &e))?;
        write_text(&folder.join("profile.toml"), &self.profile.text)?;
        for (index, reading) in self.readings.iter().enumerate() {
            write_text(&folder.join(recording_name(index)), &reading.recording)?;
        }
        write_text(&folder.join("job.toml"), &self.text())?;
        assess(folder, &mut |_, _| {})
    }

    /// Text of `job.toml`.
    fn text(&self) -> String {
        let bodies = self.profile.profile.bodies();
        let mut text = format!(
            "format = \"evenpull.job/1\"\nprofile = \"profile.toml\"\nmachine = {}\n\
             [ambient]\npressure_kpa = {:.3}\ntemperature_c = {:.1}\n",
            quoted(&self.machine),
            self.ambient_kpa,
            self.ambient_c
        );
        if let Some(kpa) = &self.key_off_kpa {
            let _ = writeln!(text, "key_off_kpa = {{ {} }}", per_body(bodies, kpa, 3));
        }
        text.push_str("[seals]\n");
        for (part, touched) in &self.seals {
            let state = if *touched { "disturbed" } else { "intact" };
            let _ = writeln!(text, "{} = \"{state}\"", quoted(part));
        }
        text.push_str("[layout]\ntime = 1\ntime_unit = \"s\"\n[layout.pressure]\n");
        for (i, body) in bodies.iter().enumerate() {
            let column = i + 2;
            let _ = writeln!(
                text,
                "{} = {{ column = {column}, unit = \"kPa\" }}",
                quoted(body)
            );
        }
        for (index, reading) in self.readings.iter().enumerate() {
            self.reading(&mut text, index, reading);
        }
        text
    }

    fn reading(&self, text: &mut String, index: usize, reading: &BenchReading) {
        let _ = write!(
            text,
            "[[reading]]\ncondition = \"{}\"\nrecording = {}\n",
            reading.condition.as_str(),
            quoted(&recording_name(index))
        );
        if let Some(h) = self.hose {
            let _ = writeln!(
                text,
                "hose = {{ length_m = {}, bore_mm = {}, dead_volume_cc = {} }}",
                h.length_m, h.bore_mm, h.dead_volume_cc
            );
        }
        let numbers = [
            ("engine_c", reading.engine_c, 0),
            ("sensor_v", reading.sensor_v, 3),
            ("ecu_opening_deg", reading.ecu_opening_deg, 2),
            ("idle_valve_steps", reading.idle_valve_steps, 0),
        ];
        for (key, value, decimals) in numbers {
            if let Some(value) = value {
                let _ = writeln!(text, "{key} = {value:.decimals$}");
            }
        }
        if let Some(turns) = &reading.bleed_turns {
            let bodies = self.profile.profile.bodies();
            let _ = writeln!(text, "bleed_turns = {{ {} }}", per_body(bodies, turns, 2));
        }
        if !reading.adjusted.is_empty() {
            let entries: Vec<String> = reading
                .adjusted
                .iter()
                .map(|(name, turns)| {
                    format!("{{ adjuster = {}, turns = {turns:.3} }}", quoted(name))
                })
                .collect();
            let _ = writeln!(text, "adjusted = [{}]", entries.join(", "));
        }
    }
}

fn recording_name(index: usize) -> String {
    format!("reading-{:02}.csv", index + 1)
}

fn per_body(bodies: &[String], values: &[f64], decimals: usize) -> String {
    let entries = bodies.iter().zip(values);
    entries
        .map(|(body, v)| format!("{} = {v:.decimals$}", quoted(body)))
        .collect::<Vec<_>>()
        .join(", ")
}

/// A TOML basic string.
fn quoted(text: &str) -> String {
    let mut out = String::from("\"");
    for c in text.chars() {
        match c {
            '"' | '\\' => {
                out.push('\\');
                out.push(c);
            }
            c if c.is_control() => {
                let _ = write!(out, "\\u{:04X}", u32::from(c));
            }
            c => out.push(c),
        }
    }
    out.push('"');
    out
}

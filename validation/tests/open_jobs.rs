//! The analysis against jobs whose inputs are known (`truth.json`): the open example jobs, by an
//! independent simulator with gas inertia, hose, sensor drift, noise, rounding and jitter, and a job by
//! a Cantera reactor network (`network/twin.py`).
//!
//! Nothing in the analysis is fitted to these jobs: scale V/n cancels in ratios, and ratios are what
//! is compared.

use std::path::{Path, PathBuf};

use evenpull_app::{LoadedJob, ReadOutcome, job_request, load_job, read_recording};
use serde_json::Value;

/// Sensor drift put in between the engine-off reading and the run, standard deviation [kPa].
const DRIFT_KPA: f64 = 0.17;

/// What one recording gave beside its truth, left over right where it is a ratio.
struct Row {
    name: String,
    area_error: f64,
    area_sd: f64,
    air_error: f64,
    air_sd: f64,
    rpm_error: f64,
    depression_kpa: [f64; 2],
    /// Areas themselves over those put in, less one, and the stated sd of the common scale [-].
    level: [[f64; 2]; 2],
    crossed_put_in: bool,
    codes: Vec<String>,
}

fn jobs() -> Vec<PathBuf> {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("../examples/jobs");
    let mut found: Vec<PathBuf> = std::fs::read_dir(&root)
        .unwrap_or_else(|e| panic!("{}: {e}", root.display()))
        .map(|entry| entry.expect("a folder entry").path())
        .filter(|p| p.join("truth.json").is_file())
        .collect();
    found.sort();
    found
}

/// Numbers of a two-element list of the truth.
fn pair(value: &Value, key: &str) -> [f64; 2] {
    [0, 1].map(|i| {
        value[key][i]
            .as_f64()
            .unwrap_or_else(|| panic!("`{key}` of the truth"))
    })
}

/// Area with its random and its common sd, air with its random sd, depression of one channel.
fn values(outcome: &ReadOutcome, channel: usize) -> ([f64; 3], [f64; 2], f64) {
    let c = &outcome.reading.channels[channel];
    let area = c
        .through_area_mm2
        .unwrap_or_else(|| panic!("{}: area of {} refused", outcome.name, c.body));
    let air = c
        .drawn_air_mg
        .unwrap_or_else(|| panic!("{}: air of {} refused", outcome.name, c.body));
    (
        [area.value, area.sd / area.value, area.scale_sd / area.value],
        [air.value, air.sd / air.value],
        c.mean_depression_kpa,
    )
}

fn row(loaded: &LoadedJob, index: usize, truth: &Value) -> Row {
    let request = job_request(loaded, index).expect("every open reading has a recording");
    let outcome = read_recording(&request, &mut |_| {}).unwrap_or_else(|e| panic!("{e}"));
    let crossed_put_in = truth["crossed"].as_bool().expect("`crossed`");
    let at = &truth["readings"][index];
    // Values are listed under the names in the file, so crossed hoses exchange them.
    let order = if crossed_put_in { [1, 0] } else { [0, 1] };
    let [(a0, m0, d0), (a1, m1, d1)] = order.map(|i| values(&outcome, i));
    let ratio = |key: &str| {
        let [left, right] = pair(at, key);
        left / right
    };
    let depression = pair(at, "mean_depression_kpa");
    let areas = pair(at, "through_area_mm2");
    Row {
        name: format!(
            "{} {index}",
            loaded
                .folder
                .file_name()
                .expect("a job folder")
                .to_string_lossy()
        ),
        area_error: a0[0] / a1[0] / ratio("through_area_mm2") - 1.0,
        area_sd: a0[1].hypot(a1[1]),
        air_error: m0[0] / m1[0] / ratio("drawn_air_mg") - 1.0,
        air_sd: m0[1].hypot(m1[1]),
        rpm_error: outcome.reading.rpm.value / at["rpm"].as_f64().expect("a number") - 1.0,
        depression_kpa: [d0 - depression[0], d1 - depression[1]],
        level: [
            [a0[0] / areas[0] - 1.0, a0[2]],
            [a1[0] / areas[1] - 1.0, a1[2]],
        ],
        crossed_put_in,
        codes: outcome
            .reading
            .notices
            .iter()
            .map(|n| n.code.to_string())
            .collect(),
    }
}

fn rows() -> Vec<Row> {
    let rows: Vec<Row> = jobs().iter().flat_map(|folder| rows_of(folder)).collect();
    assert_eq!(rows.len(), 49, "seven jobs of seven recordings");
    rows
}

fn rows_of(folder: &Path) -> Vec<Row> {
    let loaded = load_job(folder).unwrap_or_else(|e| panic!("{e}"));
    let text = std::fs::read_to_string(folder.join("truth.json")).expect("the truth");
    let truth: Value = serde_json::from_str(&text).expect("JSON");
    let readings = truth["readings"].as_array().expect("a list").len();
    assert_eq!(loaded.job.readings.len(), readings, "{}", folder.display());
    (0..readings)
        .map(|index| row(&loaded, index, &truth))
        .collect()
}

/// Sizes in rising order.
fn sizes(values: impl Iterator<Item = f64>) -> Vec<f64> {
    let mut v: Vec<f64> = values.map(f64::abs).collect();
    v.sort_by(f64::total_cmp);
    v
}

/// Share of sizes within `limit`.
fn within(sorted: &[f64], limit: f64) -> f64 {
    sorted.partition_point(|v| *v <= limit) as f64 / sorted.len() as f64
}

fn root_mean_square(values: impl Iterator<Item = f64>) -> f64 {
    let (n, sum) = values.fold((0, 0.0), |(n, s), v| (n + 1, s + v * v));
    (sum / f64::from(n)).sqrt()
}

#[expect(
    clippy::print_stdout,
    reason = "the table is what this test is read for"
)]
fn print(rows: &[Row]) {
    println!("errors in % (stated sd), speed in %, depressions in kPa");
    for r in rows {
        println!(
            "{:28} area {:+.2} ({:.2}) air {:+.2} ({:.2}) rpm {:+.2} depression {:+.2} {:+.2} {:?}",
            r.name,
            100.0 * r.area_error,
            100.0 * r.area_sd,
            100.0 * r.air_error,
            100.0 * r.air_sd,
            100.0 * r.rpm_error,
            r.depression_kpa[0],
            r.depression_kpa[1],
            r.codes
        );
    }
}

/// Limits as the project promises them for a recording of a minute or less: area ratio 0.5 %, drawn
/// air 0.7 % in 95 of 100, none beyond 1.2 %; speed 0.5 % in all; what is stated as sd is the spread
/// of the errors to a quarter either way.
#[test]
fn val_open_jobs_ratios() {
    let rows = rows();
    print(&rows);
    let area = sizes(rows.iter().map(|r| r.area_error));
    let air = sizes(rows.iter().map(|r| r.air_error));
    let area_z = root_mean_square(rows.iter().map(|r| r.area_error / r.area_sd));
    let air_z = root_mean_square(rows.iter().map(|r| r.air_error / r.air_sd));
    println!(
        "area: {:.0} % within 0.5 %, max {:.2} %, z {area_z:.2}; air: {:.0} % within 0.7 %, max {:.2} %, z {air_z:.2}",
        100.0 * within(&area, 0.005),
        100.0 * area[area.len() - 1],
        100.0 * within(&air, 0.007),
        100.0 * air[air.len() - 1]
    );
    assert!(within(&area, 0.005) >= 0.95, "{area:?}");
    assert!(within(&air, 0.007) >= 0.95, "{air:?}");
    assert!(area[area.len() - 1] <= 0.012 && air[air.len() - 1] <= 0.012);
    assert!((0.8..=1.25).contains(&area_z), "{area_z}");
    assert!((0.8..=1.25).contains(&air_z), "{air_z}");
    for r in &rows {
        assert!(r.rpm_error.abs() <= 0.005, "{}: {}", r.name, r.rpm_error);
    }
}

/// Mean depression within 0.3 kPa beside the sensor's own drift, which no reading can see: single
/// values within 0.3 kPa and two deviations of the drift in 95 of 100, their mean within a tenth of
/// a kilopascal (98 values of 0.17 kPa would give 0.02).
#[test]
fn val_open_jobs_depressions() {
    let rows = rows();
    let all: Vec<f64> = rows.iter().flat_map(|r| r.depression_kpa).collect();
    let mean = all.iter().sum::<f64>() / all.len() as f64;
    let sorted = sizes(all.iter().copied());
    assert!(mean.abs() < 0.1, "{mean} kPa");
    assert!(within(&sorted, 0.3 + 2.0 * DRIFT_KPA) >= 0.95, "{sorted:?}");
}

/// Crossed hoses are seen where they were crossed and nowhere else; no other doubt is raised about
/// the recordings' physics.
#[test]
fn val_open_jobs_notices() {
    for r in rows() {
        let has = |code: &str| r.codes.iter().any(|c| c == code);
        assert_eq!(has("crossed-hoses"), r.crossed_put_in, "{}", r.name);
        for code in [
            "cross-flow",
            "channel-dead",
            "refill-over-early",
            "unsteady-rpm",
            "misfire-like",
            "scatter",
            "firing-unclear",
        ] {
            assert!(!has(code), "{}: {:?}", r.name, r.codes);
        }
    }
}

/// `cantera320`: a fired twin as a reactor network with warm runner walls, areas 6 to 24 mm2 and up to a
/// fifth apart, no sensor noise. Area and drawn-air ratios within 0.7 %: what is left is the heat of the
/// walls, which gives refills of different speed different exponents and so shows most where idle areas
/// are far apart (README.md of this package). Speed within 0.5 %, mean depression within 0.3 kPa, as for the open
/// jobs; the areas themselves within two stated sd of the common scale.
#[test]
fn val_reactor_network_twin() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("data/cantera2025_twin");
    let rows = rows_of(&folder);
    print(&rows);
    assert_eq!(rows.len(), 5);
    for r in &rows {
        let name = &r.name;
        assert!(r.area_error.abs() <= 0.007, "{name}: area {}", r.area_error);
        assert!(r.air_error.abs() <= 0.007, "{name}: air {}", r.air_error);
        assert!(r.rpm_error.abs() <= 0.005, "{name}: speed {}", r.rpm_error);
        for kpa in r.depression_kpa {
            assert!(kpa.abs() <= 0.3, "{name}: depression {kpa} kPa");
        }
        for [error, scale_sd] in r.level {
            assert!(
                error.abs() <= 2.0 * scale_sd,
                "{name}: level {error}, sd {scale_sd}"
            );
        }
    }
}

//! Jobs with mistakes: every message names file, line and remedy.

use std::path::PathBuf;

use crate::program::{Answer, evenpull, open_job, shown};

/// A copy of an open job's texts without its recordings, with one thing changed.
struct Job {
    _folder: tempfile::TempDir,
    file: PathBuf,
    text: String,
}

impl Job {
    fn changed(from: &str, to: &str) -> Self {
        let folder = tempfile::tempdir().unwrap();
        let original = std::fs::read_to_string(open_job("stub-leak").join("job.toml")).unwrap();
        assert!(original.contains(from), "`{from}` is not in the job");
        let text = original.replacen(from, to, 1);
        for entry in std::fs::read_dir(open_job("stub-leak")).unwrap() {
            let path = entry.unwrap().path();
            std::fs::copy(&path, folder.path().join(path.file_name().unwrap())).unwrap();
        }
        let file = folder.path().join("job.toml");
        std::fs::write(&file, &text).unwrap();
        Self {
            _folder: folder,
            file,
            text,
        }
    }

    fn assess(&self) -> Answer {
        evenpull(&["assess", &shown(&self.file)])
    }

    /// `job.toml:line:` of the first line that holds `text`.
    fn place(&self, text: &str) -> String {
        let at = self.text.lines().position(|l| l.contains(text)).unwrap() + 1;
        format!("job.toml:{at}:")
    }

    #[track_caller]
    fn refuses(&self, marked: &str, texts: &[&str]) {
        let place = self.place(marked);
        self.assess()
            .refuses(&[&[place.as_str(), "remedy:"], texts].concat());
    }
}

#[test]
fn an_unknown_key() {
    let job = Job::changed("sensor_v = ", "sensor_w = ");
    job.refuses(
        "sensor_w",
        &["unknown key `sensor_w`", "did you mean `sensor_v`?"],
    );
}

#[test]
fn malformed_toml() {
    let job = Job::changed("[ambient]", "[ambient");
    job.refuses("[ambient", &["not valid TOML"]);
}

#[test]
fn units_that_clash() {
    let job = Job::changed(
        "left = { column = \"left_kpa\", unit = \"kPa\" }",
        "left = { column = \"left_kpa\", unit = \"kPa\", k1 = 0.009 }",
    );
    job.refuses("k1 = 0.009", &["`k1` clashes with the unit \"kPa\""]);
    let job = Job::changed(
        "unit = \"kPa\" }\n[[reading]]",
        "unit = \"degC\" }\n[[reading]]",
    );
    job.refuses("degC", &["\"degC\" is no unit of pressure", "kPa"]);
}

#[test]
fn a_depression_above_ambient() {
    let job = Job::changed("gauge = { left = 47.2", "gauge = { left = 147.2");
    job.refuses("147.2", &["above the ambient 98.4 kPa", "check the unit"]);
}

#[test]
fn forty_thousand_rpm() {
    let job = Job::changed("engine_c = 76", "engine_c = 76\nrpm = 40000");
    job.refuses("rpm = 40000", &["40000 1/min is outside"]);
}

#[test]
fn a_reading_that_names_a_missing_file() {
    let job = Job::changed(
        "recording = \"03_sweep_2100.csv\"",
        "recording = \"03.csv\"",
    );
    job.refuses(
        "03.csv",
        &["reading[4].recording", "`03.csv` does not exist"],
    );
}

#[test]
fn a_profile_that_is_not_there() {
    let job = Job::changed("profile = \"profile.toml\"", "profile = \"prof.toml\"");
    job.refuses("prof.toml", &["no profile `prof.toml`", "heron-270"]);
}

#[test]
fn a_body_the_profile_does_not_know() {
    let job = Job::changed("bleed_turns = { left", "bleed_turns = { lfet");
    job.refuses("lfet", &["no body named `lfet`", "did you mean `left`?"]);
}

#[test]
fn all_problems_of_a_job_at_once() {
    let job = Job::changed(
        "engine_c = 76",
        "engine_c = 760\nrpm = -5\ncolour = \"red\"",
    );
    let place = job.place("rpm = -5");
    job.assess()
        .refuses(&["760 C is outside", &place, "unknown key `colour`"]);
}

#[test]
fn folders_without_a_job() {
    let folder = tempfile::tempdir().unwrap();
    let path = shown(folder.path());
    evenpull(&["assess", &path]).refuses(&[&path, "no `job.toml`", "remedy:"]);
    evenpull(&["assess", &shown(&folder.path().join("nowhere"))])
        .refuses(&["does not exist", "remedy:"]);
}

#[test]
fn an_empty_job() {
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("job.toml"), "\n").unwrap();
    evenpull(&["assess", &shown(folder.path())]).refuses(&["job.toml", "empty", "remedy:"]);
}

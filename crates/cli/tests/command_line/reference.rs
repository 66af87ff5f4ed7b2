//! A healthy machine of the same kind given beside a job.

use serde_json::Value;

use crate::program::{Answer, evenpull, open_job, shown};

/// Assesses an open job beside references.
fn beside(job: &str, references: &[&str]) -> Answer {
    let path = shown(&open_job(job));
    let mut args = vec!["assess", path.as_str(), "--json"];
    for r in references {
        args.extend(["--reference", r]);
    }
    evenpull(&args)
}

fn width(v: &Value) -> f64 {
    let i = &v["bodies"][0]["offset_deg"];
    i["hi90"].as_f64().unwrap() - i["lo90"].as_f64().unwrap()
}

fn codes(v: &Value) -> Vec<&str> {
    let all = v["notices"].as_array().unwrap();
    all.iter().filter_map(|n| n["code"].as_str()).collect()
}

/// What the kind of machine tells narrows what is said of this one, and the answer says so.
#[test]
fn a_reference_narrows_the_offsets() {
    let answer = |references: &[&str]| -> Value {
        let a = beside("stop-turned-in", references);
        serde_json::from_str(&a.out).unwrap_or_else(|e| panic!("{e}: {a:#?}"))
    };
    let alone = answer(&[]);
    let healthy = shown(&open_job("healthy"));
    let with = answer(&[&healthy]);
    assert!(codes(&with).contains(&"reference-record"), "{with}");
    assert!(!codes(&alone).contains(&"reference-record"), "{alone}");
    assert!(
        width(&with) < width(&alone),
        "{} {}",
        width(&with),
        width(&alone)
    );
    assert_eq!(with["causes"][0]["code"], alone["causes"][0]["code"]);
}

/// A machine whose stop was turned is no reference; the job is assessed without it.
#[test]
fn a_reference_with_a_moved_stop_is_not_used() {
    let moved = shown(&open_job("stop-turned-in"));
    let a = beside("healthy", &[&moved]);
    let v: Value = serde_json::from_str(&a.out).unwrap_or_else(|e| panic!("{e}: {a:#?}"));
    assert!(codes(&v).contains(&"reference-not-healthy"), "{v}");
}

#[test]
fn a_reference_that_is_not_there() {
    beside("healthy", &["no-such-job"]).refuses(&[
        "no-such-job",
        "there is no such reference",
        "remedy:",
    ]);
}

#[test]
fn a_job_as_its_own_reference() {
    let own = shown(&open_job("healthy"));
    beside("healthy", &[&own]).refuses(&[
        "healthy",
        "a job cannot be its own reference",
        "remedy:",
    ]);
    let file = shown(&open_job("healthy").join("job.toml"));
    beside("healthy", &[&file]).refuses(&["a job cannot be its own reference"]);
}

#[test]
fn a_folder_without_a_job() {
    let folder = tempfile::tempdir().unwrap();
    beside("healthy", &[&shown(folder.path())]).refuses(&["holds no `job.toml`", "remedy:"]);
}

/// Bodies that the profile does not know, told at the line of the reference's own file.
#[test]
fn a_reference_of_another_engine() {
    let folder = tempfile::tempdir().unwrap();
    let text = std::fs::read_to_string(open_job("healthy").join("job.toml")).unwrap();
    let other = text.replace("key_off_kpa = { left", "key_off_kpa = { front");
    assert_ne!(text, other);
    std::fs::write(folder.path().join("job.toml"), &other).unwrap();
    let line = other.lines().position(|l| l.contains("front")).unwrap() + 1;
    let place = format!("job.toml:{line}:");
    beside("healthy", &[&shown(folder.path())]).refuses(&[&place, "front", "remedy:"]);
}

/// With an earlier visit and a written reason a stop is named with its volts, and no step asks for the
/// reason again; without the reason nothing sealed is named.
#[test]
fn a_written_reason_opens_the_baseline_stage() {
    let folder = tempfile::tempdir().unwrap();
    let source = open_job("stop-turned-in");
    for entry in std::fs::read_dir(&source).unwrap() {
        let entry = entry.unwrap();
        std::fs::copy(entry.path(), folder.path().join(entry.file_name())).unwrap();
    }
    let file = folder.path().join("job.toml");
    let earlier = format!("\nearlier = '{}'\n", shown(&open_job("healthy")));
    let text = std::fs::read_to_string(&file)
        .unwrap()
        .replacen('\n', &earlier, 1);
    let ways = |text: &str| -> Vec<(String, String)> {
        std::fs::write(&file, text).unwrap();
        let a = evenpull(&["assess", &shown(folder.path()), "--json"]);
        let v: Value = serde_json::from_str(&a.out).unwrap_or_else(|e| panic!("{e}: {a:#?}"));
        let word = |step: &Value, key: &str| step[key].as_str().unwrap().to_owned();
        let steps = v["advice"].as_array().unwrap().iter();
        steps
            .map(|step| (word(step, "adjuster"), word(step, "way")))
            .collect()
    };
    let asked = |steps: &[(String, String)]| steps.iter().any(|(_, way)| way.contains("reason"));
    let stop = |steps: &[(String, String)]| steps.iter().any(|(name, _)| name == "stop.left");
    let without = ways(&text);
    assert!(asked(&without) && !stop(&without), "{without:?}");
    let reason = "\n[baseline]\nreason = \"seal broken when it came in, owner agrees\"\n";
    let with = ways(&(text + reason));
    assert!(!asked(&with) && stop(&with), "{with:?}");
}

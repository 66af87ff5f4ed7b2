use serde_json::Value;

use crate::program::{Answer, evenpull, open_job, shown};

fn assess(job: &str, extra: &[&str]) -> Answer {
    let path = shown(&open_job(job));
    evenpull(&[&["assess", &path][..], extra].concat())
}

fn json(job: &str) -> Value {
    let a = assess(job, &["--json"]);
    let v: Value = serde_json::from_str(&a.out).unwrap_or_else(|e| panic!("{e}: {a:#?}"));
    let expected = i32::from(v["undetermined"] == true);
    assert_eq!(a.code, Some(expected), "exit code and `undetermined` agree");
    v
}

#[test]
fn json_follows_the_contract() {
    let v = json("balance-off");
    assert_eq!(v["format"], "evenpull.assess/1");
    assert_eq!(v["readings"].as_array().unwrap().len(), 7);
    assert_eq!(v["readings"][0]["condition"], "idle-bleeds-shut");
    assert_eq!(v["readings"][0]["channels"][1]["body"], "right");
    assert!(v["causes"][0]["code"].is_string(), "{v}");
    let odds: Vec<f64> = v["causes"]
        .as_array()
        .unwrap()
        .iter()
        .map(|c| c["probability"].as_f64().unwrap())
        .collect();
    assert!(odds.iter().all(|p| (0.0..=1.0).contains(p)), "{odds:?}");
    assert!(
        odds.is_sorted_by(|a, b| a >= b),
        "most probable first: {odds:?}"
    );
    let codes: Vec<&str> = v["notices"]
        .as_array()
        .unwrap()
        .iter()
        .map(|n| n["code"].as_str().unwrap())
        .collect();
    assert!(codes.contains(&"profile-defaults"), "{codes:?}");
}

/// What a mechanic must read, in the order of reading.
#[test]
fn words_put_verdict_cautions_and_steps_in_order() {
    let a = assess("balance-off", &[]);
    let place = |text: &str| {
        a.out
            .find(text)
            .unwrap_or_else(|| panic!("no `{text}` in:\n{}", a.out))
    };
    let order = [
        place("VERDICT"),
        place("BEFORE THE ENGINE RUNS"),
        place("CO alarm"),
        place("WHAT TO DO"),
        place("LEAVE SEALED"),
        place("READINGS"),
    ];
    assert!(order.is_sorted(), "{order:?}\n{}", a.out);
    assert!(a.out.lines().all(|l| l.chars().count() <= 100), "{}", a.out);
}

#[test]
fn out_writes_a_page_and_the_same_json() {
    let folder = tempfile::tempdir().unwrap();
    let out = folder.path().join("answer");
    let a = assess("healthy", &["--json", "--out", &shown(&out)]);
    let page = std::fs::read_to_string(out.join("assessment.html")).unwrap();
    assert!(page.contains("<svg") && page.contains("Dunlin 1060"));
    assert!(page.contains("CO alarm"), "cautions are on the page");
    let written = std::fs::read_to_string(out.join("assessment.json")).unwrap();
    assert_eq!(written, a.out);
    assert!(a.err.contains("assessment.html"), "{}", a.err);
}

#[test]
fn a_folder_and_its_file_are_the_same_job() {
    let by_folder = assess("healthy", &["--json"]);
    let file = shown(&open_job("healthy").join("job.toml"));
    assert_eq!(evenpull(&["assess", &file, "--json"]).out, by_folder.out);
}

#[test]
fn a_recording_without_an_engine_is_told_and_the_rest_assessed() {
    let folder = tempfile::tempdir().unwrap();
    for entry in std::fs::read_dir(open_job("healthy")).unwrap() {
        let path = entry.unwrap().path();
        std::fs::copy(&path, folder.path().join(path.file_name().unwrap())).unwrap();
    }
    let still: String = std::iter::once("time_s,left_kpa,right_kpa\n".to_owned())
        .chain((0..6000).map(|i| format!("{:.5},96.640,96.640\n", f64::from(i) * 1e-3)))
        .collect();
    std::fs::write(folder.path().join("03_sweep_2100.csv"), still).unwrap();
    let a = evenpull(&["assess", &shown(folder.path()), "--json"]);
    assert!(matches!(a.code, Some(0 | 1)), "{a:#?}");
    let v: Value = serde_json::from_str(&a.out).unwrap();
    let told = v["notices"].as_array().unwrap().iter().any(|n| {
        n["code"] == "recording-refused" && n["text"].as_str().unwrap().contains("reading 4")
    });
    assert!(told, "{}", v["notices"]);
    assert!(v["readings"][3]["rpm"].is_null());
    assert!(v["readings"][2]["rpm"]["value"].is_number());
}

#[test]
fn the_demonstration_ends_with_a_balanced_bench() {
    let a = evenpull(&["demo"]);
    assert_eq!(a.code, Some(0), "{a:#?}");
    for text in [
        "VERDICT",
        "WHAT WAS PUT IN",
        "balance-off",
        "TRIED ON THE PRACTICE ENGINE",
    ] {
        assert!(a.out.contains(text), "no `{text}` in:\n{}", a.out);
    }
}

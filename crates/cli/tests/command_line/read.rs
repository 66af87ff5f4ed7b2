use std::io::Write;
use std::process::Stdio;

use serde_json::Value;

use crate::program::{Answer, command, evenpull, open_job, shown};

fn healthy(extra: &[&str]) -> Answer {
    let job = open_job("healthy");
    let recording = shown(&job.join("01_idle_1250.csv"));
    let profile = shown(&job.join("profile.toml"));
    let mut args = vec!["read", &recording, "--profile", &profile];
    args.extend_from_slice(extra);
    evenpull(&args)
}

const KNOWN: [&str; 8] = [
    "--ambient-kpa",
    "96,64",
    "--ambient-c",
    "22.1",
    "--key-off",
    "left=96.64;right=96.64",
    "--hose",
    "0.25x4x0.6",
];

#[test]
fn json_follows_the_contract_and_the_truth() {
    let a = healthy(&[&KNOWN[..], &["--json"]].concat());
    assert_eq!(a.code, Some(0), "{a:#?}");
    let v: Value = serde_json::from_str(&a.out).unwrap();
    assert_eq!(v["format"], "evenpull.read/1");
    assert!(
        (v["rpm"]["value"].as_f64().unwrap() - 1250.0).abs() < 12.5,
        "{v}"
    );
    assert!(v["cycles"].as_u64().unwrap() >= 50);
    let truth = std::fs::read_to_string(open_job("healthy").join("truth.json")).unwrap();
    let truth: Value = serde_json::from_str(&truth).unwrap();
    for i in 0..2 {
        let got = v["channels"][i]["mean_depression_kpa"].as_f64().unwrap();
        let want = truth["readings"][1]["mean_depression_kpa"][i]
            .as_f64()
            .unwrap();
        assert!((got - want).abs() < 0.5, "body {i}: {got} for {want}");
    }
}

#[test]
fn words_fit_a_terminal_and_data_alone_is_on_standard_output() {
    let a = healthy(&KNOWN);
    assert_eq!(a.code, Some(0), "{a:#?}");
    assert!(
        a.out.contains("left") && a.out.contains("through-area"),
        "{}",
        a.out
    );
    assert!(a.out.contains("Depression differs by 0.5 kPa"), "{}", a.out);
    assert!(!a.out.contains("assumed:"), "{}", a.out);
    assert!(a.out.lines().all(|l| l.chars().count() <= 100), "{}", a.out);
}

#[test]
fn what_was_not_said_is_told_as_assumed() {
    let a = healthy(&["--json"]);
    for text in ["--ambient-kpa", "--ambient-c", "--key-off", "--hose"] {
        assert!(a.err.contains(text), "{}", a.err);
    }
    serde_json::from_str::<Value>(&a.out).unwrap();
}

#[test]
fn standard_input_reads_as_the_file_does() {
    let job = open_job("healthy");
    let profile = shown(&job.join("profile.toml"));
    let mut child = command()
        .args(["read", "-", "--profile", &profile, "--json"])
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    let bytes = std::fs::read(job.join("01_idle_1250.csv")).unwrap();
    child.stdin.take().unwrap().write_all(&bytes).unwrap();
    let piped = Answer::of(child.wait_with_output().unwrap());
    assert_eq!(piped.out, healthy(&["--json"]).out);
}

#[test]
fn a_layout_file_is_honoured() {
    let job = open_job("stop-turned-in");
    let folder = tempfile::tempdir().unwrap();
    let layout = folder.path().join("layout.toml");
    let write = |text: &str| std::fs::write(&layout, text).unwrap();
    let read = || {
        evenpull(&[
            "read",
            &shown(&job.join("06_hold_3800.csv")),
            "--profile",
            "heron-270",
            "--layout",
            &shown(&layout),
            "--json",
        ])
    };
    let column = |body: &str, name: &str| {
        format!("{body} = {{ column = \"{name}\", unit = \"V\", k1 = 0.009, k2 = -0.095 }}\n")
    };
    let text = |left, right| {
        format!(
            "[layout.pressure]\n{}{}",
            column("left", left),
            column("right", right)
        )
    };
    let depression = |a: &Answer, i: usize| {
        let v: Value = serde_json::from_str(&a.out).unwrap_or_else(|e| panic!("{e}: {a:#?}"));
        v["channels"][i]["mean_depression_kpa"].as_f64().unwrap()
    };
    write(&text("Channel B", "Channel A"));
    let straight = read();
    write(&text("Channel A", "Channel B"));
    let exchanged = read();
    assert!((depression(&straight, 0) - depression(&exchanged, 1)).abs() < 1e-9);
    write("[layout.pressure]\nleft = { column = \"Channel Z\", unit = \"kPa\" }\n");
    read().refuses(&["Channel Z", "Channel A"]);
}

#[test]
fn numbers_out_of_range_are_refused_by_flag() {
    healthy(&["--ambient-kpa", "1013"]).refuses(&["--ambient-kpa", "outside 50 to 115 kPa"]);
    healthy(&["--key-off", "port=99"]).refuses(&["no body `port`", "left, right"]);
    healthy(&["--hose", "long"]).refuses(&["--hose", "0.25x4x0.6"]);
}

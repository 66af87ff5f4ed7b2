use std::path::Path;

use super::*;
use crate::job_folder::{LoadedJob, load_job};

const JOBS: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/../../examples/jobs");

fn read(loaded: &LoadedJob, index: usize) -> ReadOutcome {
    let request = job_request(loaded, index).unwrap();
    read_recording(&request, &mut |_| {}).unwrap()
}

/// Truth of an open job: the mean depressions an independent simulator gave [kPa].
fn true_depression(job: &str, index: usize) -> Vec<f64> {
    let text = std::fs::read_to_string(Path::new(JOBS).join(job).join("truth.json")).unwrap();
    let truth: serde_json::Value = serde_json::from_str(&text).unwrap();
    let list = truth["readings"][index]["mean_depression_kpa"]
        .as_array()
        .unwrap();
    list.iter().map(|v| v.as_f64().unwrap()).collect()
}

#[test]
fn each_layout_gives_the_true_depressions() {
    // Counts behind boot text; plain; an oscilloscope's columns the other way round.
    for job in ["balance-off", "healthy", "stop-turned-in"] {
        let loaded = load_job(&Path::new(JOBS).join(job)).unwrap();
        for index in [1, 6] {
            let outcome = read(&loaded, index);
            for (channel, want) in outcome
                .reading
                .channels
                .iter()
                .zip(true_depression(job, index))
            {
                let got = channel.mean_depression_kpa;
                // Two sensors of the kind differ by less than 0.5 kPa once zeroed, common practice.
                assert!((got - want).abs() < 0.5, "{job} {index}: {got} for {want}");
            }
        }
    }
}

#[test]
fn swapped_hoses_exchange_the_bodies() {
    let loaded = load_job(&Path::new(JOBS).join("stub-leak")).unwrap();
    let mut request = job_request(&loaded, 1).unwrap();
    let straight = read_recording(&request, &mut |_| {}).unwrap();
    request.swapped = true;
    let swapped = read_recording(&request, &mut |_| {}).unwrap();
    let d = |o: &ReadOutcome, i: usize| o.reading.channels[i].mean_depression_kpa;
    assert!((d(&straight, 0) - d(&swapped, 1)).abs() < 1e-9);
    assert!((d(&straight, 1) - d(&swapped, 0)).abs() < 1e-9);
    assert!(
        (d(&straight, 0) - d(&straight, 1)).abs() > 5.0,
        "the test needs a difference"
    );
}

#[test]
fn progress_reaches_the_length_of_the_file() {
    let loaded = load_job(&Path::new(JOBS).join("healthy")).unwrap();
    let request = job_request(&loaded, 0).unwrap();
    let mut seen = 0;
    read_recording(&request, &mut |bytes| seen = bytes).unwrap();
    assert_eq!(Some(seen), request.source.length());
}

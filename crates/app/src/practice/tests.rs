use super::*;
use crate::{load_job, load_profile};

fn made(faults: &[&str], seed: u64) -> (tempfile::TempDir, PracticeTruth) {
    let folder = tempfile::tempdir().unwrap();
    let profile = load_profile("heron-270").unwrap();
    let faults: Vec<Fault> = faults.iter().map(|f| f.parse().unwrap()).collect();
    let request = PracticeRequest {
        profile: &profile,
        faults: &faults,
        seed,
    };
    let truth = practice(&request, folder.path(), &mut |_, _| {}).unwrap();
    (folder, truth)
}

#[test]
fn a_practice_job_reads_back_as_a_job() {
    let (folder, truth) = made(&["stop-in:left"], 7);
    let loaded = load_job(folder.path()).unwrap();
    assert_eq!(loaded.job.readings.len(), 7);
    assert_eq!(
        loaded.job.seal("stop.left"),
        Some(evenpull_job::SealState::Disturbed)
    );
    assert_eq!(
        loaded.job.seal("stop.right"),
        Some(evenpull_job::SealState::Intact)
    );
    assert!(truth.stop_deg[0] > truth.stop_deg[1] + 0.2, "{truth:?}");
    // Rigid rod: the stop turned in carries both plates.
    let idle = &truth.readings[1];
    assert!(
        (idle.plate_deg[0] - idle.plate_deg[1]).abs() < 1e-9,
        "{idle:?}"
    );
    // The zero-learn after it hides the moved stop from the ECU, not from the raw volts.
    let r = &loaded.job.readings[1];
    assert!(r.ecu_opening_deg.unwrap().abs() < 0.2);
    let raised = r.sensor_v.unwrap() - loaded.profile.sensor.unwrap().volts_at_stop;
    assert!(raised > 0.008, "{raised} V");
}

#[test]
fn the_same_seed_gives_the_same_job() {
    let (a, _) = made(&["stub-leak"], 3);
    let (b, _) = made(&["stub-leak"], 3);
    for name in ["job.toml", "truth.json", "06_hold_3750.csv"] {
        let read = |d: &tempfile::TempDir| std::fs::read(d.path().join(name)).unwrap();
        assert_eq!(read(&a), read(&b), "{name}");
    }
}

#[test]
fn a_leak_lowers_the_depression_of_its_side() {
    let (_folder, truth) = made(&["stub-leak:right"], 5);
    for r in &truth.readings {
        let d = &r.mean_depression_kpa;
        assert!(d[1] < d[0], "{r:?}");
        assert!(r.through_area_mm2[1] > r.through_area_mm2[0] + 0.8, "{r:?}");
    }
}

#[test]
fn wrong_faults_say_what_is_known() {
    let e = "stub-leek".parse::<Fault>().unwrap_err().to_string();
    assert!(e.contains("stub-leek") && e.contains("stub-leak"), "{e}");
    let folder = tempfile::tempdir().unwrap();
    let try_with = |profile: &str, fault: &str| {
        let profile = load_profile(profile).unwrap();
        let faults = [fault.parse().unwrap()];
        let request = PracticeRequest {
            profile: &profile,
            faults: &faults,
            seed: 1,
        };
        practice(&request, folder.path(), &mut |_, _| {})
            .unwrap_err()
            .to_string()
    };
    let e = try_with("heron-270", "stub-leak:port");
    assert!(e.contains("`port`") && e.contains("left, right"), "{e}");
    let e = try_with("dipper-triple", "crossed-hoses");
    assert!(e.contains("two bodies"), "{e}");
    let e = try_with("siskin-four", "stub-leak");
    assert!(e.contains("one drive body"), "{e}");
}

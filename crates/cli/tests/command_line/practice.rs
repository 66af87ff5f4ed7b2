use crate::program::{evenpull, shown};

#[test]
fn practice_writes_a_job_that_reads() {
    let folder = tempfile::tempdir().unwrap();
    let out = folder.path().join("made");
    let a = evenpull(&[
        "practice",
        "--fault",
        "stub-leak:left",
        "--seed",
        "4",
        "--out",
        &shown(&out),
    ]);
    assert_eq!(a.code, Some(0), "{a:#?}");
    for name in ["job.toml", "profile.toml", "truth.json"] {
        assert!(out.join(name).is_file(), "{name}");
    }
    let profile = shown(&out.join("profile.toml"));
    let a = evenpull(&["profile", "check", &profile]);
    assert_eq!(a.code, Some(0), "{a:#?}");
    let recording = shown(&out.join("06_hold_3750.csv"));
    let a = evenpull(&[
        "read",
        &recording,
        "--profile",
        &profile,
        "--hose",
        "0.25x4x0.6",
    ]);
    assert_eq!(a.code, Some(0), "{a:#?}");
    assert!(a.out.contains("37"), "{}", a.out);
}

#[test]
fn unknown_faults_name_the_known_ones() {
    let folder = tempfile::tempdir().unwrap();
    let out = shown(folder.path());
    evenpull(&["practice", "--fault", "stub-leek", "--out", &out])
        .refuses(&["stub-leek", "stub-leak"]);
    evenpull(&["practice", "--fault", "stub-leak:port", "--out", &out])
        .refuses(&["`port`", "left, right"]);
}

#[test]
fn a_folder_that_cannot_be_written() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("file");
    std::fs::write(&file, "").unwrap();
    evenpull(&["practice", "--out", &shown(&file.join("inside"))])
        .refuses(&["cannot be written", "remedy:"]);
}

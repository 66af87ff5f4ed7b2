use crate::program::{evenpull, open_job, shown};

/// A recording of the examples is played, its zero unknown, and one reading is accepted and kept; read
/// as a file it says what was accepted.
#[test]
fn a_replayed_recording_is_accepted_and_kept() {
    let job = open_job("healthy");
    let profile = shown(&job.join("profile.toml"));
    let folder = tempfile::tempdir().unwrap();
    let out = folder.path().join("kept");
    let air = ["--ambient-kpa", "96.64", "--ambient-c", "22.1"];
    let recording = shown(&job.join("06_hold_3800.csv"));
    let kept = shown(&out);
    let mut args = vec!["listen", "--profile", &profile, "--replay", &recording];
    args.extend([
        "--condition",
        "hold",
        "--seconds",
        "60",
        "--json",
        "--out",
        &kept,
    ]);
    args.extend(air);
    let a = evenpull(&args);
    assert_eq!(a.code, Some(0), "{a:#?}");
    assert!(a.err.contains("reading 1"), "{}", a.err);
    let heard: serde_json::Value = serde_json::from_str(&a.out).unwrap();
    let file = shown(&out.join("01_hold.csv"));
    let mut args = vec![
        "read",
        &file,
        "--profile",
        &profile,
        "--condition",
        "hold",
        "--json",
    ];
    args.extend(air);
    let a = evenpull(&args);
    let read: serde_json::Value = serde_json::from_str(&a.out).unwrap();
    assert_eq!(heard[0], read);
}

#[test]
fn sources_that_cannot_be_are_refused() {
    evenpull(&["listen", "--profile", "heron-270", "--network", "nowhere"])
        .refuses(&["nowhere", "remedy"]);
    evenpull(&[
        "listen",
        "--profile",
        "heron-270",
        "--replay",
        "no such file",
    ])
    .refuses(&["no such file"]);
    evenpull(&[
        "listen",
        "--profile",
        "heron-270",
        "--practice",
        "stub-leek",
    ])
    .refuses(&["stub-leek"]);
}

/// Nothing is plugged in: it waits, says so, and ends with a refusal when its time is over.
#[test]
fn a_port_that_is_not_there_is_waited_for() {
    let args = [
        "listen",
        "--profile",
        "heron-270",
        "--serial",
        "/nowhere/port",
        "--seconds",
        "2",
    ];
    let a = evenpull(&args);
    assert_eq!(a.code, Some(1), "{a:#?}");
    assert!(a.err.contains("/nowhere/port"), "{}", a.err);
}

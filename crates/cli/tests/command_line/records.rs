use std::path::Path;

use crate::program::{Answer, evenpull, open_job, shown};

/// Runs with the data folder named.
fn with(data: &Path, args: &[&str]) -> Answer {
    let folder = shown(data);
    let all: Vec<&str> = args.iter().copied().chain(["--data", &folder]).collect();
    evenpull(&all)
}

/// As [`with`], and it must be answered; returns what came on standard output.
fn done(data: &Path, args: &[&str]) -> String {
    let a = with(data, args);
    assert_eq!(a.code, Some(0), "{args:?}: {a:#?}");
    a.out
}

/// Enters an owner whose data may be kept until a day.
fn add_owner(last_day: &str) -> [&str; 5] {
    ["records", "add-owner", "N. N.", "--retain-until", last_day]
}

/// Words that a change of the file's place may change are not compared.
fn answer(a: &Answer) -> serde_json::Value {
    assert!(a.code == Some(0) || a.code == Some(1), "{a:#?}");
    serde_json::from_str(&a.out).unwrap()
}

#[test]
fn a_job_taken_in_and_written_out_again_is_assessed_alike() {
    let dir = tempfile::tempdir().unwrap();
    let data = dir.path().join("data");
    for name in ["stub-leak", "stop-turned-in", "balance-off"] {
        let job = shown(&open_job(name));
        let in_folder = answer(&evenpull(&["assess", &job, "--json"]));
        let taken = done(&data, &["import", &job]);
        let id = taken.trim().rsplit(' ').next().unwrap().to_owned();
        let stored = answer(&with(&data, &["assess", &id, "--json"]));
        assert_eq!(stored, in_folder, "{name}");
        let out = dir.path().join(format!("{name}.zip"));
        done(&data, &["export", &id, "--to", &shown(&out)]);
        let again = done(&data, &["import", &shown(&out)]);
        assert!(again.starts_with("7 readings"), "{again}");
        let id = again.trim().rsplit(' ').next().unwrap().to_owned();
        let folder = dir.path().join(name);
        done(&data, &["export", &id, "--to", &shown(&folder)]);
        let exported = answer(&evenpull(&["assess", &shown(&folder), "--json"]));
        assert_eq!(exported, in_folder, "{name}");
    }
    let list = done(&data, &["records", "jobs"]);
    assert_eq!(list.lines().count(), 7, "{list}");
    assert_eq!(done(&data, &["check"]).lines().last(), Some("all sound"));
}

#[test]
fn a_visit_is_entered_backed_up_and_brought_back() {
    let dir = tempfile::tempdir().unwrap();
    let data = dir.path().join("data");
    assert_eq!(done(&data, &add_owner("2099-12-31")), "kept as owner 1\n");
    let machine = [
        "records",
        "add-machine",
        "blue twin",
        "--profile",
        "heron-270",
        "--owner",
        "1",
    ];
    assert_eq!(done(&data, &machine), "kept as machine 1\n");
    let job = [
        "records",
        "add-job",
        "1",
        "--ambient-kpa",
        "99,3",
        "--complaint",
        "hunts",
    ];
    assert_eq!(done(&data, &job), "kept as job 1\n");
    let reading = [
        "records",
        "add-reading",
        "1",
        "--condition",
        "hold",
        "--gauge",
        "left=34,5;right=36",
        "--rpm",
        "3800",
    ];
    assert_eq!(done(&data, &reading), "kept as reading 1\n");
    done(
        &data,
        &["records", "note-seal", "1", "stop.left", "disturbed"],
    );
    done(
        &data,
        &["records", "note-check", "1", "cable_slack", "true"],
    );
    done(&data, &["records", "note-turn", "1", "bleed.left", "-0.25"]);
    done(
        &data,
        &["records", "note-step", "1", "warm-up", "--note", "82 C"],
    );
    let sealed = with(&data, &["records", "note-turn", "1", "stop.left", "0.25"]);
    assert_eq!(sealed.code, Some(1), "{sealed:#?}");
    assert!(sealed.err.contains("baseline stage"), "{}", sealed.err);

    let backup = dir.path().join("b.zip");
    let said = done(&data, &["backup", &shown(&backup)]);
    assert!(said.contains("read again and compared"), "{said}");
    done(&data, &["records", "delete-owner", "1"]);
    assert_eq!(done(&data, &["records", "owners"]), "no owners\n");
    let show = done(&data, &["records", "show", "1"]);
    assert!(
        show.contains("bleed.left -0.25 turns") && show.contains("disturbed"),
        "{show}"
    );

    let refused = with(&data, &["restore", &shown(&backup)]);
    assert_eq!(refused.code, Some(2), "{refused:#?}");
    assert!(refused.err.contains("--overwrite"), "{}", refused.err);
    let other = dir.path().join("other");
    done(&other, &["restore", &shown(&backup)]);
    assert!(done(&other, &["records", "owners"]).contains("N. N."));
    let saved = dir.path().join("saved");
    let said = done(&other, &["salvage", &shown(&saved)]);
    assert!(said.contains("readings     1 kept"), "{said}");
}

#[test]
fn wrong_numbers_words_and_folders_are_named() {
    let dir = tempfile::tempdir().unwrap();
    let data = dir.path().join("data");
    for args in [
        &["assess", "7"][..],
        &["records", "jobs"],
        &["check"],
        &["export", "1", "--to", "x"],
    ] {
        let a = with(&data, args);
        assert_eq!(a.code, Some(2), "{a:#?}");
        assert!(a.err.contains("no records in this folder"), "{}", a.err);
        assert!(!data.exists(), "{args:?} made a folder");
    }
    done(&data, &["import", &shown(&open_job("healthy"))]);
    let a = with(&data, &["assess", "7"]);
    assert!(
        a.code == Some(2) && a.err.contains("there is no job 7"),
        "{a:#?}"
    );
    let a = with(&data, &["records", "set-stage", "1", "lunch"]);
    assert!(a.code == Some(2) && a.err.contains("booking-in"), "{a:#?}");
    let gauge = [
        "records",
        "add-reading",
        "1",
        "--condition",
        "hold",
        "--gauge",
        "lefft=3;right=4",
    ];
    let a = with(&data, &gauge);
    assert!(
        a.code == Some(2) && a.err.contains("did you mean `left`"),
        "{a:#?}"
    );
    let a = with(&data, &["import", &shown(&data.join("evenpull.db"))]);
    assert!(
        a.code == Some(2) && a.err.contains("no sound archive"),
        "{a:#?}"
    );
}

#[test]
fn what_the_pages_refuse_or_ask_is_refused_or_asked_here() {
    let dir = tempfile::tempdir().unwrap();
    let data = dir.path().join("data");
    let refused = |args: &[&str], said: &str| {
        let a = with(&data, args);
        assert_eq!(a.code, Some(2), "{a:#?}");
        assert!(a.err.contains(said), "{said} in {}", a.err);
    };
    refused(&add_owner("2031-02-30"), "no day");
    refused(&add_owner("2020-02-29"), "is past");
    done(&data, &add_owner("2099-02-28"));
    done(&data, &["import", &shown(&open_job("healthy"))]);
    let letter = dir.path().join("letter.csv");
    std::fs::write(&letter, "Dear shop,\nit stalls at every light.\n").unwrap();
    let args = ["records", "add-reading", "1", "--condition", "idle"];
    let letter = shown(&letter);
    let args = [&args[..], &["--recording", &letter]].concat();
    refused(&args, "letter.csv");
    assert!(!done(&data, &["records", "show", "1"]).contains("letter.csv"));
    let turn = ["records", "note-turn", "1", "balance screw", "40"];
    refused(&turn, "--sure");
    assert!(!done(&data, &["records", "show", "1"]).contains("+40"));
    done(&data, &[&turn[..], &["--sure"]].concat());
    assert!(done(&data, &["records", "show", "1"]).contains("+40"));
}

#[test]
fn a_machine_is_sold_from_a_day_on() {
    let dir = tempfile::tempdir().unwrap();
    let data = dir.path().join("data");
    done(&data, &add_owner("2099-12-31"));
    done(&data, &add_owner("2098-12-31"));
    let machine = [
        "records",
        "add-machine",
        "blue twin",
        "--profile",
        "heron-270",
    ];
    let theirs = ["--owner", "1", "--registration", "NO 77"];
    done(&data, &[&machine[..], &theirs].concat());
    done(&data, &["records", "add-job", "1"]);
    assert_eq!(done(&data, &["records", "sales", "1"]), "no sales\n");
    let sold = |day: &'static str| ["records", "sell-machine", "1", "--on", day, "--owner", "2"];
    let early = with(&data, &sold("2099-01-01"));
    assert_eq!(early.code, Some(2), "{early:#?}");
    assert!(early.err.contains("still to come"), "{}", early.err);
    assert_eq!(done(&data, &sold("2020-05-04")), "kept as sale 1\n");
    let sales = done(&data, &["records", "sales", "1"]);
    // The job was booked in after that day, so it is none of theirs.
    let line = sales.lines().last().unwrap_or_default();
    let words: Vec<&str> = line.split_whitespace().collect();
    assert_eq!(words, ["1", "2020-05-04", "1", "NO", "77"], "{sales}");
    done(&data, &["records", "delete-owner", "1"]);
    let sales = done(&data, &["records", "sales", "1"]);
    assert!(
        sales.contains("2020-05-04") && !sales.contains("NO 77"),
        "{sales}"
    );
    let machines = done(&data, &["records", "machines"]);
    let line = machines.lines().last().unwrap_or_default();
    let words: Vec<&str> = line.split_whitespace().collect();
    assert_eq!(words, ["1", "blue", "twin", "2", "1", "1"], "{machines}");
}

#[test]
fn what_was_typed_wrong_is_put_right_and_stays_on_record() {
    let dir = tempfile::tempdir().unwrap();
    let data = dir.path().join("data");
    done(&data, &add_owner("2099-12-31"));
    let machine = [
        "records",
        "add-machine",
        "blue twin",
        "--profile",
        "heron-270",
    ];
    done(&data, &[&machine[..], &["--owner", "1"]].concat());
    done(
        &data,
        &["records", "add-job", "1", "--odometer-km", "31200"],
    );
    let lower = ["records", "add-job", "1", "--odometer-km", "13200"];
    let asked = with(&data, &lower);
    assert_eq!(asked.code, Some(2), "{asked:#?}");
    assert!(
        asked.err.contains("lower than 31200 km on") && asked.err.contains("--sure"),
        "{}",
        asked.err
    );
    let right = ["--odometer-km", "13200", "--ambient-kpa", "99,1"];
    done(
        &data,
        &[&["records", "correct-job", "1"], &right[..]].concat(),
    );
    done(&data, &["records", "note-turn", "1", "bleed.left", "0.25"]);
    done(&data, &["records", "withdraw-turn", "1"]);
    let show = done(&data, &["records", "show", "1"]);
    for line in [
        "odometer    13200 km",
        "corrected   odometer_km: was 31200 until",
        "stage       tune",
        "tune after booking-in, by turn",
        "turn 1      bleed.left +0.25 turns, tune (taken back)",
    ] {
        assert!(show.contains(line), "{line} in {show}");
    }
    // By now the earlier visit shows no more than this one.
    done(&data, &lower);
    let lower = ["--odometer-km", "12000"];
    let correct = [&["records", "correct-job", "2"], &lower[..]].concat();
    let asked = with(&data, &correct);
    assert!(asked.err.contains("lower than 13200 km on"), "{asked:#?}");
    done(&data, &[&correct[..], &["--sure"]].concat());
    let again = with(&data, &["records", "withdraw-turn", "1"]);
    assert!(
        again.code == Some(2) && again.err.contains("there is no turn 1"),
        "{again:#?}"
    );
    let name = [
        "records",
        "correct-machine",
        "1",
        "--name",
        "blue twin, 2nd",
    ];
    done(&data, &name);
    assert!(done(&data, &["records", "machines"]).contains("blue twin, 2nd"));
    let contact = ["records", "correct-owner", "1", "--contact", "07 77"];
    done(&data, &contact);
    let owners = done(&data, &["records", "owners"]);
    assert!(
        owners.contains("07 77") && owners.contains("N. N."),
        "{owners}"
    );
}

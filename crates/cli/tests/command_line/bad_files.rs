//! Files that are not there, not files, not readable or not recordings.

use std::os::unix::fs::PermissionsExt;
use std::os::unix::process::CommandExt;

use crate::program::{Answer, command, evenpull, shown};

/// `nobody` on the systems this runs on.
const NOBODY: u32 = 65_534;

fn read(path: &str) -> Answer {
    evenpull(&["read", path, "--profile", "heron-270"])
}

#[test]
fn a_missing_recording() {
    read("/no/such/recording.csv").refuses(&[
        "/no/such/recording.csv",
        "does not exist",
        "remedy:",
    ]);
}

#[test]
fn a_folder_for_a_recording_or_a_profile() {
    let folder = tempfile::tempdir().unwrap();
    let path = shown(folder.path());
    read(&path).refuses(&[&path, "is a folder", "remedy:"]);
    evenpull(&["profile", "check", &path]).refuses(&[&path, "is a folder", "remedy:"]);
}

#[test]
fn files_that_may_not_be_read() {
    let folder = tempfile::tempdir().unwrap();
    let recording = folder.path().join("locked.csv");
    std::fs::write(&recording, "time_s,left_kpa\n").unwrap();
    let mode = |path: &std::path::Path, bits: u32| {
        std::fs::set_permissions(path, std::fs::Permissions::from_mode(bits)).unwrap();
    };
    mode(folder.path(), 0o755);
    mode(&recording, 0o000);
    let path = shown(&recording);
    let args = |file: &str| match file {
        "read" => vec![
            "read".to_owned(),
            path.clone(),
            "--profile".into(),
            "heron-270".into(),
        ],
        _ => vec!["profile".to_owned(), "check".into(), path.clone()],
    };
    for what in ["read", "profile"] {
        let answer = if std::fs::File::open(&recording).is_ok() {
            // The super-user may read anything: run the binary as somebody else.
            let mut other = command();
            let ran = other.args(args(what)).uid(NOBODY).output();
            Answer::of(ran.unwrap_or_else(|_| {
                // The build folder is closed to others; a copy beside the file is not.
                let copy = folder.path().join("evenpull");
                std::fs::copy(command().get_program(), &copy).unwrap();
                mode(&copy, 0o755);
                let mut other = std::process::Command::new(&copy);
                other.args(args(what)).uid(NOBODY).output().unwrap()
            }))
        } else {
            evenpull(&args(what))
        };
        answer.refuses(&[&path, "may not be read", "remedy:"]);
    }
}

#[test]
fn empty_files() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("empty");
    std::fs::write(&file, "").unwrap();
    let path = shown(&file);
    read(&path).refuses(&[&path, "empty"]);
    evenpull(&["profile", "check", &path]).refuses(&[&path, "empty", "remedy:"]);
}

#[test]
fn files_that_are_no_text() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("picture.bin");
    let bytes: Vec<u8> = (0..4096u32).map(|i| (i * 197 % 256) as u8).collect();
    std::fs::write(&file, bytes).unwrap();
    let path = shown(&file);
    read(&path).refuses(&[&path]);
    evenpull(&["profile", "check", &path]).refuses(&[&path, "UTF-8"]);
}

#[test]
fn a_recording_of_prose() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("notes.txt");
    std::fs::write(&file, "idle a bit rough\nowner says it stalls\n".repeat(50)).unwrap();
    read(&shown(&file)).refuses(&["notes.txt", "line"]);
}

use crate::program::{evenpull, open_job, shown};

#[test]
fn list_names_a_270_degree_twin() {
    let a = evenpull(&["profile", "list"]);
    assert_eq!(a.code, Some(0), "{a:#?}");
    assert_eq!(a.err, "");
    assert!(
        a.out.contains("heron-270") && a.out.contains("270-degree twin"),
        "{}",
        a.out
    );
}

#[test]
fn show_prints_a_profile_that_checks() {
    let shown_text = evenpull(&["profile", "show", "dipper-triple"]);
    assert_eq!(shown_text.code, Some(0));
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("own.toml");
    std::fs::write(&file, &shown_text.out).unwrap();
    let a = evenpull(&["profile", "check", &shown(&file)]);
    assert_eq!(a.code, Some(0), "{a:#?}");
    assert!(
        a.out.contains("1, 2, 3") && a.out.contains("stop.3"),
        "{}",
        a.out
    );
}

#[test]
fn check_reports_every_problem_with_its_line() {
    let text = std::fs::read_to_string(open_job("healthy").join("profile.toml")).unwrap();
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("bad.toml");
    let bad = text
        .replace("spindle_mm", "spindel_mm")
        .replace("displacement_cc = 530.0", "displacement_cc = 530000");
    std::fs::write(&file, bad).unwrap();
    let line = |start: &str| {
        let at = text.lines().position(|l| l.starts_with(start)).unwrap() + 1;
        format!("bad.toml:{at}:")
    };
    evenpull(&["profile", "check", &shown(&file)]).refuses(&[
        &line("spindle_mm"),
        "unknown key `spindel_mm`",
        "did you mean `spindle_mm`?",
        &line("displacement_cc"),
        "530000 cc is outside 20 to 2000 cc",
    ]);
}

#[test]
fn a_profile_that_is_not_there() {
    evenpull(&["profile", "check", "no-such"]).refuses(&[
        "no profile `no-such`",
        "remedy:",
        "heron-270",
    ]);
}

#[test]
fn usage_errors_are_bad_input() {
    evenpull(&["profile", "chekc"]).refuses(&["chekc", "check"]);
    evenpull::<&str>(&[])
        .code
        .map(|c| assert_eq!(c, 2))
        .unwrap();
    let help = evenpull(&["--help"]);
    assert_eq!((help.code, help.err.as_str()), (Some(0), ""));
    assert!(help.out.contains("Exit codes"), "{}", help.out);
}

//! What the user guide shows is what the program does: its commands are run in order, in a folder of their own,
//! and every line shown below them must be in the answer.

use std::fs::OpenOptions;
use std::io::Write;
use std::path::Path;

use crate::program::{Answer, command};

/// Pages in the order in which a reader would follow them; later ones use what earlier ones made.
const PAGES: [&str; 2] = ["first-hour.md", "how-to.md"];
/// Commands that do not end by themselves or take as long as an engine runs; their arguments are read, no more.
const NOT_RUN: [&str; 2] = ["serve", "listen"];

/// A command of a page, with the lines shown below it.
struct Shown {
    page: &'static str,
    command: String,
    lines: Vec<String>,
}

/// A block of a page: what it holds by the word behind its fence.
fn blocks(page: &'static str) -> Vec<(String, String)> {
    let path = Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("../../docs/guide")
        .join(page);
    let text = std::fs::read_to_string(path).unwrap();
    let mut found = Vec::new();
    let mut open: Option<(String, String)> = None;
    for line in text.lines() {
        match (line.strip_prefix("```"), &mut open) {
            (Some(kind), None) => open = Some((kind.to_owned(), String::new())),
            (Some(_), Some(_)) => found.extend(open.take()),
            (None, Some((_, body))) => *body += &format!("{line}\n"),
            (None, None) => {}
        }
    }
    found
}

fn commands(page: &'static str, body: &str) -> Vec<Shown> {
    let mut found: Vec<Shown> = Vec::new();
    for line in body.lines() {
        if let Some(command) = line.strip_prefix("$ ") {
            found.push(Shown {
                page,
                command: command.to_owned(),
                lines: Vec::new(),
            });
        } else if let Some(last) = found.last_mut()
            && line != "..."
        {
            last.lines.push(line.to_owned());
        }
    }
    found
}

/// Words of a command line; quotes hold a word together.
fn words(line: &str) -> Vec<String> {
    line.split('"')
        .enumerate()
        .flat_map(|(i, piece)| {
            if i % 2 == 1 {
                vec![piece.to_owned()]
            } else {
                piece.split_whitespace().map(str::to_owned).collect()
            }
        })
        .collect()
}

/// Runs a command as the guide writes it, `> FILE` included.
fn run(folder: &Path, words: &[String]) -> Answer {
    let (words, file) = match words {
        [words @ .., arrow, file] if arrow == ">" => (words, Some(file)),
        words => (words, None),
    };
    let answer = Answer::of(
        command()
            .args(words)
            .current_dir(folder)
            .env("EVENPULL_DATA", folder.join("records"))
            .output()
            .unwrap(),
    );
    if let Some(file) = file {
        std::fs::write(folder.join(file), &answer.out).unwrap();
    }
    answer
}

/// What the guide tells to write into a file.
fn write(folder: &Path, toml: &str) {
    let path = if toml.starts_with("format = ") {
        std::fs::create_dir_all(folder.join("gauges")).unwrap();
        folder.join("gauges/job.toml")
    } else {
        folder.join("mystery/job.toml")
    };
    let mut file = OpenOptions::new()
        .create(true)
        .append(true)
        .open(path)
        .unwrap();
    file.write_all(toml.as_bytes()).unwrap();
}

#[test]
fn the_guide_shows_what_the_program_does() {
    let folder = tempfile::tempdir().unwrap();
    let mut seen = 0;
    for page in PAGES {
        for (kind, body) in blocks(page) {
            if kind == "toml" {
                write(folder.path(), &body);
            }
            if kind != "console" {
                continue;
            }
            for shown in commands(page, &body) {
                check(folder.path(), &shown);
                seen += 1;
            }
        }
    }
    assert!(seen > 20, "{seen} commands");
}

#[track_caller]
fn check(folder: &Path, shown: &Shown) {
    let words = words(&shown.command);
    let (page, line) = (shown.page, &shown.command);
    assert_eq!(words[0], "evenpull", "{page}: {line}");
    if NOT_RUN.contains(&words[1].as_str()) {
        evenpull_cli::command()
            .try_get_matches_from(&words)
            .unwrap_or_else(|e| panic!("{page}: {line}: {e}"));
        return;
    }
    let answer = run(folder, &words[1..]);
    // A refusal or "undetermined" is an answer as well; bad input is a fault of the page.
    assert!(
        matches!(answer.code, Some(0 | 1)),
        "{page}: {line}: {answer:#?}"
    );
    for wanted in &shown.lines {
        assert!(
            [&answer.out, &answer.err].iter().any(|text| text
                .lines()
                .any(|line| line.trim_end() == wanted.trim_end())),
            "{page}: {line}: wanted `{wanted}` in {answer:#?}"
        );
    }
}

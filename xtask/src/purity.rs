//! Rules that the compiler does not know: no input or output in the pure crates, and module
//! names that say what is inside.

use std::path::{Path, PathBuf};

use anyhow::{Context, Result, bail};

use crate::process;

/// Crates that get readers, time, seed and data handed in.
const PURE: [&str; 6] = ["airflow", "fit", "trace", "engine", "job", "diagnose"];

/// What a pure crate may not name outside its tests.
const OUTSIDE: [&str; 10] = [
    "std::fs",
    "std::env",
    "std::net",
    "std::process",
    "SystemTime",
    "Instant::now",
    "println!",
    "eprintln!",
    "stdin()",
    "File::open",
];

/// Names that say nothing about the content.
const EMPTY_NAMES: [&str; 6] = ["common", "utils", "util", "helpers", "helper", "misc"];

/// Fails on any breach, naming file and line.
pub(crate) fn check() -> Result<()> {
    let root = process::root()?;
    let mut faults = Vec::new();
    let mut files = 0;
    for path in rust_files(&root)? {
        files += 1;
        let shown = path.strip_prefix(&root).unwrap_or(&path).to_path_buf();
        let text = std::fs::read_to_string(&path)
            .with_context(|| format!("cannot read {}", shown.display()))?;
        faults.extend(name_faults(&shown, &text));
        if is_pure(&shown) {
            faults.extend(outside_faults(&shown, &text));
        }
    }
    if !faults.is_empty() {
        bail!("{}", faults.join("\n"));
    }
    eprintln!("{files} files");
    Ok(())
}

fn rust_files(root: &Path) -> Result<Vec<PathBuf>> {
    let mut folders = vec![
        root.join("crates"),
        root.join("validation"),
        root.join("xtask"),
    ];
    let mut files = Vec::new();
    while let Some(folder) = folders.pop() {
        for entry in std::fs::read_dir(&folder)
            .with_context(|| format!("cannot list {}", folder.display()))?
        {
            let path = entry?.path();
            if path.is_dir() {
                folders.push(path);
            } else if path.extension().is_some_and(|extension| extension == "rs") {
                files.push(path);
            }
        }
    }
    files.sort();
    Ok(files)
}

fn is_pure(path: &Path) -> bool {
    let parts: Vec<_> = path.iter().filter_map(|part| part.to_str()).collect();
    matches!(parts.as_slice(), ["crates", name, "src", ..] if PURE.contains(name))
        && path.file_name().is_some_and(|name| name != "tests.rs")
}

fn name_faults(path: &Path, text: &str) -> Vec<String> {
    let stem = path
        .file_stem()
        .and_then(|stem| stem.to_str())
        .unwrap_or_default();
    let folder = path
        .parent()
        .and_then(Path::file_name)
        .and_then(|name| name.to_str())
        .unwrap_or_default();
    let mut faults = Vec::new();
    if EMPTY_NAMES.contains(&stem) || EMPTY_NAMES.contains(&folder) {
        faults.push(format!(
            "{}: the name says nothing about the content",
            path.display()
        ));
    }
    for (number, line) in text.lines().enumerate() {
        let mut words = line
            .split_whitespace()
            .skip_while(|word| word.starts_with("pub"));
        if words.next() != Some("mod") {
            continue;
        }
        let name = words
            .next()
            .unwrap_or_default()
            .trim_end_matches([';', '{']);
        if EMPTY_NAMES.contains(&name) {
            faults.push(format!(
                "{}:{}: module `{name}` says nothing about its content",
                path.display(),
                number + 1
            ));
        }
    }
    faults
}

fn outside_faults(path: &Path, text: &str) -> Vec<String> {
    text.lines()
        .enumerate()
        // Inline tests stand at the end of a file and may read their own data.
        .take_while(|(_, line)| line.trim() != "#[cfg(test)]")
        .filter(|(_, line)| !line.trim_start().starts_with("//"))
        .filter_map(|(number, line)| {
            let breach = OUTSIDE.iter().find(|breach| line.contains(**breach))?;
            Some(format!(
                "{}:{}: `{breach}` in a pure crate; hand it in from `app`",
                path.display(),
                number + 1
            ))
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn input_and_output_in_a_pure_crate_is_a_fault_but_not_in_its_tests() {
        let path = Path::new("crates/fit/src/solve.rs");
        assert!(is_pure(path));
        let text = "//! std::fs is only named here\nuse std::fs::File;\n#[cfg(test)]\nmod tests { use std::env; }\n";
        let found = outside_faults(path, text);
        assert_eq!(found.len(), 1);
        assert!(
            found[0].starts_with("crates/fit/src/solve.rs:2: `std::fs`"),
            "{found:?}"
        );
    }

    #[test]
    fn the_app_may_read_files() {
        assert!(!is_pure(Path::new("crates/app/src/lib.rs")));
        assert!(!is_pure(Path::new("crates/trace/tests/layouts.rs")));
    }

    #[test]
    fn empty_names_are_faults_as_file_folder_and_module() {
        assert_eq!(name_faults(Path::new("crates/a/src/utils.rs"), "").len(), 1);
        assert_eq!(
            name_faults(Path::new("crates/a/src/helpers/x.rs"), "").len(),
            1
        );
        assert_eq!(
            name_faults(Path::new("crates/a/src/lib.rs"), "pub(crate) mod common;").len(),
            1
        );
        assert_eq!(
            name_faults(
                Path::new("crates/a/src/lib.rs"),
                "mod orifice;\nmod tests {"
            )
            .len(),
            0
        );
    }
}

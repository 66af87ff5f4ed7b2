//! Every key that the job and profile files take is in the reference, and the other way round.

use std::collections::BTreeSet;
use std::path::Path;

use anyhow::{Context, Result, bail};

use crate::process;

/// Calls of the file reader whose first text is a key.
const READERS: [&str; 10] = [
    ".item(",
    ".required(",
    ".number(",
    ".number_or(",
    ".section(",
    ".text(",
    "needed(&s,",
    "numbers(",
    "valves(&s,",
    "mm_or_thou(&s,",
];

/// Stems that the reader completes with `_mm` and `_thou`.
const STEMS: [&str; 2] = ["inlet", "exhaust"];

/// Fails on a key that only one of code and reference knows.
pub(crate) fn check() -> Result<()> {
    let root = process::root()?;
    let mut asked = BTreeSet::new();
    for folder in ["crates/job/src/job", "crates/job/src/profile"] {
        collect(&root.join(folder), &mut asked)?;
    }
    let reference = std::fs::read_to_string(root.join("docs").join("files.md"))?;
    // The commands come after the keys.
    let keys = reference.split("\n## Commands").next().unwrap_or_default();
    let faults = faults(&asked, keys);
    if !faults.is_empty() {
        bail!("{}", faults.join("\n"));
    }
    eprintln!("{} keys", asked.len());
    Ok(())
}

fn collect(folder: &Path, asked: &mut BTreeSet<String>) -> Result<()> {
    for entry in
        std::fs::read_dir(folder).with_context(|| format!("cannot list {}", folder.display()))?
    {
        let path = entry?.path();
        let parses = path
            .file_name()
            .and_then(|name| name.to_str())
            .is_some_and(|name| name.starts_with("parse"));
        if parses {
            asked.extend(keys_in(&std::fs::read_to_string(&path)?));
        }
    }
    Ok(())
}

/// The keys that a source text asks for.
fn keys_in(source: &str) -> Vec<String> {
    let mut keys = Vec::new();
    for reader in READERS {
        for (at, _) in source.match_indices(reader) {
            let rest = source[at + reader.len()..].trim_start();
            let Some(key) = rest
                .strip_prefix('"')
                .and_then(|rest| rest.split_once('"'))
                .map(|(key, _)| key)
            else {
                continue;
            };
            if STEMS.contains(&key) {
                keys.extend(["mm", "thou"].map(|unit| format!("{key}_{unit}")));
            } else {
                keys.push(key.to_owned());
            }
        }
    }
    keys
}

fn faults(asked: &BTreeSet<String>, reference: &str) -> Vec<String> {
    // Odd pieces between backquotes are code; prose may use a key's word without explaining it.
    let words: BTreeSet<&str> = reference
        .split('`')
        .skip(1)
        .step_by(2)
        .flat_map(|code| code.split(|c: char| !(c.is_ascii_alphanumeric() || c == '_')))
        .collect();
    let mut faults: Vec<String> = asked
        .iter()
        .filter(|key| !words.contains(key.as_str()))
        .map(|key| format!("the key `{key}` is read but not in docs/files.md"))
        .collect();
    for line in reference.lines().filter(|line| line.starts_with('|')) {
        let key = line.split('|').find_map(|cell| {
            let cell = cell.trim().strip_prefix('`')?;
            (!cell.starts_with('[')).then(|| cell.split('`').next().unwrap_or_default())
        });
        if let Some(key) = key.filter(|key| !asked.contains(*key)) {
            faults.push(format!("docs/files.md has `{key}`, which nothing reads"));
        }
    }
    faults
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn keys_are_found_in_calls_over_one_or_more_lines() {
        let source =
            "s.number_or(\n \"idle_rpm\", x); s.item(\"jet\"); valves(&s, \"inlet\"); s.item(&key)";
        let found: BTreeSet<String> = keys_in(source).into_iter().collect();
        let wanted = ["idle_rpm", "inlet_mm", "inlet_thou", "jet"].map(str::to_owned);
        assert_eq!(found, BTreeSet::from(wanted));
    }

    #[test]
    fn a_key_in_only_one_place_is_a_fault() {
        let asked = BTreeSet::from(["bore_mm".to_owned(), "jet".to_owned()]);
        let found = faults(&asked, "| `[body]` | `bore_mm` | mm |\n| `hue` | | |\n");
        assert_eq!(
            found,
            [
                "the key `jet` is read but not in docs/files.md",
                "docs/files.md has `hue`, which nothing reads"
            ]
        );
    }
}

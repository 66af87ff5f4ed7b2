//! Links in the Markdown files: what they point at exists, headings included.

use std::collections::BTreeMap;
use std::path::{Component, Path, PathBuf};

use anyhow::{Context, Result, bail};

use crate::process;

/// Folders that hold nothing of ours.
const SKIPPED: [&str; 3] = ["target", "node_modules", "shots"];

/// Fails on a relative link or anchor that leads nowhere, and on a page of `docs` that is named but not there.
///
/// Addresses on the network are not followed.
pub(crate) fn check() -> Result<()> {
    let root = process::root()?;
    let mut files = Vec::new();
    collect(&root, &mut files)?;
    let pages = files
        .iter()
        .filter(|path| has_extension(path, "md"))
        .map(|path| Ok((path.clone(), read(path)?)))
        .collect::<Result<BTreeMap<PathBuf, String>>>()?;
    let mut faults = Vec::new();
    let mut links = 0;
    for (path, text) in &pages {
        let shown = path.strip_prefix(&root).unwrap_or(path).display();
        for (line, target) in targets(text) {
            links += 1;
            if let Some(why) = fault(path, &target, &pages) {
                faults.push(format!("{shown}:{line}: `{target}`: {why}"));
            }
        }
    }
    for path in &files {
        for name in named_pages(&read(path)?) {
            if !root.join(&name).is_file() {
                let shown = path.strip_prefix(&root).unwrap_or(path).display();
                faults.push(format!("{shown}: names `{name}`, which is not there"));
            }
        }
    }
    if !faults.is_empty() {
        bail!("{}", faults.join("\n"));
    }
    eprintln!("{links} links in {} pages", pages.len());
    Ok(())
}

fn read(path: &Path) -> Result<String> {
    std::fs::read_to_string(path).with_context(|| format!("cannot read {}", path.display()))
}

fn has_extension(path: &Path, wanted: &str) -> bool {
    path.extension()
        .is_some_and(|extension| extension == wanted)
}

/// Every page and source file below `folder`.
fn collect(folder: &Path, files: &mut Vec<PathBuf>) -> Result<()> {
    for entry in
        std::fs::read_dir(folder).with_context(|| format!("cannot list {}", folder.display()))?
    {
        let entry = entry?;
        let (path, name) = (entry.path(), entry.file_name());
        if entry.file_type()?.is_dir() {
            let hidden = name.to_string_lossy().starts_with('.');
            if !hidden && !SKIPPED.iter().any(|skipped| name == *skipped) {
                collect(&path, files)?;
            }
        } else if has_extension(&path, "md") || has_extension(&path, "rs") {
            files.push(path);
        }
    }
    files.sort();
    Ok(())
}

/// Lines of a page with their numbers; those inside fenced code are left out.
fn prose(text: &str) -> impl Iterator<Item = (usize, &str)> {
    let mut fenced = false;
    text.lines().zip(1..).filter_map(move |(line, number)| {
        let fence = line.trim_start().starts_with("```");
        fenced ^= fence;
        (!fenced && !fence).then_some((number, line))
    })
}

/// Targets of the links and pictures of a page, with their lines.
fn targets(text: &str) -> Vec<(usize, String)> {
    let mut found = Vec::new();
    for (number, line) in prose(text) {
        // Even pieces between backquotes are prose.
        let plain = line.split('`').step_by(2).collect::<Vec<_>>().join("`");
        for piece in plain.split("](").skip(1) {
            if let Some((target, _)) = piece.split_once(')') {
                found.push((number, target.trim().to_owned()));
            }
        }
        let reference = line
            .strip_prefix('[')
            .and_then(|rest| rest.split_once("]: "));
        if let Some((_, target)) = reference {
            found.push((number, target.trim().to_owned()));
        }
    }
    found
}

/// What is wrong with a link on the page `from`.
fn fault(from: &Path, target: &str, pages: &BTreeMap<PathBuf, String>) -> Option<String> {
    if target.contains("://") || target.starts_with("mailto:") {
        return None;
    }
    let (file, anchor) = target.split_once('#').unwrap_or((target, ""));
    let path = if file.is_empty() {
        from.to_path_buf()
    } else {
        let folder = from.parent().unwrap_or(from);
        plain(&folder.join(file))
    };
    if !path.exists() {
        return Some("no such file".to_owned());
    }
    if anchor.is_empty() {
        return None;
    }
    let known = anchors(pages.get(&path)?);
    (!known.iter().any(|name| name == anchor)).then(|| "no such heading".to_owned())
}

/// A path without `.` and `..`.
fn plain(path: &Path) -> PathBuf {
    let mut plain = PathBuf::new();
    for part in path.components() {
        match part {
            Component::ParentDir => {
                plain.pop();
            }
            Component::CurDir => {}
            other => plain.push(other),
        }
    }
    plain
}

/// Anchors of the headings of a page, as the usual viewers make them.
fn anchors(text: &str) -> Vec<String> {
    let mut found: Vec<String> = Vec::new();
    for (_, line) in prose(text) {
        let heading = line.trim_start_matches('#');
        if heading.len() == line.len() || !heading.starts_with(' ') {
            continue;
        }
        let name: String = heading
            .trim()
            .to_lowercase()
            .chars()
            .filter(|c| c.is_alphanumeric() || matches!(c, ' ' | '-' | '_'))
            .map(|c| if c == ' ' { '-' } else { c })
            .collect();
        let again = (1..)
            .map(|n| format!("{name}-{n}"))
            .find(|numbered| !found.contains(numbered));
        found.push(match again {
            Some(numbered) if found.contains(&name) => numbered,
            _ => name,
        });
    }
    found
}

/// Pages of `docs` that a text names.
fn named_pages(text: &str) -> Vec<String> {
    let mut found = Vec::new();
    for (at, _) in text.match_indices("docs/") {
        let rest = &text[at..];
        let end = rest
            .find(|c: char| !(c.is_ascii_alphanumeric() || matches!(c, '/' | '-' | '_' | '.')))
            .unwrap_or(rest.len());
        let name = rest[..end].trim_end_matches('.');
        let ours = !text[..at].ends_with(|c: char| c.is_alphanumeric() || matches!(c, '/' | '.'));
        if ours && name.ends_with(".md") {
            found.push(name.to_owned());
        }
    }
    found
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_link_of_the_project_leads_somewhere() {
        check().unwrap();
    }

    #[test]
    fn links_are_found_outside_code_only() {
        let text =
            "See [a](x.md#b), ![p](p.png).\n```\n[no](no.md)\n```\n`[no](no.md)` [c](y.md)\n";
        let found: Vec<String> = targets(text).into_iter().map(|(_, t)| t).collect();
        assert_eq!(found, ["x.md#b", "p.png", "y.md"]);
    }

    #[test]
    fn headings_become_anchors() {
        let text = "# A `b`, c: D\n## Same\n## Same\n```\n# no\n```\n#no\n";
        assert_eq!(anchors(text), ["a-b-c-d", "same", "same-1"]);
    }

    #[test]
    fn what_leads_nowhere_is_told() {
        let folder = std::env::temp_dir();
        let page = folder.join("page-that-is-not-written.md");
        let pages = BTreeMap::from([(page.clone(), "# One\n".to_owned())]);
        let of = |target: &str| fault(&page, target, &pages);
        assert_eq!(of("https://example.org/x"), None);
        assert_eq!(of("no-such-file.md").as_deref(), Some("no such file"));
        // A folder is there; its headings are not looked for.
        assert_eq!(of("."), None);
    }

    #[test]
    fn an_anchor_on_the_same_page_is_looked_up() {
        let page = process::root().unwrap().join("README.md");
        let pages = BTreeMap::from([(page.clone(), "# One\n".to_owned())]);
        assert_eq!(fault(&page, "#one", &pages), None);
        assert_eq!(
            fault(&page, "#two", &pages).as_deref(),
            Some("no such heading")
        );
    }

    #[test]
    fn pages_named_in_a_text_are_found() {
        let text = "see docs/files.md, docs/sensor-lines.md. not other/docs/x.md or docs/images";
        assert_eq!(named_pages(text), ["docs/files.md", "docs/sensor-lines.md"]);
    }
}

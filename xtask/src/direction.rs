//! Which crate may know which: the arrows of ARCHITECTURE.md, checked.

use anyhow::{Context, Result, bail};
use serde_json::Value;

use crate::process::{self, cargo};

/// Package and the packages of the workspace that it may use, prefix left off.
const ARROWS: [(&str, &[&str]); 15] = [
    ("airflow", &[]),
    ("fit", &[]),
    ("trace", &["airflow", "fit"]),
    ("engine", &["airflow"]),
    ("job", &["airflow"]),
    ("live", &["airflow", "trace", "engine"]),
    ("diagnose", &["airflow", "fit", "trace", "engine", "job"]),
    ("report", &["job", "diagnose"]),
    ("store", &["job"]),
    (
        "app",
        &[
            "airflow", "fit", "trace", "engine", "job", "live", "diagnose", "report", "store",
        ],
    ),
    ("web", &["app"]),
    ("cli", &["app", "web"]),
    (
        "validation",
        &[
            "airflow", "fit", "trace", "engine", "job", "live", "diagnose", "report", "app",
        ],
    ),
    (
        "hardness",
        &["job", "trace", "live", "report", "store", "app", "web"],
    ),
    ("xtask", &[]),
];

/// Tests alone may also reach sideways and down this list, never up: a test of the
/// recordings may take its input from the engine model, but not the other way round.
const TEST_ORDER: [&str; 15] = [
    "airflow",
    "fit",
    "engine",
    "job",
    "trace",
    "live",
    "diagnose",
    "report",
    "store",
    "app",
    "web",
    "cli",
    "validation",
    "hardness",
    "xtask",
];

/// One edge between two packages of the workspace.
#[derive(Debug, PartialEq, Eq)]
struct Edge {
    from: String,
    to: String,
    tests_only: bool,
}

/// Fails on any edge that is not in the tables.
pub(crate) fn check() -> Result<()> {
    let text = process::capture(&mut cargo(&[
        "metadata",
        "--format-version",
        "1",
        "--no-deps",
    ])?)?;
    let metadata = serde_json::from_str(&text)?;
    let (packages, edges) = parse(&metadata)?;
    let architecture = std::fs::read_to_string(process::root()?.join("ARCHITECTURE.md"))?;
    let mut faults = faults(&packages, &edges);
    faults.extend(unexplained(&metadata, &architecture));
    if !faults.is_empty() {
        bail!("{}", faults.join("\n"));
    }
    eprintln!(
        "{} packages, {} edges, all allowed",
        packages.len(),
        edges.len()
    );
    Ok(())
}

fn parse(metadata: &Value) -> Result<(Vec<String>, Vec<Edge>)> {
    let list = metadata["packages"]
        .as_array()
        .context("cargo metadata lists no packages")?;
    let name = |value: &Value| -> Result<String> {
        let full = value
            .as_str()
            .context("a package without a name in cargo metadata")?;
        Ok(full.strip_prefix("evenpull-").unwrap_or(full).to_owned())
    };
    let packages = list
        .iter()
        .map(|package| name(&package["name"]))
        .collect::<Result<Vec<_>>>()?;
    let mut edges = Vec::new();
    for package in list {
        let dependencies = package["dependencies"]
            .as_array()
            .context("a package without a list of dependencies")?;
        for dependency in dependencies
            .iter()
            .filter(|dependency| dependency["path"].is_string())
        {
            edges.push(Edge {
                from: name(&package["name"])?,
                to: name(&dependency["name"])?,
                tests_only: dependency["kind"] == "dev",
            });
        }
    }
    Ok((packages, edges))
}

fn faults(packages: &[String], edges: &[Edge]) -> Vec<String> {
    let mut faults: Vec<String> = packages
        .iter()
        .filter(|package| !ARROWS.iter().any(|(known, _)| known == package))
        .map(|package| {
            format!(
                "package `{package}` has no line in the table of arrows (xtask/src/direction.rs)"
            )
        })
        .collect();
    faults.extend(edges.iter().filter(|edge| !allowed(edge)).map(|edge| {
        let kind = if edge.tests_only { " in its tests" } else { "" };
        format!("`{}` may not use `{}`{kind}", edge.from, edge.to)
    }));
    faults
}

/// Libraries from outside that ARCHITECTURE.md does not say a word about.
fn unexplained(metadata: &Value, architecture: &str) -> Vec<String> {
    let empty = Vec::new();
    let list = |value: &Value| value.as_array().cloned().unwrap_or_default();
    let mut names: Vec<String> = metadata["packages"]
        .as_array()
        .unwrap_or(&empty)
        .iter()
        .flat_map(|package| list(&package["dependencies"]))
        .filter(|dependency| !dependency["path"].is_string())
        .filter_map(|dependency| dependency["name"].as_str().map(str::to_owned))
        .filter(|name| !architecture.contains(&format!("`{name}`")))
        .collect();
    names.sort();
    names.dedup();
    names
        .into_iter()
        .map(|name| format!("ARCHITECTURE.md does not say what `{name}` is for"))
        .collect()
}

fn allowed(edge: &Edge) -> bool {
    let in_table = ARROWS
        .iter()
        .any(|(from, to)| *from == edge.from && to.contains(&edge.to.as_str()));
    let place = |name: &str| TEST_ORDER.iter().position(|known| *known == name);
    let below = matches!((place(&edge.from), place(&edge.to)), (Some(from), Some(to)) if to < from);
    in_table || (edge.tests_only && below)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn edge(from: &str, to: &str, tests_only: bool) -> Edge {
        Edge {
            from: from.to_owned(),
            to: to.to_owned(),
            tests_only,
        }
    }

    #[test]
    fn an_edge_outside_the_table_is_a_fault_and_names_both_ends() {
        let packages = ["airflow".to_owned(), "job".to_owned()];
        let found = faults(
            &packages,
            &[edge("airflow", "job", false), edge("job", "airflow", false)],
        );
        assert_eq!(found, ["`airflow` may not use `job`"]);
    }

    #[test]
    fn tests_may_reach_down_but_not_up() {
        assert!(allowed(&edge("trace", "engine", true)));
        assert!(!allowed(&edge("trace", "engine", false)));
        assert!(!allowed(&edge("engine", "trace", true)));
    }

    #[test]
    fn a_package_without_a_line_is_a_fault() {
        assert_eq!(faults(&["common".to_owned()], &[]).len(), 1);
    }

    #[test]
    fn edges_are_read_from_cargo_metadata() {
        let metadata = serde_json::json!({ "packages": [
            { "name": "evenpull-job", "dependencies": [
                { "name": "evenpull-airflow", "kind": null, "path": "x" },
                { "name": "evenpull-fit", "kind": "dev", "path": "x" },
                { "name": "serde", "kind": null },
            ] },
        ] });
        let (packages, edges) = parse(&metadata).unwrap();
        assert_eq!(packages, ["job"]);
        assert_eq!(
            edges,
            [edge("job", "airflow", false), edge("job", "fit", true)]
        );
    }

    #[test]
    fn a_library_without_a_line_is_a_fault_and_a_path_is_none() {
        let metadata = serde_json::json!({ "packages": [{ "name": "evenpull-fit", "dependencies": [
            { "name": "known" }, { "name": "strange" }, { "name": "evenpull-airflow", "path": "x" },
        ] }] });
        assert_eq!(
            unexplained(&metadata, "| `known` | for this |"),
            ["ARCHITECTURE.md does not say what `strange` is for"]
        );
    }

    /// The tables agree with each other: no arrow points up the test order.
    #[test]
    fn every_arrow_points_down_the_order() {
        for (from, to) in ARROWS {
            for to in to {
                assert!(allowed(&edge(from, to, true)), "{from} to {to}");
                let place =
                    |name: &str| TEST_ORDER.iter().position(|known| *known == name).unwrap();
                assert!(place(to) < place(from), "{from} to {to}");
            }
        }
    }
}

//! The pages that the program writes, opened in a real browser.
//!
//! Needs chromium, node (18 or newer) and two node packages. What is missing is installed where
//! this is possible without asking (root on a system with apt; node packages go under the target
//! folder), otherwise it is named. With `CI=true` a missing piece is a failure.

use std::ffi::OsStr;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

use anyhow::{Context, Result, bail};
use serde_json::json;

use crate::process::{self, cargo};

const CHROMIUM: [&str; 3] = ["chromium", "chromium-browser", "chromium-headless-shell"];
/// Oldest node whose test runner takes the options used here.
const NODE_MAJOR: u32 = 18;

/// Pages from invented figures, awkward ones among them, that no real job may show for years.
const SPECIMENS: [&str; 4] = ["twin", "triple", "empty", "hostile"];

/// Makes the pages and looks at each.
pub(crate) fn run() -> Result<()> {
    let (chromium, node) = match tools() {
        Ok(tools) => tools,
        Err(missing) if !process::strict() => {
            eprintln!(
                "\n*** SKIPPED: pages in a browser. {missing:#}\n*** With CI=true this is a failure.\n"
            );
            return Ok(());
        }
        Err(missing) => return Err(missing),
    };
    let home = packages()?;
    let (server, specimen) = built()?;
    let pages = made_pages(&server, &specimen)?;
    let data = fresh_folder("records-of-the-walk")?;
    let shots = process::target_dir()?.join("shots");
    let plan = json!({
        "chromium": chromium, "shots": shots, "pages": pages, "server": server, "data": data,
    });
    std::fs::write(home.join("plan.json"), plan.to_string())?;
    // One after the other: the practice engine runs in real time and wants a core for itself.
    for script in ["pages.test.mjs", "served.test.mjs"] {
        process::run(
            Command::new(&node)
                .args(["--test", "--test-reporter", "spec", script])
                .current_dir(&home),
        )?;
    }
    eprintln!("pictures and sheets: {}", shots.display());
    Ok(())
}

/// Sample to screen in a browser: `board` prints the path of its port and sends once it is asked.
pub(crate) fn delay(program: &Path, board: &Path, seconds: &str) -> Result<()> {
    let (chromium, node) = tools()?;
    let home = packages()?;
    let data = fresh_folder("records-of-the-delay")?;
    process::run(
        Command::new(node)
            .arg("delay.mjs")
            .args([program, board, data.as_path(), chromium.as_path()])
            .arg(seconds)
            .current_dir(home),
    )
}

/// Chromium and node, installed first if that is possible.
fn tools() -> Result<(PathBuf, PathBuf)> {
    install_missing()?;
    let chromium =
        process::find(&CHROMIUM).context("chromium is still missing after the installation")?;
    let node = process::find(&["node"]).context("node is still missing after the installation")?;
    let version = process::capture(Command::new(&node).arg("--version"))?;
    match major(&version) {
        Some(found) if found >= NODE_MAJOR => Ok((chromium, node)),
        _ => bail!(
            "node {NODE_MAJOR} or newer is needed, found {}",
            version.trim()
        ),
    }
}

/// Installs what is missing, one after the other: some sources ship npm inside the node package
/// and refuse a package of that name beside it.
fn install_missing() -> Result<()> {
    let wanted: [(&[&str], &str); 3] = [
        (&CHROMIUM, "chromium"),
        (&["node"], "nodejs"),
        (&["npm"], "npm"),
    ];
    let missing = |programs: &[&str]| process::find(programs).is_none();
    let names: Vec<&str> = wanted
        .iter()
        .filter(|(programs, _)| missing(programs))
        .map(|(_, name)| *name)
        .collect();
    if names.is_empty() {
        return Ok(());
    }
    let names = names.join(" ");
    let by_hand = format!(
        "missing: {names}. On a system with apt: `sudo apt-get install {names}`; elsewhere install \
         chromium and node {NODE_MAJOR} or newer with npm"
    );
    if process::find(&["apt-get"]).is_none() || !is_root()? {
        bail!(by_hand);
    }
    let apt = |arguments: &[&str]| {
        process::run(
            Command::new("apt-get")
                .args(arguments)
                .env("DEBIAN_FRONTEND", "noninteractive"),
        )
    };
    apt(&["update", "--quiet"]).context(by_hand.clone())?;
    for (programs, package) in wanted {
        if missing(programs) {
            apt(&[
                "install",
                "--quiet",
                "--yes",
                "--no-install-recommends",
                package,
            ])
            .context(by_hand.clone())?;
        }
    }
    Ok(())
}

fn is_root() -> Result<bool> {
    Ok(process::capture(Command::new("id").arg("-u"))?.trim() == "0")
}

fn major(version: &str) -> Option<u32> {
    version
        .trim()
        .strip_prefix('v')?
        .split('.')
        .next()?
        .parse()
        .ok()
}

/// Copies the scripts under the target folder and installs the two packages there, once per lock.
fn packages() -> Result<PathBuf> {
    let from = process::root()?.join("xtask").join("browser");
    let home = process::target_dir()?.join("browser");
    std::fs::create_dir_all(&home)?;
    let lock = std::fs::read(from.join("package-lock.json"))?;
    let stamp = home.join("node_modules").join("installed-lock.json");
    for entry in std::fs::read_dir(&from)? {
        let path = entry?.path();
        if let (true, Some(name)) = (path.is_file(), path.file_name()) {
            std::fs::copy(&path, home.join(name))?;
        }
    }
    if std::fs::read(&stamp).ok().as_ref() != Some(&lock) {
        let npm = process::find(&["npm"]).context("npm is missing")?;
        process::run(
            Command::new(npm)
                .args(["ci", "--ignore-scripts", "--no-audit", "--no-fund"])
                .current_dir(&home),
        )
        .context("the node packages of xtask/browser/package-lock.json could not be installed")?;
        std::fs::write(&stamp, lock)?;
    }
    Ok(home)
}

/// An empty folder under the target folder.
fn fresh_folder(name: &str) -> Result<PathBuf> {
    let folder = process::target_dir()?.join(name);
    if folder.exists() {
        std::fs::remove_dir_all(&folder)?;
    }
    std::fs::create_dir_all(&folder)?;
    Ok(folder)
}

/// The program and the example that writes specimens of its pages.
///
/// Built as the tests build them: a package chosen alone has other features of the libraries, and the
/// typesetter would be built twice.
fn built() -> Result<(PathBuf, PathBuf)> {
    process::run(&mut cargo(&[
        "build",
        "--quiet",
        "--workspace",
        "--bin",
        "evenpull",
        "--example",
        "specimen",
    ])?)?;
    let folder = process::target_dir()?.join("debug");
    let named = |name: &str| format!("{name}{}", std::env::consts::EXE_SUFFIX);
    Ok((
        folder.join(named("evenpull")),
        folder.join("examples").join(named("specimen")),
    ))
}

/// Writes every page anew and returns name and path of each.
fn made_pages(program: &Path, specimen: &Path) -> Result<Vec<serde_json::Value>> {
    let home = fresh_folder("pages")?;
    let mut pages = Vec::new();
    for kind in SPECIMENS {
        let page = home.join(format!("specimen-{kind}.html"));
        process::run(Command::new(specimen).arg(kind).arg(&page))?;
    }
    collect(&home, "report", &mut pages)?;
    for job in jobs()? {
        let name = job
            .file_name()
            .context("a job folder without a name")?
            .to_string_lossy()
            .into_owned();
        let out = home.join(&name);
        evenpull(
            program,
            &[
                "assess".as_ref(),
                job.as_ref(),
                "--out".as_ref(),
                out.as_ref(),
            ],
        )?;
        collect(&out, &name, &mut pages)?;
    }
    let out = home.join("demo");
    evenpull(program, &["demo".as_ref(), "--out".as_ref(), out.as_ref()])?;
    collect(&out, "demo", &mut pages)?;
    Ok(pages)
}

/// The example jobs of the tree, in the order of their names.
fn jobs() -> Result<Vec<PathBuf>> {
    let folder = process::root()?.join("examples").join("jobs");
    let mut jobs: Vec<PathBuf> = std::fs::read_dir(&folder)
        .with_context(|| format!("cannot list {}", folder.display()))?
        .filter_map(|entry| entry.ok().map(|entry| entry.path()))
        .filter(|path| path.join("job.toml").is_file())
        .collect();
    jobs.sort();
    if jobs.is_empty() {
        bail!("no job under {}", folder.display());
    }
    Ok(jobs)
}

/// Runs the program; exit code 1 is an honest "undetermined" and still has a report.
fn evenpull(program: &Path, arguments: &[&OsStr]) -> Result<()> {
    let status = Command::new(program)
        .args(arguments)
        .stdin(Stdio::null())
        .stdout(Stdio::null())
        .status()?;
    match status.code() {
        Some(0 | 1) => Ok(()),
        _ => bail!(
            "`evenpull {}` failed: {status}",
            arguments.join(OsStr::new(" ")).display()
        ),
    }
}

/// Adds every page under `folder`; a folder without one is an error.
fn collect(folder: &Path, name: &str, pages: &mut Vec<serde_json::Value>) -> Result<()> {
    let mut found: Vec<PathBuf> = std::fs::read_dir(folder)
        .with_context(|| format!("nothing was written to {}", folder.display()))?
        .filter_map(|entry| entry.ok().map(|entry| entry.path()))
        .filter(|path| {
            path.extension()
                .is_some_and(|extension| extension == "html")
        })
        .collect();
    found.sort();
    if found.is_empty() {
        bail!("no page in {}", folder.display());
    }
    for path in found {
        let stem = path
            .file_stem()
            .map(|stem| stem.to_string_lossy().into_owned())
            .unwrap_or_default();
        pages.push(json!({ "name": format!("{name}-{stem}"), "path": path }));
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_major_version_is_read_from_what_node_prints() {
        assert_eq!(major("v18.20.4\n"), Some(18));
        assert_eq!(major("v6.1.0"), Some(6));
        assert_eq!(major("nonsense"), None);
    }

    #[test]
    fn a_folder_without_a_page_is_an_error() {
        let mut pages = Vec::new();
        assert!(collect(Path::new("src"), "x", &mut pages).is_err());
        assert!(pages.is_empty());
    }
}

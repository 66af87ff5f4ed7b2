//! Writes shell completions and manual pages to a folder: `assets FOLDER`.
//!
//! Called by `cargo xtask assets`; an example, so that neither the binary nor xtask carries it.

use std::path::{Path, PathBuf};
use std::process::ExitCode;

use clap_complete::Shell;

/// Shells whose completions are written.
const SHELLS: [Shell; 4] = [Shell::Bash, Shell::Zsh, Shell::Fish, Shell::PowerShell];

fn main() -> ExitCode {
    let Some(folder) = std::env::args_os().nth(1).map(PathBuf::from) else {
        eprintln!("usage: assets FOLDER");
        return ExitCode::from(2);
    };
    match write(&folder) {
        Ok(files) => {
            for file in files {
                eprintln!("{}", file.display());
            }
            ExitCode::SUCCESS
        }
        Err(error) => {
            eprintln!("{}: {error}", folder.display());
            ExitCode::from(2)
        }
    }
}

/// One completion per shell, one manual page per command and sub-command.
fn write(folder: &Path) -> std::io::Result<Vec<PathBuf>> {
    let (completions, pages) = (folder.join("completions"), folder.join("man"));
    std::fs::create_dir_all(&completions)?;
    std::fs::create_dir_all(&pages)?;
    let mut files = Vec::new();
    for shell in SHELLS {
        let mut command = evenpull_cli::command();
        files.push(clap_complete::generate_to(
            shell,
            &mut command,
            "evenpull",
            &completions,
        )?);
    }
    clap_mangen::generate_to(evenpull_cli::command(), &pages)?;
    for entry in std::fs::read_dir(&pages)? {
        files.push(entry?.path());
    }
    files.sort();
    Ok(files)
}

//! The only entry to checks, tests, benchmarks and documents: `cargo xtask COMMAND`.
#![expect(
    clippy::print_stdout,
    reason = "a command-line program reports on standard output"
)]

mod assets;
mod bench;
mod browser;
mod crash;
mod direction;
mod executables;
mod faults;
mod fuzz;
mod keys;
mod links;
mod load;
mod measured;
mod process;
mod purity;
mod soak;
mod steps;
mod tools;
mod trace_file;

use std::process::ExitCode;

use anyhow::{Result, bail};

const USAGE: &str = "\
cargo xtask COMMAND

  check     format, lints, unit tests, crate direction
  test      every test, the table of outside checks, the pages in a browser
  ci        check, documents, test, licences and sources, unused dependencies
  validate  the outside checks alone, with their table
  browser   the pages alone
  bench     the program against named peers, ratios from one run; `bench engine`, `import`, `read`, `assess` alone
  calibrate do intervals and probabilities mean what they say, over drawn machines
  study     on practice machines: `study advice|baseline|cross-flow|years [JOBS] [--wrong]`
  crash     kill a writer of the records 500 times (or as often as said) and look what is left
  faults    boards, pages and records broken in every known way, again and again: `faults [--release] [SECONDS]`
  fuzz      an engine looks for inputs that break a parser of foreign bytes: `fuzz [--release] [TARGET] [SECONDS]`
  soak      a day at the bench, faster than the clock: is what is used flat? `soak [--release] [HOURS]`
  lists     the lists of many years of records against those of a new shop
  load      the served pages under load, and how soon a sample is on the screen: `load [SECONDS]`
  doc       the documents of every crate, warnings denied; the links in every Markdown file
  assets    shell completions and manual pages into target/assets";

fn main() -> ExitCode {
    if fuzz::is_compiler() {
        return fuzz::compile();
    }
    match dispatch() {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            eprintln!("xtask: {error:#}");
            ExitCode::FAILURE
        }
    }
}

fn dispatch() -> Result<()> {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let (command, rest) = match arguments.split_first() {
        None => {
            println!("{USAGE}");
            return Ok(());
        }
        Some((command, rest)) => (command.as_str(), rest),
    };
    let takes_more = [
        "bench",
        "calibrate",
        "study",
        "crash",
        "faults",
        "fuzz",
        "load",
        "soak",
    ];
    if !takes_more.contains(&command) && !rest.is_empty() {
        bail!(
            "`{command}` takes no further argument, got `{}`",
            rest.join(" ")
        );
    }
    match command {
        "check" => steps::check(),
        "test" => steps::test(),
        "ci" => steps::ci(),
        "validate" => steps::validate(),
        "browser" => browser::run(),
        "bench" => bench::run(rest),
        "calibrate" => measured::run("calibrate", rest),
        "study" => measured::run("study", rest),
        "crash" => crash::run(rest),
        "faults" => faults::run(rest),
        "fuzz" => fuzz::run(rest),
        "soak" => soak::run(rest),
        "lists" => crash::lists(),
        "load" => load::run(rest),
        "doc" => steps::doc(),
        "assets" => assets::write(),
        "help" | "--help" | "-h" => {
            println!("{USAGE}");
            Ok(())
        }
        other => bail!("no command `{other}`\n\n{USAGE}"),
    }
}

//! `cargo xtask faults`: what breaks at a bench, broken again and again.
//!
//! Every fault has a test that puts it in once. Here the same tests run in turn until the time is
//! over, so that what depends on timing gets many chances; the machine may be busy meanwhile.

use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use anyhow::{Context, Result, bail};

use crate::{executables, process};

/// Seconds when none are given.
const SECONDS: u64 = 600;

/// A fault, the package's tests it is in, and its name there.
const FAULTS: [(&str, &str, &str); 22] = [
    (
        "board unplugged, found again",
        "live",
        "streams::a_board_is_found_read_unplugged_and_found_again",
    ),
    (
        "garbage, cut lines, lost network",
        "live",
        "streams::a_socket_with_garbage_is_survived",
    ),
    (
        "slow and stalled watchers",
        "live",
        "streams::watchers_do_not_wait_for_each_other",
    ),
    (
        "holes in the samples",
        "live",
        "reading::a_hole_starts_the_count_anew_and_a_few_blanks_do_not",
    ),
    (
        "samples in odd pieces",
        "live",
        "reading::odd_blocks_do_no_harm",
    ),
    (
        "engine blipped while read",
        "live",
        "reading::a_blip_arms_the_next_reading",
    ),
    (
        "garbage, reset, unplugged in use",
        "server",
        "sensors::a_board_on_a_port_is_read_into_the_job",
    ),
    (
        "page that stopped reading",
        "server",
        "trouble::a_stalled_watcher_harms_nobody",
    ),
    (
        "upload too large",
        "server",
        "trouble::a_huge_upload_is_refused",
    ),
    (
        "a gigabyte in pieces",
        "server",
        "trouble::a_gigabyte_in_pieces_is_stopped_at_every_form",
    ),
    (
        "disk full, on the page",
        "server",
        "trouble::a_full_disk_is_said_on_the_page",
    ),
    (
        "disk full",
        "records",
        "opening::a_full_disk_is_named_and_nothing_acknowledged_is_lost",
    ),
    (
        "folder read-only",
        "records",
        "opening::a_folder_that_cannot_be_written_is_named_and_can_be_looked_at",
    ),
    (
        "two writers in one folder",
        "records",
        "opening::a_second_writer_is_told_who_has_the_records",
    ),
    (
        "clock set back",
        "records",
        "opening::a_clock_set_back_is_told_and_order_is_kept",
    ),
    (
        "crash before",
        "records",
        "opening::after_a_crash_the_records_are_checked_and_it_is_told",
    ),
    (
        "no database at all",
        "records",
        "opening::what_is_no_database_is_named_with_the_way_back",
    ),
    (
        "database damaged",
        "records",
        "there_and_back::what_can_be_read_of_a_damaged_file_is_salvaged",
    ),
    (
        "photo changed, recording torn",
        "records",
        "there_and_back::a_check_names_a_changed_photo_and_a_torn_recording",
    ),
    (
        "backup with a changed byte",
        "records",
        "there_and_back::a_backup_with_one_changed_byte_is_refused_before_anything_is_touched",
    ),
    (
        "import breaks off",
        "records",
        "there_and_back::nothing_of_a_broken_import_is_kept",
    ),
    ("writer killed", "crash", ""),
];

/// How often a fault was put in, and how often that was not survived.
#[derive(Default, Clone)]
struct Tally {
    runs: u32,
    failed: u32,
    longest: Duration,
}

/// `cargo xtask faults [--release] [SECONDS]`.
pub(crate) fn run(arguments: &[String]) -> Result<()> {
    let (optimised, arguments) = executables::optimised(arguments);
    let seconds = match arguments {
        [] => SECONDS,
        [n] => n
            .parse()
            .ok()
            .filter(|n| *n > 0)
            .context("SECONDS is a whole number above 0")?,
        _ => bail!("write `cargo xtask faults [--release] [SECONDS]`"),
    };
    let tests = built(optimised)?;
    let mut tallies = vec![Tally::default(); FAULTS.len()];
    let end = Instant::now() + Duration::from_secs(seconds);
    // The first round is whole, however short the time.
    for round in 0.. {
        for ((what, test, name), tally) in FAULTS.iter().zip(&mut tallies) {
            if round > 0 && Instant::now() > end {
                return report(&tallies);
            }
            let (_, program) = tests
                .iter()
                .find(|(t, _)| t == test)
                .with_context(|| format!("no tests `{test}`"))?;
            one(what, program, name, tally)?;
        }
        eprintln!("round {} done", round + 1);
    }
    Ok(())
}

/// The test programs, each by the name of its target.
fn built(optimised: bool) -> Result<Vec<(&'static str, PathBuf)>> {
    let names = ["live", "server", "records", "crash"];
    let targets: Vec<&str> = names.iter().flat_map(|name| ["--test", name]).collect();
    let messages = process::capture(&mut executables::build_for_long(&targets, optimised)?)?;
    names
        .iter()
        .map(|name| Ok((*name, executables::path(&messages, name)?)))
        .collect()
}

fn one(what: &str, program: &Path, name: &str, tally: &mut Tally) -> Result<()> {
    let mut command = Command::new(program);
    if !name.is_empty() {
        command.args(["--exact", name]);
    }
    let start = Instant::now();
    let output = command.stdin(Stdio::null()).output().context("the test")?;
    tally.longest = tally.longest.max(start.elapsed());
    tally.runs += 1;
    let said = String::from_utf8_lossy(&output.stdout);
    // A name that no test has passes without a run; that must not count.
    let ran = name.is_empty() || said.contains("1 passed") || !output.status.success();
    if !ran {
        bail!("no test is called `{name}` in {}", program.display());
    }
    if !output.status.success() {
        tally.failed += 1;
        let errors = String::from_utf8_lossy(&output.stderr);
        eprintln!("\n== {what}: not survived\n{said}{errors}");
    }
    Ok(())
}

fn report(tallies: &[Tally]) -> Result<()> {
    println!(
        "{:<36} {:>5} {:>7} {:>10}",
        "fault", "times", "failed", "longest s"
    );
    for ((what, ..), tally) in FAULTS.iter().zip(tallies) {
        let longest_s = tally.longest.as_secs_f64();
        println!(
            "{what:<36} {:>5} {:>7} {longest_s:>10.1}",
            tally.runs, tally.failed
        );
    }
    let failed: u32 = tallies.iter().map(|t| t.failed).sum();
    if failed > 0 {
        bail!("{failed} faults were not survived");
    }
    Ok(())
}

//! A day at the bench, faster than the clock: does anything grow that should not?
//!
//! `cargo xtask soak [HOURS]`. A board on the network sends the samples of a running engine as fast
//! as they are followed. The real server keeps the readings in real records, a page's stream is
//! open, pages are looked at, jobs come and go. Every simulated quarter of an hour memory, threads,
//! open files and file sizes are written down; after the first hour they must be flat but for the
//! readings themselves.
#![expect(clippy::unwrap_used, reason = "a measurement that cannot go on ends")]
#![expect(clippy::print_stdout, reason = "a measurement prints its table")]

use std::process::ExitCode;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::{Duration, Instant};

use evenpull_live::PracticeCommand;

#[path = "../../../crates/web/tests/server/board.rs"]
#[expect(
    dead_code,
    reason = "the board of the tests of the pages, some of it for them alone"
)]
mod board;
#[path = "../../../crates/web/tests/server/client.rs"]
#[expect(
    dead_code,
    reason = "the client of the tests of the pages, some of it for them alone"
)]
mod client;
mod usage;

use board::{Board, Pace, Touch};
use client::Device;
use usage::{Usage, verdict};

/// Hours when none are said: a working day.
const HOURS: f64 = 8.0;
/// Samples of an hour of the board.
const PER_HOUR: u64 = 3_600_000;
/// Simulated length of one job, and of one row of the table [samples].
const JOB: u64 = PER_HOUR / 4;
/// Without a speed for so long after its start the engine stands [samples]; more than the board may be ahead.
const STANDS: u64 = 40_000;
/// Readings of one job.
const READINGS: u64 = 7;
/// Without a new sample for so long the stream has broken.
const PATIENCE: Duration = Duration::from_secs(60);

fn main() -> ExitCode {
    let hours = std::env::args().nth(1).map_or(Some(HOURS), |text| {
        text.parse()
            .ok()
            .filter(|h: &f64| (0.5..=100.0).contains(h))
    });
    let Some(hours) = hours else {
        eprintln!("write `soak HOURS`, HOURS from 0.5 to 100");
        return ExitCode::FAILURE;
    };
    let runtime = tokio::runtime::Runtime::new().unwrap();
    let rows = runtime.block_on(day(hours));
    match verdict(&rows) {
        Ok(()) => {
            println!("flat");
            ExitCode::SUCCESS
        }
        Err(faults) => {
            println!("NOT flat:\n{}", faults.join("\n"));
            ExitCode::FAILURE
        }
    }
}

/// Works until so many simulated hours of samples were followed.
async fn day(hours: f64) -> Vec<Usage> {
    let device = Device::paired().await;
    let wanted = (hours * PER_HOUR as f64) as u64;
    let start = Instant::now();
    let (mut done, mut readings) = (0, 0);
    let mut rows = vec![Usage::now(device.work.path(), 0.0, 0)];
    println!("{}", Usage::HEAD);
    println!("{}", rows[0]);
    while done < wanted {
        let job = Job::begin(&device).await;
        // One job an hour is assessed, the first at once: what findings take is there from the start.
        readings += job.work(&device, done.is_multiple_of(PER_HOUR)).await;
        done += JOB;
        let at_h = done as f64 / PER_HOUR as f64;
        let row = Usage::now(device.work.path(), at_h, readings);
        println!("{row}");
        rows.push(row);
    }
    let took_s = start.elapsed().as_secs_f64();
    let times = done as f64 / PER_HOUR as f64 * 3600.0 / took_s;
    println!("{readings} readings kept in {took_s:.0} s, {times:.0} times as fast as the clock");
    rows
}

/// A job with a board on its bench.
struct Job {
    path: String,
    board: Board,
    followed: Arc<AtomicU64>,
}

impl Job {
    async fn begin(device: &Device) -> Self {
        let machine = [("name", "Dunlin 1060"), ("profile", "heron-270")];
        let machine = device.submit("/machines", &machine).await;
        let to = format!("{}/jobs", machine.header("location"));
        let form = [("complaint", "hunts"), ("pressure_kpa", "101,3")];
        let job = device.submit(&to, &form).await;
        let path = job.header("location").trim_end_matches("/booking");
        assert!(path.starts_with("/jobs/"), "{job:?}");
        let followed = Arc::new(AtomicU64::new(0));
        let (board, address) = Board::listen_at(Pace::Followed(Arc::clone(&followed)));
        let form = [("source", "network"), ("address", address.as_str())];
        let set = device.submit(&format!("{path}/bench"), &form).await;
        assert_eq!(set.status.as_u16(), 303, "{set:?}");
        Self {
            path: path.to_owned(),
            board,
            followed,
        }
    }

    /// Follows the board for the length of a job; the readings kept.
    async fn work(self, device: &Device, assess: bool) -> u64 {
        // A page that is open and looks at nothing, as a tablet in a pocket.
        let _asleep = device.open_stream().await;
        self.zero(device).await;
        self.board.touch(Touch::Engine(PracticeCommand::Start));
        let (mut kept, mut asked, mut looked) = (0, 0, 0);
        let started = self.followed.load(Ordering::Relaxed);
        loop {
            let glance = self.glance(device).await;
            let samples = self.followed.load(Ordering::Relaxed);
            if samples >= JOB {
                break;
            }
            let stands = glance["live"]["rpm"].is_null() && samples > started + STANDS;
            assert!(!stands, "a sound engine does not stall: {glance:#}");
            kept = glance["kept"]["kept"].as_u64().unwrap_or(kept);
            // Spread over the job: as many as the order of work has.
            let due = kept * (JOB / READINGS) < samples && kept < READINGS;
            if due && asked < kept {
                asked = kept;
                // The next reading of the same station.
                let again = device.submit("/bench/do", &[("do", "again")]).await;
                assert_eq!(again.status.as_u16(), 303, "{again:?}");
            }
            if samples / 120_000 > looked {
                looked = samples / 120_000;
                self.look(device, looked).await;
            }
            // Far less than the seconds a board may be ahead.
            tokio::time::sleep(Duration::from_millis(100)).await;
        }
        let glance = self.glance(device).await;
        assert_eq!(glance["live"]["dropped"], 0, "{glance:#}");
        assert_eq!(glance["kept"]["trouble"], serde_json::Value::Null);
        assert_eq!(kept, READINGS, "readings kept: {glance:#}");
        if assess {
            let assessed = device.submit(&format!("{}/assess", self.path), &[]).await;
            assert_eq!(assessed.status.as_u16(), 303, "{assessed:?}");
        }
        self.look(device, 0).await;
        device.submit("/bench/leave", &[]).await;
        kept
    }

    /// The newest glance; tells the board how far it was followed.
    async fn glance(&self, device: &Device) -> serde_json::Value {
        let start = Instant::now();
        loop {
            let glance = device.glance().await;
            // What is shown is of this job's bench alone: its samples say how far the board was followed.
            assert!(
                self.path.ends_with(&format!("/{}", glance["kept"]["job"])),
                "{glance:#}"
            );
            let samples = glance["live"]["samples"].as_u64().unwrap_or(0);
            if samples > self.followed.fetch_max(samples, Ordering::Relaxed) {
                return glance;
            }
            assert!(
                start.elapsed() < PATIENCE,
                "nothing comes any more: {glance:#}"
            );
            tokio::time::sleep(Duration::from_millis(10)).await;
        }
    }

    async fn zero(&self, device: &Device) {
        for _ in 0..100 {
            self.glance(device).await;
            let zeroed = device.submit("/bench/do", &[("do", "zero")]).await;
            if zeroed.status.is_redirection() {
                return;
            }
        }
        panic!("the sensors cannot be zeroed");
    }

    /// Looks at the pages that a mechanic looks at.
    async fn look(&self, device: &Device, turn: u64) {
        let page = ["readings", "checks", "work", "findings", "handover"];
        let page = page[usize::try_from(turn).unwrap() % page.len()];
        for path in ["/jobs", "/bench", &format!("{}/{page}", self.path)] {
            let answer = device.get(path).await;
            assert!(!answer.status.is_server_error(), "{path}: {answer:?}");
        }
    }
}

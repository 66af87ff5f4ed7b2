//! A writer is killed again and again; every acknowledged reading must be there, none half.
//!
//! The program starts itself as the writer. `-- ROUNDS` says how often it is killed; the default is
//! short, `cargo xtask crash 500` is the long one. A kill stops the process and not the disk, so
//! what this shows is that order and completeness hold at every instant of the program; that a
//! commit waits for the disk is the database's `synchronous = FULL`. Logs cut off at any byte are
//! tried as well, as a power cut may leave them.
#![expect(clippy::unwrap_used, reason = "a test fails by panicking")]
#![expect(
    clippy::print_stdout,
    reason = "the writer acknowledges and the test reports on standard output"
)]

use std::collections::BTreeMap;
use std::io::{BufRead, BufReader, Write};
use std::path::Path;
use std::process::{Command, ExitCode, Stdio};
use std::time::{Duration, Instant};

use evenpull_store::{
    Access, Moment, NewJob, NewMachine, NewPhoto, NewReading, NewRecording, Store,
};

const PROFILE: &str = include_str!("../../../examples/jobs/healthy/profile.toml");
/// Kills when nothing is said; 500 take some minutes.
const SHORT: u64 = 40;
const NOW: Moment = Moment {
    ms: 1_790_000_000_000,
};

fn main() -> ExitCode {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    if let [word, folder, seed] = arguments.as_slice()
        && word == "write"
    {
        run(write(Path::new(folder), seed.parse().unwrap()));
        return ExitCode::SUCCESS;
    }
    // Some runners ask for the list of tests first.
    if arguments.iter().any(|a| a == "--list") {
        if !arguments.iter().any(|a| a == "--ignored") {
            println!("crash: test");
        }
        return ExitCode::SUCCESS;
    }
    // Other words of a test runner, such as a filter, change nothing here.
    let rounds = arguments
        .iter()
        .find_map(|a| a.parse().ok())
        .unwrap_or(SHORT);
    let (acknowledged, cuts) = kill_again_and_again(rounds);
    println!(
        "{rounds} kills: {acknowledged} acknowledged readings, all there and whole, none half; \
         {cuts} logs cut off, each a sound beginning"
    );
    ExitCode::SUCCESS
}

fn run<T>(future: impl Future<Output = T>) -> T {
    tokio::runtime::Builder::new_current_thread()
        .enable_time()
        .build()
        .unwrap()
        .block_on(future)
}

/// Numbers that look random, from a seed; the same every time.
struct Numbers(u64);

impl Numbers {
    fn next(&mut self) -> u64 {
        // Steele, Lea and Flood 2014, SplitMix64.
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }
}

/// A recording that tells its own number in every line.
fn recording(number: u64) -> Vec<u8> {
    let lines = 200 + number % 800;
    (0..lines)
        .flat_map(|i| format!("{i},{},{number}\n", i.wrapping_mul(number + 7) % 4096).into_bytes())
        .collect()
}

/// Writes readings without end, telling each once it is kept.
async fn write(folder: &Path, seed: u64) {
    let (store, _) = Store::open(folder, Access::Write, "the writer", NOW)
        .await
        .unwrap();
    let jobs = store
        .jobs(&evenpull_store::JobFilter::default())
        .await
        .unwrap();
    let job = match jobs.first() {
        Some(line) => line.id,
        None => first_job(&store).await,
    };
    println!("ready");
    for n in 0.. {
        let number = seed * 1_000 + n;
        let new = NewReading {
            values_toml: format!(
                "condition = \"hold\"\nsensor_v = 0.5\nrpm = {}\n",
                1000 + number % 5000
            ),
            recording: Some(NewRecording {
                file_name: format!("{number}.csv"),
                bytes: recording(number),
            }),
        };
        let id = store.add_reading(job, &new, NOW).await.unwrap();
        println!("{id} {number}");
        std::io::stdout().flush().unwrap();
        if n % 5 == 4 {
            let photo = NewPhoto {
                name: "p.jpg".to_owned(),
                bytes: picture(number),
                caption: String::new(),
            };
            store.add_photo(job, photo, NOW).await.unwrap();
        }
    }
}

/// A picture of its own for every number; nobody looks at its points.
fn picture(number: u64) -> Vec<u8> {
    const SCAN: [u8; 12] = [0xff, 0xd8, 0xff, 0xda, 0, 8, 1, 1, 0, 0, 63, 0];
    [&SCAN[..], number.to_string().as_bytes(), &[0xff, 0xd9]].concat()
}

async fn first_job(store: &Store) -> i64 {
    let machine = NewMachine {
        name: "Dunlin 1060".to_owned(),
        registration: String::new(),
        profile_toml: PROFILE.to_owned(),
        owner_id: None,
    };
    let machine_id = store.add_machine(&machine, NOW).await.unwrap();
    let new = NewJob {
        machine_id,
        complaint: String::new(),
        odometer_km: None,
        head_toml: String::new(),
    };
    store.add_job(&new, NOW).await.unwrap()
}

/// Returns how many readings were acknowledged and how many logs were cut.
fn kill_again_and_again(rounds: u64) -> (usize, usize) {
    let dir = tempfile::tempdir().unwrap();
    let mut numbers = Numbers(rounds);
    let (mut total, mut cuts) = (0, 0);
    let mut round = 0;
    while round < rounds {
        // A new folder now and then: the first entries of all are killed as well.
        let folder = dir.path().join(format!("data-{}", round / 20));
        let mut acknowledged = BTreeMap::new();
        for _ in 0..20.min(rounds - round) {
            round += 1;
            acknowledged.extend(one_kill(&folder, round, &mut numbers));
            if round.is_multiple_of(10) {
                cut_log(&folder, &acknowledged, &mut numbers);
                cuts += 1;
            }
        }
        verify(&folder, &acknowledged);
        total += acknowledged.len();
        std::fs::remove_dir_all(&folder).unwrap();
    }
    (total, cuts)
}

/// Starts a writer, kills it at some instant, and returns what it acknowledged.
fn one_kill(folder: &Path, round: u64, numbers: &mut Numbers) -> Vec<(i64, u64)> {
    let mut child = Command::new(std::env::current_exe().unwrap())
        .arg("write")
        .arg(folder)
        .arg(round.to_string())
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    let out = BufReader::new(child.stdout.take().unwrap());
    let (tell, told) = std::sync::mpsc::channel();
    let listener = std::thread::spawn(move || {
        for line in out.lines().map_while(Result::ok) {
            if tell.send(line).is_err() {
                break;
            }
        }
    });
    // Mostly among the entries, one time in eight while it still opens the records.
    let wait_ready = !numbers.next().is_multiple_of(8);
    let mut lines = Vec::new();
    if wait_ready {
        let first = told
            .recv_timeout(Duration::from_secs(60))
            .expect("the writer starts");
        assert_eq!(first, "ready");
    }
    let until = Instant::now() + Duration::from_micros(numbers.next() % 120_000);
    while let Some(left) = until.checked_duration_since(Instant::now()) {
        lines.extend(told.recv_timeout(left));
    }
    assert_eq!(
        child.try_wait().unwrap(),
        None,
        "the writer ended by itself"
    );
    // SIGKILL on unix: the process gets no word in.
    child.kill().unwrap();
    child.wait().unwrap();
    listener.join().unwrap();
    lines.extend(told.try_iter());
    lines
        .iter()
        .filter_map(|line| {
            let (id, number) = line.split_once(' ')?;
            Some((id.parse().unwrap(), number.parse().unwrap()))
        })
        .collect()
}

/// Every acknowledged reading is there with its recording, and every reading that is there is whole.
fn verify(folder: &Path, acknowledged: &BTreeMap<i64, u64>) {
    let kept = kept(folder);
    for (id, number) in acknowledged {
        assert_eq!(
            kept.get(id),
            Some(number),
            "reading {id} was acknowledged and is lost"
        );
    }
}

/// Readings by their numbers, each compared with what was written; panics on a half one.
fn kept(folder: &Path) -> BTreeMap<i64, u64> {
    run(async {
        let (store, _) = Store::open(folder, Access::Write, "the judge", NOW)
            .await
            .unwrap();
        let report = store.check().await.unwrap();
        assert!(report.problems.is_empty(), "{report:?}");
        assert_eq!(
            report.readings, report.recordings,
            "a reading without its recording"
        );
        let mut kept = BTreeMap::new();
        let jobs = store
            .jobs(&evenpull_store::JobFilter::default())
            .await
            .unwrap();
        for job in jobs {
            for reading in store.readings(job.id).await.unwrap() {
                let stored = store.recording(reading.id).await.unwrap();
                let number: u64 = stored.file_name.trim_end_matches(".csv").parse().unwrap();
                assert!(
                    stored.bytes == recording(number),
                    "reading {} is half",
                    reading.id
                );
                kept.insert(reading.id, number);
            }
        }
        store.close().await;
        kept
    })
}

/// Cuts the log of a copy at some byte, as a power cut may: what is left is a sound beginning.
fn cut_log(folder: &Path, acknowledged: &BTreeMap<i64, u64>, numbers: &mut Numbers) {
    let log = folder.join("evenpull.db-wal");
    let Ok(bytes) = std::fs::read(&log) else {
        return;
    };
    let copy = tempfile::tempdir().unwrap();
    let to = copy.path().join("data");
    std::fs::create_dir(&to).unwrap();
    std::fs::copy(folder.join("evenpull.db"), to.join("evenpull.db")).unwrap();
    let cut = usize::try_from(numbers.next() % (bytes.len() as u64 + 1)).unwrap();
    std::fs::write(to.join("evenpull.db-wal"), &bytes[..cut]).unwrap();
    let photos = std::fs::read_dir(folder.join("photos"));
    std::fs::create_dir(to.join("photos")).unwrap();
    for photo in photos.into_iter().flatten().flatten() {
        std::fs::copy(photo.path(), to.join("photos").join(photo.file_name())).unwrap();
    }
    let kept = kept(&to);
    // Numbers are given in order, so a sound beginning has no gap before its last.
    let last = kept.keys().next_back().copied().unwrap_or(0);
    for (id, number) in acknowledged.range(..=last) {
        assert_eq!(kept.get(id), Some(number), "a gap before reading {last}");
    }
}

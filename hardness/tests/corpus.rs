//! Every target over its corpus and over changes of it: the short run of every test.
//!
//! The changes come from a seed, so that a failure comes back; what fails is written out. The long
//! run with an engine is `cargo xtask fuzz`. Files called `found-…` once broke a law.

#![expect(clippy::unwrap_used, reason = "a test fails by panicking")]
#![expect(clippy::print_stdout, reason = "a test says how much it tried")]

use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use evenpull_hardness::{TARGETS, Target, target};

/// Changes tried on each target.
const CHANGES: u64 = 400;
/// No target tries changes for longer; the slow ones write databases.
const PATIENCE: Duration = Duration::from_secs(4);
/// One input may take so long where everything else runs beside it; alone none takes a second.
const LIMIT: Duration = Duration::from_secs(20);
/// Inputs grow no longer than this [bytes].
const LONGEST: usize = 16_384;

/// Numbers that look random, from a seed; the same every time.
struct Numbers(u64);

impl Numbers {
    fn below(&mut self, end: usize) -> usize {
        // Steele, Lea and Flood 2014, SplitMix64.
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^= z >> 31;
        usize::try_from(z % end.max(1) as u64).unwrap()
    }
}

/// Pieces that parsers stumble over.
const PIECES: [&[u8]; 16] = [
    b"",
    b"\n",
    b"\r\n",
    b"\0",
    b"\xff\xfe",
    b"\xef\xbb\xbf",
    b"-",
    b"1e999",
    b"NaN",
    b"-0",
    b"99999999999999999999",
    b"\xff\xff\xff\xff",
    b"\"",
    b"[[",
    b";,\t",
    b"\xf0\x9f\x92\xa3",
];

fn corpus(target: &Target) -> Vec<(PathBuf, Vec<u8>)> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("corpus")
        .join(target.name);
    let entries = std::fs::read_dir(&folder).unwrap_or_else(|e| panic!("{folder:?}: {e}"));
    let mut paths: Vec<PathBuf> = entries.map(|e| e.unwrap().path()).collect();
    paths.sort();
    assert!(!paths.is_empty(), "{folder:?} is empty");
    let read = |path: PathBuf| {
        let bytes = std::fs::read(&path).unwrap();
        (path, bytes)
    };
    paths.into_iter().map(read).collect()
}

/// One to four changes of the usual kinds.
fn changed(numbers: &mut Numbers, corpus: &[(PathBuf, Vec<u8>)]) -> Vec<u8> {
    let any = |numbers: &mut Numbers| corpus[numbers.below(corpus.len())].1.clone();
    let mut bytes = any(numbers);
    for _ in 0..=numbers.below(4) {
        let at = numbers.below(bytes.len() + 1);
        let end = (at + numbers.below(40)).min(bytes.len());
        match numbers.below(6) {
            0 if at < bytes.len() => bytes[at] ^= 1 << numbers.below(8),
            1 if at < bytes.len() => bytes[at] = numbers.below(256) as u8,
            2 => drop(bytes.drain(at..end)),
            3 => drop(bytes.splice(at..end, PIECES[numbers.below(PIECES.len())].to_vec())),
            4 => {
                let again = bytes[at..end].to_vec();
                bytes.splice(at..at, again);
            }
            _ => {
                let other = any(numbers);
                bytes.truncate(at);
                bytes.extend_from_slice(&other[numbers.below(other.len() + 1)..]);
            }
        }
    }
    bytes.truncate(LONGEST);
    bytes
}

/// Runs one input; what breaks a law or takes too long is written out and named.
fn tried(target: &Target, bytes: &[u8], what: &str) {
    let start = Instant::now();
    let done = catch_unwind(AssertUnwindSafe(|| (target.run)(bytes)));
    let took = start.elapsed();
    if done.is_ok() && took < LIMIT {
        return;
    }
    let path = std::env::temp_dir().join(format!("found-{}", target.name));
    std::fs::write(&path, bytes).unwrap();
    panic!(
        "{}: {what} breaks a law or takes too long ({took:?}); the input is in {}",
        target.name,
        path.display()
    );
}

fn short(name: &str) {
    let target = target(name).unwrap();
    let corpus = corpus(target);
    for (path, bytes) in &corpus {
        tried(target, bytes, &path.display().to_string());
    }
    let mut numbers = Numbers(name.len() as u64);
    let start = Instant::now();
    let mut tries = 0;
    while tries < CHANGES && start.elapsed() < PATIENCE {
        let bytes = changed(&mut numbers, &corpus);
        tried(target, &bytes, &format!("change {tries}"));
        tries += 1;
    }
    println!("{name}: {} files, {tries} changes", corpus.len());
}

macro_rules! targets {
    ($($name:ident),+ $(,)?) => {
        const TESTED: &[&str] = &[$(stringify!($name)),+];
        $(
            #[test]
            fn $name() {
                short(stringify!($name));
            }
        )+
    };
}

targets![
    recording, sound, layout, pressures, lines, profile, job, rates, texts, archive, backup,
    record, database, photo, form,
];

#[test]
fn every_target_is_tested() {
    let names: Vec<&str> = TARGETS.iter().map(|target| target.name).collect();
    assert_eq!(names, TESTED);
}

/// Corpora are read by people and kept in the history: small ones.
#[test]
fn corpora_are_small() {
    for target in TARGETS {
        let bytes: usize = corpus(&target).iter().map(|(_, b)| b.len()).sum();
        assert!(bytes <= 64 * 1024, "{}: {bytes} bytes", target.name);
    }
}

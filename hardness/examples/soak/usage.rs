//! What a process uses, and whether that is flat.

use std::fmt;
use std::path::Path;

/// What may come on top after the first hour [MB of memory]: half of what an assessment takes at its height (45 MB)
/// and the allocator keeps for the next one. The findings of the last 32 jobs are kept as well.
const MEMORY_MB: f64 = 24.0;
/// Threads and open files that may come and go between two rows.
const A_FEW: i64 = 6;
/// Largest log beside the database [MB]: the database empties it at 4 MB, and a reading of some length
/// may be in the way.
const LOG_MB: f64 = 16.0;
/// What files other than the records may take [MB].
const OTHER_MB: f64 = 1.0;
/// A reading of the last hour may take so much more on the disk than one of the first [-].
const PER_READING: f64 = 0.25;

/// One row of the table.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Usage {
    at_h: f64,
    readings: u64,
    memory_mb: f64,
    threads: i64,
    open_files: i64,
    database_mb: f64,
    log_mb: f64,
    other_mb: f64,
}

impl Usage {
    /// Heads of the columns.
    pub(crate) const HEAD: &str =
        "hour  readings  memory MB  threads  open files  records MB  log MB  other files MB";

    /// This process and the files under `folder` as they are now.
    pub(crate) fn now(folder: &Path, at_h: f64, readings: u64) -> Self {
        let status = std::fs::read_to_string("/proc/self/status").unwrap();
        let field = |name: &str| -> i64 {
            let line = status.lines().find_map(|l| l.strip_prefix(name)).unwrap();
            let number = line.split_whitespace().next().unwrap();
            number.parse().unwrap()
        };
        let (mut database_mb, mut log_mb, mut other_mb) = (0.0, 0.0, 0.0);
        for (name, bytes) in files(folder) {
            let mb = bytes as f64 / 1e6;
            match name.as_str() {
                "evenpull.db" => database_mb += mb,
                "evenpull.db-wal" | "evenpull.db-shm" => log_mb += mb,
                _ => other_mb += mb,
            }
        }
        Self {
            at_h,
            readings,
            memory_mb: field("VmRSS:") as f64 / 1024.0,
            threads: field("Threads:"),
            open_files: std::fs::read_dir("/proc/self/fd").unwrap().count() as i64,
            database_mb,
            log_mb,
            other_mb,
        }
    }
}

impl fmt::Display for Usage {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(
            f,
            "{:>4.2}  {:>8}  {:>9.1}  {:>7}  {:>10}  {:>10.2}  {:>6.2}  {:>14.3}",
            self.at_h,
            self.readings,
            self.memory_mb,
            self.threads,
            self.open_files,
            self.database_mb,
            self.log_mb,
            self.other_mb
        )
    }
}

fn files(folder: &Path) -> Vec<(String, u64)> {
    let mut all = Vec::new();
    let mut folders = vec![folder.to_owned()];
    while let Some(folder) = folders.pop() {
        // A file may go while it is looked at.
        for entry in std::fs::read_dir(folder).into_iter().flatten().flatten() {
            match entry.metadata() {
                Ok(meta) if meta.is_dir() => folders.push(entry.path()),
                Ok(meta) => {
                    all.push((entry.file_name().to_string_lossy().into_owned(), meta.len()))
                }
                Err(_) => {}
            }
        }
    }
    all
}

/// Start, first hour and end side by side; what has grown beyond its bound.
pub(crate) fn verdict(rows: &[Usage]) -> Result<(), Vec<String>> {
    let [start, .., end] = rows else {
        return Err(vec!["too short to tell".to_owned()]);
    };
    let warm = rows.iter().find(|r| r.at_h >= 1.0).unwrap_or(end);
    println!("\n{}\n{start}\n{warm}\n{end}", Usage::HEAD);
    let per_reading = |a: &Usage, b: &Usage| {
        // What was written last is in the log until the database takes it over.
        (b.database_mb + b.log_mb - a.database_mb - a.log_mb)
            / (b.readings - a.readings).max(1) as f64
    };
    let mut faults = Vec::new();
    let mut bound = |what: &str, value: f64, limit: f64| {
        if value > limit {
            faults.push(format!("{what}: {value:.2}, at most {limit:.2}"));
        }
    };
    bound(
        "memory after the first hour [MB]",
        end.memory_mb - warm.memory_mb,
        MEMORY_MB,
    );
    bound(
        "threads more",
        (end.threads - warm.threads) as f64,
        A_FEW as f64,
    );
    bound(
        "open files more",
        (end.open_files - warm.open_files) as f64,
        A_FEW as f64,
    );
    let log_mb = rows.iter().map(|r| r.log_mb).fold(0.0, f64::max);
    bound("log beside the database [MB]", log_mb, LOG_MB);
    bound("other files [MB]", end.other_mb, OTHER_MB);
    if end.at_h > warm.at_h {
        let (first, later) = (per_reading(start, warm), per_reading(warm, end));
        println!("a reading takes {first:.3} MB in the first hour, {later:.3} MB after it");
        bound(
            "records for a reading, over the first hour [-]",
            later / first,
            1.0 + PER_READING,
        );
    }
    if faults.is_empty() {
        Ok(())
    } else {
        Err(faults)
    }
}

//! The lists of a shop with many years of records, against those of a new one.
//!
//! Seeds 2,000 jobs with 50,000 readings (or `-- JOBS`), and 20 jobs beside them, and prints the
//! median time of each list in both and their ratio. `-- JOBS FOLDER` keeps the seeded records.
#![expect(
    clippy::print_stdout,
    reason = "a benchmark reports on standard output"
)]
#![expect(clippy::unwrap_used, reason = "a benchmark fails by panicking")]

use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use evenpull_store::{Access, ImportJob, JobFilter, Moment, NewFindings, NewMachine, Store};

const PROFILE: &str = include_str!("../../../examples/jobs/healthy/profile.toml");
/// Readings of each job.
const READINGS: usize = 25;
/// Jobs of each machine.
const VISITS: usize = 8;
/// Jobs of the shop that is compared with.
const FEW: usize = 20;
/// Repeats of each list; the median counts.
const REPEATS: usize = 41;
const NOW: Moment = Moment {
    ms: 1_790_000_000_000,
};

fn main() {
    let words: Vec<String> = std::env::args()
        .skip(1)
        .filter(|a| !a.starts_with('-'))
        .collect();
    let jobs = words.first().and_then(|w| w.parse().ok()).unwrap_or(2_000);
    let made = tempfile::tempdir().unwrap();
    let kept = words
        .get(1)
        .map_or_else(|| made.path().join("many"), PathBuf::from);
    tokio::runtime::Builder::new_current_thread()
        .enable_time()
        .build()
        .unwrap()
        .block_on(compare(made.path(), &kept, jobs));
}

async fn compare(work: &Path, kept: &Path, jobs: usize) {
    let start = Instant::now();
    let many = seeded(work, kept, jobs).await;
    let seconds = start.elapsed().as_secs_f64();
    let bytes = std::fs::metadata(kept.join("evenpull.db")).unwrap().len();
    println!(
        "{jobs} jobs, {} readings: {:.0} MB, seeded in {seconds:.0} s",
        jobs * READINGS,
        bytes as f64 / 1e6
    );
    let few = seeded(work, &work.join("few"), FEW).await;
    println!(
        "{:<34} {:>10} {:>10} {:>7}",
        "median [ms]",
        format!("{jobs} jobs"),
        "20 jobs",
        "ratio"
    );
    let lists: [(&str, JobFilter); 5] = [
        ("first page of jobs", JobFilter::default()),
        (
            "page in the middle",
            JobFilter {
                before: jobs as i64 / 2,
                ..JobFilter::default()
            },
        ),
        (
            "open jobs",
            JobFilter {
                open_only: true,
                ..JobFilter::default()
            },
        ),
        (
            "a word found in no job",
            JobFilter {
                text: "zebra".into(),
                ..JobFilter::default()
            },
        ),
        (
            "jobs of one machine",
            JobFilter {
                machine_id: Some(2),
                ..JobFilter::default()
            },
        ),
    ];
    for (name, filter) in lists {
        let a = median(async || drop(many.jobs(&filter).await.unwrap())).await;
        let b = median(async || drop(few.jobs(&filter).await.unwrap())).await;
        row(name, a, b);
    }
    let page = async |s: &Store| drop(s.machines("", i64::MAX, 50).await.unwrap());
    row(
        "machines",
        median(async || page(&many).await).await,
        median(async || page(&few).await).await,
    );
    let detail = async |s: &Store| {
        s.job_line(7).await.unwrap();
        s.readings(7).await.unwrap();
        s.job_texts(7).await.unwrap();
    };
    row(
        "one job with its readings",
        median(async || detail(&many).await).await,
        median(async || detail(&few).await).await,
    );
    many.close().await;
    few.close().await;
}

fn row(name: &str, many: Duration, few: Duration) {
    let ms = |d: Duration| 1e3 * d.as_secs_f64();
    println!(
        "{name:<34} {:>10.2} {:>10.2} {:>7.1}",
        ms(many),
        ms(few),
        ms(many) / ms(few)
    );
}

async fn median(work: impl AsyncFn()) -> Duration {
    let mut times = Vec::with_capacity(REPEATS);
    for _ in 0..REPEATS {
        let start = Instant::now();
        work().await;
        times.push(start.elapsed());
    }
    times.sort();
    times[REPEATS / 2]
}

/// Jobs that are entered one by one; the others are copies of them under other numbers.
const ENTERED: usize = 40;

/// Records of so many jobs, the first reading of each with a recording, all with findings.
async fn seeded(work: &Path, folder: &Path, jobs: usize) -> Store {
    entered(work, folder, jobs.min(ENTERED)).await.close().await;
    multiply(&folder.join("evenpull.db"), jobs / ENTERED).await;
    let opened = Store::open(folder, Access::Write, "the benchmark", NOW).await;
    opened.unwrap().0
}

/// Copies every entry under numbers that continue, in one go.
async fn multiply(file: &Path, times: usize) {
    let options = sqlx::sqlite::SqliteConnectOptions::new().filename(file);
    let pool = sqlx::SqlitePool::connect_with(options).await.unwrap();
    let mut tx = pool.begin().await.unwrap();
    let (machines, readings) = (ENTERED / VISITS, ENTERED * READINGS);
    for n in 1..times {
        let (j, m, r) = (n * ENTERED, n * machines, n * readings);
        let copies = [
            format!(
                "INSERT INTO machines SELECT id + {m}, name || ' of {n}', registration, profile_toml, \
                 owner_id, created_ms FROM machines WHERE id <= {machines}"
            ),
            format!(
                "INSERT INTO jobs SELECT id + {j}, machine_id + {m}, head_toml, profile_toml, complaint, \
                 odometer_km, stage, closed_ms, created_ms, changed_ms, revision FROM jobs \
                 WHERE id <= {ENTERED}"
            ),
            format!(
                "INSERT INTO readings SELECT id + {r}, job_id + {j}, stage, condition, values_toml, \
                 taken_ms, withdrawn_reason FROM readings WHERE id <= {readings}"
            ),
            format!(
                "INSERT INTO recordings SELECT reading_id + {r}, file_name, sha256, length_bytes, \
                 coding, packed FROM recordings WHERE reading_id <= {readings}"
            ),
            format!(
                "INSERT INTO findings SELECT id + {j}, job_id + {j}, program_version, inputs_sha256, \
                 undetermined, leading_cause, probability, answer_json, computed_ms FROM findings \
                 WHERE id <= {ENTERED}"
            ),
        ];
        for sql in copies {
            sqlx::query(sqlx::AssertSqlSafe(sql))
                .execute(&mut *tx)
                .await
                .unwrap();
        }
    }
    for (table, id) in [
        ("machines", "id"),
        ("jobs", "id"),
        ("readings", "id"),
        ("findings", "id"),
    ] {
        let sql = format!(
            "UPDATE counters SET value = (SELECT MAX({id}) FROM {table}) WHERE name = '{table}'"
        );
        sqlx::query(sqlx::AssertSqlSafe(sql))
            .execute(&mut *tx)
            .await
            .unwrap();
    }
    tx.commit().await.unwrap();
    pool.close().await;
}

async fn entered(work: &Path, folder: &Path, jobs: usize) -> Store {
    let (store, _) = Store::open(folder, Access::Write, "the benchmark", NOW)
        .await
        .unwrap();
    let source = work.join("source");
    std::fs::create_dir_all(&source).unwrap();
    let mut machine_id = None;
    for n in 0..jobs {
        if n % VISITS == 0 {
            let machine = NewMachine {
                name: format!("twin {}", n / VISITS),
                registration: String::new(),
                profile_toml: PROFILE.to_owned(),
                owner_id: None,
            };
            machine_id = Some(store.add_machine(&machine, NOW).await.unwrap());
        }
        std::fs::write(source.join("idle.csv"), recording(n)).unwrap();
        let new = ImportJob {
            job_toml: job(n),
            profile_toml: PROFILE.to_owned(),
            machine_id,
        };
        let done = store.import_job(&source, &new, NOW).await.unwrap();
        let findings = NewFindings {
            program_version: "0.1.0".to_owned(),
            inputs_sha256: String::new(),
            undetermined: n % 7 == 0,
            leading_cause: "balance-off".to_owned(),
            probability: Some(0.9),
            answer_json: "{\"causes\":[]}".repeat(1_000),
        };
        store
            .add_findings(done.job_id, &findings, NOW)
            .await
            .unwrap();
        store
            .set_closed(done.job_id, n % 4 != 0, NOW)
            .await
            .unwrap();
    }
    store
}

fn job(n: usize) -> String {
    let mut text = format!(
        "format = \"evenpull.job/1\"\nprofile = \"profile.toml\"\nmachine = \"twin {}\"\n\
         [ambient]\npressure_kpa = 99.{}\n",
        n / VISITS,
        n % 90 + 10
    );
    for r in 0..READINGS {
        let recording = if r == 0 {
            "recording = \"idle.csv\"\n"
        } else {
            ""
        };
        text.push_str(&format!(
            "[[reading]]\ncondition = \"hold\"\nrpm = 3800\nengine_c = 75\n{recording}\
             gauge = {{ left = 34.{r}, right = 35.{}, unit = \"kPa\" }}\n",
            n % 10
        ));
    }
    text
}

/// About ten seconds at 100 Hz, different in every job.
fn recording(n: usize) -> String {
    (0..1_000)
        .map(|i| {
            format!(
                "{:.3},{},{}\n",
                i as f64 / 100.0,
                6_000 + (i * 37 + n) % 400,
                6_000 + (i * 53 + n * 7) % 400
            )
        })
        .collect()
}

//! What every request sees.

use std::collections::HashMap;
use std::fmt;
use std::path::PathBuf;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use evenpull_app::{AppError, Bench, BenchGlance, BenchStart, Records};

use crate::announce::{Announce, Announcement};
use crate::number::Writing;
use crate::pages::Assessed;
use crate::pairing::Pairing;
use crate::problem::Problem;
use crate::session::Sessions;
use crate::texts::Texts;
use crate::token::random_token;

/// What a server is made from.
#[derive(Clone)]
pub struct WebConfig {
    /// Names with port under which the server may be asked, such as `127.0.0.1:8087`.
    pub hosts: Vec<String>,
    /// Address that another device opens, such as `http://192.0.2.1:8087`.
    pub address: String,
    /// Texts of the pages.
    pub texts: Texts,
    /// Records of the shop; without them the server has the bench alone.
    pub records: Option<Records>,
    /// A moment [ms since 1970 UTC] as it shall be read on a page.
    pub when: Arc<dyn Fn(i64) -> String + Send + Sync>,
    /// What the bench is set up with at first.
    pub bench: BenchStart,
    /// Folder for passing files; the caller removes it at the end.
    pub work: PathBuf,
    /// Date and time as it shall be read on a page.
    pub now: Arc<dyn Fn() -> String + Send + Sync>,
    /// Takes what is to be told at the terminal.
    pub announce: Arc<dyn Fn(Announcement) + Send + Sync>,
}

impl fmt::Debug for WebConfig {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("WebConfig")
            .field("hosts", &self.hosts)
            .field("address", &self.address)
            .finish_non_exhaustive()
    }
}

/// State of the server, shared by all requests.
#[derive(Clone)]
pub struct Web {
    inner: Arc<Inner>,
}

/// The job that the bench is set up for.
#[derive(Debug, Clone, Copy)]
struct BenchLink {
    job: i64,
    /// Readings of the bench that are in the records already.
    handed: usize,
}

/// Findings of so many jobs are kept in memory; they are computed anew in seconds.
const MOST_ASSESSED: usize = 32;

struct Inner {
    hosts: Vec<String>,
    address: String,
    texts: Arc<Texts>,
    now: Arc<dyn Fn() -> String + Send + Sync>,
    announce: Announce,
    pairing: Mutex<Pairing>,
    sessions: Mutex<Sessions>,
    writing: Mutex<Writing>,
    records: Option<Records>,
    when: Arc<dyn Fn(i64) -> String + Send + Sync>,
    assessed: Mutex<HashMap<i64, Arc<Assessed>>>,
    bench: Mutex<Option<Bench>>,
    link: Mutex<Option<BenchLink>>,
    first_bench: BenchStart,
    work: PathBuf,
    faults: AtomicU64,
}

impl fmt::Debug for Web {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Web")
            .field("hosts", &self.inner.hosts)
            .finish_non_exhaustive()
    }
}

impl Web {
    /// State with a fresh pairing code and no paired device.
    pub fn new(config: WebConfig) -> Self {
        Self {
            inner: Arc::new(Inner {
                hosts: config.hosts,
                address: config.address,
                texts: Arc::new(config.texts),
                now: config.now,
                announce: config.announce,
                pairing: Mutex::default(),
                sessions: Mutex::default(),
                writing: Mutex::default(),
                records: config.records,
                when: config.when,
                assessed: Mutex::default(),
                bench: Mutex::default(),
                link: Mutex::default(),
                first_bench: config.bench,
                work: config.work,
                faults: AtomicU64::new(0),
            }),
        }
    }

    /// The code that pairs the next device.
    pub fn pairing_code(&self) -> String {
        self.pairing().code()
    }

    /// Address that pairs the next device when opened on it.
    pub fn pairing_address(&self) -> String {
        format!("{}/pair?code={}", self.inner.address, self.pairing_code())
    }

    pub(crate) fn address(&self) -> &str {
        &self.inner.address
    }

    pub(crate) fn knows_host(&self, host: &str) -> bool {
        self.inner
            .hosts
            .iter()
            .any(|h| h.eq_ignore_ascii_case(host))
    }

    pub(crate) fn texts(&self) -> Arc<Texts> {
        Arc::clone(&self.inner.texts)
    }

    pub(crate) fn now(&self) -> String {
        (self.inner.now)()
    }

    pub(crate) fn announce(&self, what: Announcement) {
        (self.inner.announce)(what);
    }

    pub(crate) fn pairing(&self) -> MutexGuard<'_, Pairing> {
        held(&self.inner.pairing)
    }

    pub(crate) fn sessions(&self) -> MutexGuard<'_, Sessions> {
        held(&self.inner.sessions)
    }

    pub(crate) fn writing(&self) -> Writing {
        *held(&self.inner.writing)
    }

    pub(crate) fn set_writing(&self, writing: Writing) {
        *held(&self.inner.writing) = writing;
    }

    /// Does something with the bench, which is set up when it is first asked for. Waits for others
    /// who do: not to be called from an asynchronous thread.
    pub(crate) fn at_bench<T>(
        &self,
        what: impl FnOnce(&mut Bench) -> Result<T, AppError>,
    ) -> Result<T, AppError> {
        let mut slot = held(&self.inner.bench);
        if let Some(bench) = slot.as_mut() {
            return what(bench);
        }
        what(slot.insert(Bench::set_up(&self.inner.first_bench)?))
    }

    /// Puts another bench in place of the present one, for a job if one is named.
    pub(crate) fn set_bench(&self, start: &BenchStart, job: Option<i64>) -> Result<(), AppError> {
        let bench = Bench::set_up(start)?;
        *held(&self.inner.bench) = Some(bench);
        *held(&self.inner.link) = job.map(|job| BenchLink { job, handed: 0 });
        Ok(())
    }

    /// The job that the bench is set up for.
    pub(crate) fn bench_job(&self) -> Option<i64> {
        held(&self.inner.link).map(|l| l.job)
    }

    /// Readings of the bench already in the records of a job; `None` when it is set up for another.
    pub(crate) fn handed_over(&self, job: i64) -> Option<usize> {
        let link = *held(&self.inner.link);
        link.filter(|l| l.job == job).map(|l| l.handed)
    }

    /// Readings of the bench that wait to be taken over; `None` when it is set up for another job.
    pub(crate) fn bench_waiting(&self, job: i64) -> Option<usize> {
        let handed = self.handed_over(job)?;
        let mut slot = held(&self.inner.bench);
        let readings = slot.as_mut()?.glance().readings;
        Some(readings.saturating_sub(handed))
    }

    /// Notes that one more reading is in the records.
    pub(crate) fn hand_over_one(&self, job: i64) {
        if let Some(link) = held(&self.inner.link).as_mut().filter(|l| l.job == job) {
            link.handed += 1;
        }
    }

    /// The findings of a job computed last since the server started.
    pub(crate) fn assessed(&self, job: i64) -> Option<Arc<Assessed>> {
        held(&self.inner.assessed).get(&job).cloned()
    }

    /// Keeps the findings of a job.
    pub(crate) fn keep_assessed(&self, job: i64, found: Arc<Assessed>) {
        let mut all = held(&self.inner.assessed);
        if all.len() >= MOST_ASSESSED && !all.contains_key(&job) {
            all.clear();
        }
        all.insert(job, found);
    }

    pub(crate) fn records(&self) -> Option<&Records> {
        self.inner.records.as_ref()
    }

    /// A moment [ms since 1970 UTC] as it shall be read.
    pub(crate) fn when(&self, ms: i64) -> String {
        (self.inner.when)(ms)
    }

    /// The bench as it stands; `None` while somebody operates it or before it is set up.
    pub(crate) fn glance(&self) -> Option<BenchGlance> {
        let mut slot = self.inner.bench.try_lock().ok()?;
        Some(slot.as_mut()?.glance())
    }

    /// A fresh folder for passing files.
    pub(crate) fn work_folder(&self) -> PathBuf {
        self.inner.work.join(random_token())
    }

    /// Tells a fault at the terminal and gives the page its number only.
    pub(crate) fn fault(&self, text: String) -> Problem {
        let number = self.inner.faults.fetch_add(1, Ordering::Relaxed) + 1;
        self.announce(Announcement::Fault { number, text });
        Problem::Fault(number)
    }
}

/// The value behind a lock; what a panicking request left is whole, since no writer leaves it half.
pub(crate) fn held<T>(lock: &Mutex<T>) -> MutexGuard<'_, T> {
    lock.lock().unwrap_or_else(PoisonError::into_inner)
}

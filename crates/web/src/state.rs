//! What every request sees.

use std::collections::HashMap;
use std::fmt;
use std::path::PathBuf;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use evenpull_app::{AppError, Bench, BenchStart, Calendar, Clock, Records, ShopSettings, Writing};

use crate::announce::{Announce, Announcement};
use crate::bench_keeper::BenchLink;
use crate::glances::Glances;
use crate::once::Once;
use crate::pages::Assessed;
use crate::pairing::Pairing;
use crate::problem::Problem;
use crate::session::Sessions;
use crate::texts::{Texts, Translation};
use crate::token::random_token;
use bench::Beyond;

mod bench;

/// What a server is made from.
#[derive(Clone)]
pub struct WebConfig {
    /// Names with port under which the server may be asked, such as `127.0.0.1:8087`.
    pub hosts: Vec<String>,
    /// Address that another device opens, such as `http://192.0.2.1:8087`.
    pub address: String,
    /// Tells the time by which pairings run out.
    pub clock: Clock,
    /// Records of the shop; without them the server has the bench alone.
    pub records: Option<Records>,
    /// A moment [ms since 1970 UTC] as it shall be read on a page.
    pub when: Arc<dyn Fn(i64) -> String + Send + Sync>,
    /// Serial ports that boards are looked for on; empty looks at all of them.
    pub ports: Vec<PathBuf>,
    /// A moment as the clocks of the shop show it, for documents.
    pub calendar: Calendar,
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

/// Findings of so many jobs are kept in memory; they are computed anew in seconds.
const MOST_ASSESSED: usize = 32;

struct Inner {
    hosts: Vec<String>,
    address: String,
    clock: Clock,
    texts: Mutex<Arc<Texts>>,
    now: Arc<dyn Fn() -> String + Send + Sync>,
    announce: Announce,
    pairing: Mutex<Pairing>,
    sessions: Mutex<Sessions>,
    settings: Mutex<Arc<ShopSettings>>,
    /// Held while settings or devices go into the records, so that the newest are written last.
    keeping: tokio::sync::Mutex<()>,
    records: Option<Records>,
    when: Arc<dyn Fn(i64) -> String + Send + Sync>,
    calendar: Calendar,
    assessed: Mutex<HashMap<i64, Arc<Assessed>>>,
    bench: Mutex<Option<Bench>>,
    /// Job that the bench is set up for.
    job: Mutex<Option<i64>>,
    /// Set where its readings are kept there.
    link: Mutex<Option<BenchLink>>,
    benches: AtomicU64,
    /// Counts up whenever the bench gives way to another one or to none.
    bench_number: AtomicU64,
    /// Wakes the keepers.
    turn_made: tokio::sync::Notify,
    /// Keepers at work by the number of their bench, with what a bench that was put away left.
    keepers: Mutex<HashMap<u64, Option<Beyond>>>,
    glances: Glances,
    ports: Vec<PathBuf>,
    first_bench: BenchStart,
    work: PathBuf,
    faults: AtomicU64,
    once: Once,
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
                clock: config.clock,
                texts: Mutex::new(Arc::new(Texts::english())),
                now: config.now,
                announce: config.announce,
                pairing: Mutex::default(),
                sessions: Mutex::default(),
                settings: Mutex::default(),
                keeping: tokio::sync::Mutex::default(),
                records: config.records,
                when: config.when,
                calendar: config.calendar,
                assessed: Mutex::default(),
                turn_made: tokio::sync::Notify::new(),
                bench: Mutex::default(),
                job: Mutex::default(),
                link: Mutex::default(),
                benches: AtomicU64::new(0),
                bench_number: AtomicU64::new(0),
                keepers: Mutex::default(),
                glances: Glances::default(),
                ports: config.ports,
                first_bench: config.bench,
                work: config.work,
                faults: AtomicU64::new(0),
                once: Once::default(),
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
        Arc::clone(&held(&self.inner.texts))
    }

    /// Moments as documents write them.
    pub(crate) fn calendar(&self) -> Calendar {
        Arc::clone(&self.inner.calendar)
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

    pub(crate) fn now_ms(&self) -> i64 {
        (self.inner.clock)().ms
    }

    /// Takes settings and paired devices from the records, as they were when the server ended.
    ///
    /// A translation that cannot be read is told at the terminal and left out.
    ///
    /// # Errors
    /// Problems of the records.
    pub async fn remember(&self) -> Result<(), AppError> {
        let Some(records) = self.records() else {
            return Ok(());
        };
        let devices = records.devices().await?;
        *self.sessions() = Sessions::of_devices(&devices);
        let settings = records.shop_settings().await?;
        self.speak(&settings.language);
        *held(&self.inner.settings) = Arc::new(settings);
        Ok(())
    }

    pub(crate) fn settings(&self) -> Arc<ShopSettings> {
        Arc::clone(&held(&self.inner.settings))
    }

    pub(crate) fn writing(&self) -> Writing {
        self.settings().writing
    }

    /// Keeps the settings and goes by them.
    pub(crate) async fn set_settings(&self, settings: ShopSettings) -> Result<(), AppError> {
        let _keeping = self.inner.keeping.lock().await;
        if let Some(records) = self.records() {
            records.set_shop_settings(&settings).await?;
        }
        self.speak(&settings.language);
        *held(&self.inner.settings) = Arc::new(settings);
        Ok(())
    }

    /// Keeps the devices as they are paired now. Where that fails they stay paired until the server
    /// ends, and the terminal says so.
    pub(crate) async fn keep_devices(&self) {
        let _keeping = self.inner.keeping.lock().await;
        let devices = self.sessions().devices();
        if let Some(records) = self.records()
            && let Err(error) = records.set_devices(&devices).await
        {
            let text = format!("the paired devices are not kept: {error}");
            self.announce(Announcement::Trouble(text));
        }
    }

    /// Shows the pages in a translation of the data folder; English where there is none.
    fn speak(&self, language: &str) {
        let texts = match self.translation(language) {
            Ok(translation) => translation.texts,
            Err(trouble) => {
                self.announce(Announcement::Trouble(trouble));
                Texts::english()
            }
        };
        *held(&self.inner.texts) = Arc::new(texts);
    }

    /// A translation of the data folder, checked; the English texts for an empty name.
    pub(crate) fn translation(&self, language: &str) -> Result<Translation, String> {
        let records = match self.records() {
            Some(records) if !language.is_empty() => records,
            _ => return Ok(Translation::english()),
        };
        let toml = records.translation(language).map_err(|e| e.to_string())?;
        Texts::translated(&toml).map_err(|e| format!("{language}: {e}"))
    }

    /// Serial ports that boards are looked for on.
    pub(crate) fn ports(&self) -> &[PathBuf] {
        &self.inner.ports
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

    /// The glances that all streams share.
    pub(crate) fn glances(&self) -> &Glances {
        &self.inner.glances
    }

    /// The forms that were sent of late.
    pub(crate) fn once(&self) -> &Once {
        &self.inner.once
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

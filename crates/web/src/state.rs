//! What every request sees.

use std::fmt;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use crate::announce::{Announce, Announcement};
use crate::number::Writing;
use crate::pairing::Pairing;
use crate::problem::Problem;
use crate::session::Sessions;
use crate::texts::Texts;

/// What a server is made from.
#[derive(Clone)]
pub struct WebConfig {
    /// Names with port under which the server may be asked, such as `127.0.0.1:8087`.
    pub hosts: Vec<String>,
    /// Address that another device opens, such as `http://192.0.2.1:8087`.
    pub address: String,
    /// Texts of the pages.
    pub texts: Texts,
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

struct Inner {
    hosts: Vec<String>,
    address: String,
    texts: Arc<Texts>,
    now: Arc<dyn Fn() -> String + Send + Sync>,
    announce: Announce,
    pairing: Mutex<Pairing>,
    sessions: Mutex<Sessions>,
    writing: Mutex<Writing>,
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

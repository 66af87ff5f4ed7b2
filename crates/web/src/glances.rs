//! What the bench shows, written once for all who watch.
//!
//! A task follows the session and writes each new moment as JSON; every stream takes the newest when
//! its device is ready for it. A device that reads nothing costs one text that it never gets.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use evenpull_app::{BenchGlance, Watcher};
use serde::Serialize;
use tokio::sync::watch;
use tokio::time::{Instant, sleep, sleep_until, timeout};

use crate::bench_keeper::BenchLink;
use crate::state::Web;

/// Shortest time between two glances: half a frame of most screens, so that what is new hardly ever
/// misses one.
const PACE: Duration = Duration::from_millis(8);
/// Longest wait for a moment of the session before the bench is looked at again.
const ALIVE: Duration = Duration::from_millis(500);
/// Wait where there is no bench.
const NO_BENCH: Duration = Duration::from_millis(100);

/// The newest glance, and whether anybody writes it.
#[derive(Debug, Default)]
pub(crate) struct Glances {
    newest: watch::Sender<Arc<Glance>>,
    written: AtomicBool,
}

/// One moment of one bench, as JSON.
#[derive(Debug, Default)]
pub(crate) struct Glance {
    bench: u64,
    text: String,
}

impl Glance {
    /// The text, if there is any and the bench is still the one it was written of.
    pub(crate) fn text_of_present(&self, web: &Web) -> Option<&str> {
        let present = self.bench == web.bench_number() && !self.text.is_empty();
        present.then_some(self.text.as_str())
    }
}

/// A glance as it goes to the pages.
#[derive(Serialize)]
struct Sent<'a> {
    #[serde(flatten)]
    bench: &'a BenchGlance,
    /// The job whose records take the readings, and how far they have.
    kept: Option<&'a BenchLink>,
}

/// Begins to watch. The first who does starts the writing.
pub(crate) fn watch(web: &Web) -> watch::Receiver<Arc<Glance>> {
    let glances = web.glances();
    let mut receiver = glances.newest.subscribe();
    if glances.written.swap(true, Ordering::AcqRel) {
        receiver.mark_changed();
    } else {
        // What was written last may be hours old.
        glances.newest.send_replace(Arc::default());
        tokio::spawn(write(web.clone()));
    }
    receiver
}

/// Writes glances for as long as anybody watches.
async fn write(web: Web) {
    let mut watcher: Option<Watcher> = None;
    loop {
        if web.glances().newest.receiver_count() == 0 {
            web.glances().written.store(false, Ordering::Release);
            // Somebody may have come between the two lines above and found it written.
            let come = web.glances().newest.receiver_count() > 0;
            if !come || web.glances().written.swap(true, Ordering::AcqRel) {
                return;
            }
        }
        let Some(session) = &mut watcher else {
            watcher = web.bench_watcher();
            if watcher.is_none() {
                sleep(NO_BENCH).await;
            }
            continue;
        };
        // `Ok(None)`: that session is over, the bench has another one.
        if let Ok(None) = timeout(ALIVE, session.next()).await {
            watcher = None;
            continue;
        }
        let begun = Instant::now();
        if let Some(glance) = glance(&web) {
            web.glances().newest.send_replace(glance);
            sleep_until(begun + PACE).await;
        }
    }
}

/// The bench now; `None` while somebody operates it: the next moment shows what that did.
fn glance(web: &Web) -> Option<Arc<Glance>> {
    let (number, bench) = web.glance()?;
    let kept = web.bench_link();
    let sent = Sent {
        bench: &bench,
        kept: kept.as_ref(),
    };
    let text = serde_json::to_string(&sent).ok()?;
    Some(Arc::new(Glance {
        bench: number,
        text,
    }))
}

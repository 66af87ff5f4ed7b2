//! Where samples come from; each source runs in a thread of its own and ends with its queue.

use std::sync::mpsc;

use evenpull_engine::EngineError;

use crate::practice::{PracticeCommand, PracticeSetup};
use crate::queue::Queue;

mod practice_run;

/// A source to listen to.
#[derive(Debug)]
#[non_exhaustive]
pub enum Source {
    /// The practice engine.
    Practice(Box<PracticeSetup>),
}

/// Why a source cannot be set up.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum SourceError {
    /// The practice engine refuses its numbers.
    #[error("practice engine: {0}")]
    Engine(#[from] EngineError),
    /// The system gives no thread.
    #[error("no thread to listen in: {why}")]
    Thread {
        /// What the system says.
        why: String,
    },
}

/// A source at work.
pub(crate) struct Started {
    pub(crate) practice: Option<mpsc::Sender<PracticeCommand>>,
}

/// Starts a source; it ends when its queue is closed.
pub(crate) fn start(source: Source, queue: Queue) -> Result<Started, SourceError> {
    match source {
        Source::Practice(setup) => practice_run::start(*setup, queue),
    }
}

/// Runs `work` in a thread called `name`.
fn in_thread(name: &str, work: impl FnOnce() + Send + 'static) -> Result<(), SourceError> {
    std::thread::Builder::new()
        .name(name.to_owned())
        .spawn(work)
        .map(|_| ())
        .map_err(|e| SourceError::Thread { why: e.to_string() })
}

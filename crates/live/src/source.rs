//! Where samples come from; each source runs in a thread of its own and ends with its queue.

use std::path::PathBuf;
use std::sync::mpsc;

use evenpull_engine::EngineError;
use evenpull_trace::Recording;

use crate::practice::{PracticeCommand, PracticeSetup};
use crate::queue::Queue;

mod network;
mod practice_run;
mod reader;
mod replay;
mod serial;

/// A source to listen to.
#[derive(Debug)]
#[non_exhaustive]
pub enum Source {
    /// The practice engine.
    Practice(Box<PracticeSetup>),
    /// A board on a serial port, found by its lines.
    Serial(Ports),
    /// A board on the network that sends its lines to whoever connects: `address:port`.
    Network {
        /// Host name or address, colon, port.
        address: String,
    },
    /// A recording, played at the speed it was taken.
    Replay {
        /// Recording.
        recording: Box<Recording>,
        /// It begins anew at its end.
        again: bool,
    },
}

/// Serial ports to look at.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Ports {
    /// Every port of the computer.
    Any,
    /// These alone, in this order.
    These(Vec<PathBuf>),
}

/// Why a source cannot be set up.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum SourceError {
    /// The practice engine refuses its numbers.
    #[error("practice engine: {0}")]
    Engine(#[from] EngineError),
    /// The recording cannot be played.
    #[error("{name}: cannot be played: {why}")]
    Replay {
        /// Recording.
        name: String,
        /// Why.
        why: String,
    },
    /// An address without a port.
    #[error("`{address}` is no address with a port\n  remedy: write it as in 192.0.2.7:3333")]
    Address {
        /// As given.
        address: String,
    },
    /// The system gives no thread, or no event loop.
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
    let listening = Started { practice: None };
    match source {
        Source::Practice(setup) => practice_run::start(*setup, queue),
        Source::Serial(ports) => {
            in_loop("serial-lines", queue, |queue| serial::listen(ports, queue))?;
            Ok(listening)
        }
        Source::Network { address } => {
            network::check(&address)?;
            in_loop("network-lines", queue, |queue| {
                network::listen(address, queue)
            })?;
            Ok(listening)
        }
        Source::Replay { recording, again } => {
            replay::start(*recording, again, queue)?;
            Ok(listening)
        }
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

/// Runs the future that `work` makes in a thread with an event loop of its own.
fn in_loop<F: Future<Output = ()>>(
    name: &str,
    queue: Queue,
    work: impl FnOnce(Queue) -> F + Send + 'static,
) -> Result<(), SourceError> {
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_io()
        .enable_time()
        .build()
        .map_err(|e| SourceError::Thread { why: e.to_string() })?;
    in_thread(name, move || runtime.block_on(work(queue)))
}

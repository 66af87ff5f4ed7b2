//! Sensor streams, followed while they run: cycles, speed, depressions, areas, and the reading that
//! accepts itself once it is steady.
//!
//! A [`Session`] owns a [`Source`] and a [`Follower`], each in a thread, joined by a [`Queue`] that never
//! waits: the newest samples win. Watchers get the newest [`Snapshot`]. The analysis is that of
//! `evenpull_trace`, on a sliding stretch; an accepted reading is stored as a recording and is what
//! that recording says. Not a pure crate: it opens ports and reads the clock.

mod block;
mod follow;
mod hand;
pub mod lines;
mod practice;
mod queue;
mod ring;
mod session;
mod snapshot;
mod source;
mod steady;
mod text;

pub use block::{Block, Damage, Feed, Link, MOST_CHANNELS, RATE_RANGE_HZ, StreamHead};
pub use follow::{AcceptError, Accepted, CompareError, Expect, Follower, ZeroError};
pub use practice::{
    Bleed, PracticeCommand, PracticeEngine, PracticeSetup, PracticeState, Screw, Spindle, Throttle,
    ThrottleSense,
};
pub use queue::Queue;
pub use session::{Seen, Session, SessionError, Watcher};
pub use snapshot::{BodyNow, Progress, Snapshot};
pub use source::{Ports, Source, SourceError};
pub use steady::{Gates, Missing};

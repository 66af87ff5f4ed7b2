//! The practice engine at real speed.

use std::sync::mpsc;
use std::time::{Duration, Instant};

use crate::block::{Block, Feed, Link, StreamHead};
use crate::practice::{PracticeCommand, PracticeEngine, PracticeSetup};
use crate::queue::Queue;
use crate::source::{SourceError, Started, in_thread};

/// Length of a block [s].
const BLOCK_S: f64 = 0.005;
/// How far behind real time it may fall before the lost time is let go [s].
const BEHIND_S: f64 = 0.25;

pub(crate) fn start(setup: PracticeSetup, queue: Queue) -> Result<Started, SourceError> {
    let head = StreamHead {
        channels: setup.bodies.clone(),
        rate_hz: setup.rate_hz,
    };
    let engine = PracticeEngine::new(setup)?;
    let (sender, commands) = mpsc::channel();
    in_thread("practice-engine", move || {
        queue.push(Feed::Link(Link::Connected {
            to: "practice engine".to_owned(),
        }));
        queue.push(Feed::Head(head));
        run(engine, &queue, &commands);
    })?;
    Ok(Started {
        practice: Some(sender),
    })
}

fn run(mut engine: PracticeEngine, queue: &Queue, commands: &mpsc::Receiver<PracticeCommand>) {
    let channels = engine.setup().bodies.len();
    let rate_hz = engine.setup().rate_hz;
    let per_block = ((BLOCK_S * rate_hz) as usize).max(1);
    let mut fresh = true;
    let mut due = Instant::now();
    let mut rows = Vec::new();
    while !queue.is_closed() {
        for command in commands.try_iter() {
            if let Err(error) = engine.command(command) {
                queue.push(Feed::Remark(error.to_string()));
            }
        }
        rows.clear();
        if let Err(error) = engine.advance(&mut rows) {
            queue.push(Feed::Remark(error.to_string()));
        }
        queue.push(Feed::Practice(engine.state()));
        for part in rows.chunks(per_block * channels) {
            due += Duration::from_secs_f64(part.len() as f64 / channels as f64 / rate_hz);
            wait_until(&mut due);
            queue.push(Feed::Samples(Block {
                rows: part.to_vec(),
                channels,
                lost_before: 0,
                fresh,
                arrived: Instant::now(),
            }));
            fresh = false;
        }
    }
}

/// Sleeps until `due`; if that is long past, the lost time is let go.
pub(crate) fn wait_until(due: &mut Instant) {
    let now = Instant::now();
    match due.checked_duration_since(now) {
        Some(wait) => std::thread::sleep(wait),
        None if now.duration_since(*due).as_secs_f64() > BEHIND_S => *due = now,
        None => {}
    }
}

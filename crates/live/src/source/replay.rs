//! A recording played at the speed it was taken.

use std::time::{Duration, Instant};

use evenpull_trace::Recording;

use crate::block::{Block, Feed, Link, MOST_CHANNELS, RATE_RANGE_HZ, StreamHead};
use crate::queue::Queue;
use crate::source::practice_run::wait_until;
use crate::source::{SourceError, in_thread};

/// Length of a block [s].
const BLOCK_S: f64 = 0.005;
/// Longest sleep before looking whether the session still runs.
const LOOK: Duration = Duration::from_millis(100);

pub(crate) fn start(recording: Recording, again: bool, queue: Queue) -> Result<(), SourceError> {
    let rate_hz = 1.0 / recording.dt_s;
    let channels = recording.channels.len();
    let refused = |why: String| SourceError::Replay {
        name: recording.name.clone(),
        why,
    };
    if !(RATE_RANGE_HZ.0..=RATE_RANGE_HZ.1).contains(&rate_hz) {
        return Err(refused(format!(
            "{rate_hz:.0} samples a second, {:.0} to {:.0} can be followed",
            RATE_RANGE_HZ.0, RATE_RANGE_HZ.1
        )));
    }
    if !(1..=MOST_CHANNELS).contains(&channels) || recording.samples() == 0 {
        return Err(refused(format!(
            "{} samples of {channels} channels",
            recording.samples()
        )));
    }
    in_thread("replay", move || {
        queue.push(Feed::Link(Link::Connected {
            to: recording.name.clone(),
        }));
        queue.push(Feed::Head(StreamHead {
            channels: recording.channels.iter().map(|c| c.body.clone()).collect(),
            rate_hz,
        }));
        while play(&recording, &queue) && again {}
        queue.push(Feed::Link(Link::Ended {
            why: "end of the recording".to_owned(),
        }));
    })
}

/// Plays it once; false when the session is over.
fn play(recording: &Recording, queue: &Queue) -> bool {
    let per_block = ((BLOCK_S / recording.dt_s) as usize).max(1);
    let mut due = Instant::now();
    let mut last_s = None;
    for segment in &recording.segments {
        // A gap passes as it passed then.
        let gap_s: f64 = last_s.map_or(0.0, |last: f64| (segment.t0_s - last).clamp(0.0, 60.0));
        due += Duration::from_secs_f64(gap_s);
        last_s = Some(segment.t0_s + segment.len as f64 * recording.dt_s);
        let mut fresh = true;
        let end = segment.first + segment.len;
        for first in (segment.first..end).step_by(per_block) {
            let part = first..(first + per_block).min(end);
            due += Duration::from_secs_f64(part.len() as f64 * recording.dt_s);
            while due.saturating_duration_since(Instant::now()) > LOOK && !queue.is_closed() {
                std::thread::sleep(LOOK);
            }
            if queue.is_closed() {
                return false;
            }
            wait_until(&mut due);
            let value = |k: usize, c: usize| {
                let p = recording.channels.get(c).and_then(|c| c.p_pa.get(k));
                p.copied().unwrap_or(f32::NAN)
            };
            let channels = recording.channels.len();
            queue.push(Feed::Samples(Block {
                rows: part
                    .flat_map(|k| (0..channels).map(move |c| value(k, c)))
                    .collect(),
                channels,
                lost_before: 0,
                fresh: std::mem::take(&mut fresh),
                arrived: Instant::now(),
            }));
        }
    }
    true
}

//! The bounded queue between a source and whoever follows it: the newest samples win.

use std::collections::VecDeque;
use std::sync::{Arc, Condvar, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use crate::block::Feed;

/// Most items that are not samples; the oldest go first.
const MOST_NEWS: usize = 256;

/// Sender's and receiver's end alike.
#[derive(Debug, Clone)]
pub struct Queue {
    inner: Arc<Inner>,
}

#[derive(Debug)]
struct Inner {
    state: Mutex<State>,
    filled: Condvar,
    most_samples: usize,
}

#[derive(Debug, Default)]
struct State {
    items: VecDeque<Feed>,
    samples: usize,
    news: usize,
    dropped: u64,
    closed: bool,
    /// Whoever waits is to look up once, items or not.
    woken: bool,
}

impl Queue {
    /// A queue that holds up to `most_samples` samples (rows, at least 1).
    pub fn new(most_samples: usize) -> Self {
        Self {
            inner: Arc::new(Inner {
                state: Mutex::new(State::default()),
                filled: Condvar::new(),
                most_samples: most_samples.max(1),
            }),
        }
    }

    /// Puts an item in; never waits. The oldest samples make room, and the block after them says
    /// how many are missing.
    pub fn push(&self, item: Feed) {
        let mut state = self.lock();
        if state.closed {
            return;
        }
        match &item {
            Feed::Samples(block) => state.samples += block.samples(),
            _ => state.news += 1,
        }
        state.items.push_back(item);
        while state.samples > self.inner.most_samples && state.drop_oldest_samples() {}
        while state.news > MOST_NEWS && state.drop_oldest_news() {}
        drop(state);
        self.inner.filled.notify_one();
    }

    /// Takes everything there is, waiting up to `patience` for the first item or a wake.
    ///
    /// `None` once the queue is closed and empty.
    pub fn take(&self, patience: Duration) -> Option<Vec<Feed>> {
        let state = self.lock();
        let (mut state, _) = self
            .inner
            .filled
            .wait_timeout_while(state, patience, |s| {
                s.items.is_empty() && !s.closed && !s.woken
            })
            .unwrap_or_else(PoisonError::into_inner);
        if state.items.is_empty() && state.closed {
            return None;
        }
        (state.samples, state.news, state.woken) = (0, 0, false);
        Some(state.items.drain(..).collect())
    }

    /// Samples dropped so far because nobody took them in time.
    pub fn dropped(&self) -> u64 {
        self.lock().dropped
    }

    /// Wakes the receiver, which then takes nothing.
    pub fn wake(&self) {
        self.lock().woken = true;
        self.inner.filled.notify_all();
    }

    /// Closes both ends; what is inside can still be taken.
    pub fn close(&self) {
        self.lock().closed = true;
        self.inner.filled.notify_all();
    }

    /// True once closed.
    pub fn is_closed(&self) -> bool {
        self.lock().closed
    }

    /// The state; a holder that panicked left it whole, as every change is one step.
    fn lock(&self) -> MutexGuard<'_, State> {
        self.inner
            .state
            .lock()
            .unwrap_or_else(PoisonError::into_inner)
    }
}

impl State {
    /// Drops the oldest block; false if the newest is the only one, which stays.
    fn drop_oldest_samples(&mut self) -> bool {
        let mut blocks =
            (0..self.items.len()).filter(|&i| matches!(self.items[i], Feed::Samples(_)));
        let (Some(oldest), Some(next)) = (blocks.next(), blocks.next()) else {
            return false;
        };
        let Some(Feed::Samples(gone)) = self.items.get(oldest).cloned() else {
            return false;
        };
        if let Some(Feed::Samples(block)) = self.items.get_mut(next) {
            // Across a fresh start nothing is missing: it is another stretch.
            if !block.fresh {
                block.lost_before += gone.lost_before + gone.samples() as u64;
                block.fresh = true;
            }
        }
        self.items.remove(oldest);
        self.samples -= gone.samples();
        self.dropped += gone.samples() as u64;
        true
    }

    fn drop_oldest_news(&mut self) -> bool {
        // A head must stay: the samples after it mean nothing without.
        let old = self
            .items
            .iter()
            .position(|i| !matches!(i, Feed::Samples(_) | Feed::Head(_)))
            .or_else(|| self.items.iter().position(|i| matches!(i, Feed::Head(_))));
        let Some(at) = old else { return false };
        self.items.remove(at);
        self.news -= 1;
        true
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::block::{Block, StreamHead};
    use std::time::Instant;

    fn block(first: usize, n: usize) -> Feed {
        Feed::Samples(Block {
            rows: (first..first + n).map(|i| i as f32).collect(),
            channels: 1,
            lost_before: 0,
            fresh: false,
            arrived: Instant::now(),
        })
    }

    #[test]
    fn the_newest_samples_win_and_the_lost_are_counted() {
        let queue = Queue::new(100);
        let head = StreamHead {
            channels: vec!["left".to_owned()],
            rate_hz: 1_000.0,
        };
        queue.push(Feed::Head(head.clone()));
        for i in 0..50 {
            queue.push(block(10 * i, 10));
        }
        let items = queue.take(Duration::ZERO).unwrap();
        assert_eq!(items[0], Feed::Head(head));
        assert_eq!(items.len(), 11);
        assert_eq!(queue.dropped(), 400);
        let Feed::Samples(first) = &items[1] else {
            panic!("{items:?}")
        };
        assert_eq!((first.rows[0], first.lost_before), (400.0, 400));
        assert!(first.fresh);
    }

    #[test]
    fn one_block_larger_than_the_queue_is_kept() {
        let queue = Queue::new(5);
        queue.push(block(0, 20));
        assert_eq!(queue.take(Duration::ZERO).unwrap().len(), 1);
        assert_eq!(queue.dropped(), 0);
    }

    #[test]
    fn news_without_end_stays_bounded() {
        let queue = Queue::new(5);
        for i in 0..5_000 {
            queue.push(Feed::Remark(i.to_string()));
        }
        assert_eq!(queue.take(Duration::ZERO).unwrap().len(), MOST_NEWS);
    }

    #[test]
    fn a_closed_queue_gives_what_it_holds_and_then_nothing() {
        let queue = Queue::new(100);
        queue.push(block(0, 1));
        queue.close();
        queue.push(block(1, 1));
        assert_eq!(queue.take(Duration::ZERO).unwrap().len(), 1);
        assert!(queue.take(Duration::from_secs(5)).is_none());
        assert!(queue.is_closed());
    }

    #[test]
    fn an_empty_queue_gives_nothing_after_the_wait() {
        let queue = Queue::new(1);
        assert_eq!(queue.take(Duration::from_millis(1)).unwrap(), vec![]);
    }
}

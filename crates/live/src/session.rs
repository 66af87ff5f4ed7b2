//! A running session: a source in its thread, a follower in another, any number of watchers.

use std::collections::VecDeque;
use std::sync::mpsc;
use std::sync::{Arc, Mutex, PoisonError};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use tokio::sync::watch;

use crate::block::{Damage, Feed, Link};
use crate::follow::{AcceptError, Accepted, CompareError, Expect, Follower, ZeroError, spread};
use crate::practice::{PracticeCommand, PracticeState};
use crate::queue::Queue;
use crate::snapshot::Snapshot;
use crate::source::{self, Source, SourceError};

/// Samples that wait for the follower before the oldest are dropped [s of the fastest stream]: a
/// computer that stutters for longer loses samples, and says so.
const WAITING_SAMPLES: usize = 40_000;
/// Shortest time between two snapshots [s].
const SNAPSHOT_S: f64 = 0.008;
/// Longest time without a snapshot [s]: watchers see that the session is alive.
const ALIVE_S: f64 = 0.5;
/// Accepted readings kept in the session; the caller stores them.
const KEPT_READINGS: usize = 16;
/// How long a request waits for its answer [s].
const ANSWER_S: u64 = 5;

/// Why a request to a session fails.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum SessionError {
    /// The source cannot be set up.
    #[error("{0}")]
    Source(#[from] SourceError),
    /// The zero was not taken.
    #[error("{0}")]
    Zero(#[from] ZeroError),
    /// The sensors were not compared.
    #[error("{0}")]
    Compare(#[from] CompareError),
    /// The reading was not accepted.
    #[error("{0}")]
    Accept(#[from] AcceptError),
    /// Only the practice engine has screws to turn from here.
    #[error("this session listens to sensors; only the practice engine can be operated from here")]
    NotPractice,
    /// The session is over.
    #[error("the session is over; start another one")]
    Over,
    /// The system gives no thread.
    #[error("no thread to run the session in: {why}")]
    Thread {
        /// What the system says.
        why: String,
    },
}

enum Request {
    Expect(Box<Expect>, mpsc::Sender<()>),
    Arm(mpsc::Sender<()>),
    Zero(mpsc::Sender<Result<Vec<f64>, ZeroError>>),
    Compare(mpsc::Sender<Result<Vec<f64>, CompareError>>),
    Accept(mpsc::Sender<Result<Arc<Accepted>, AcceptError>>),
    Stop,
}

/// A running session; dropping it ends it.
#[derive(Debug)]
pub struct Session {
    queue: Queue,
    requests: mpsc::Sender<Request>,
    practice: Option<mpsc::Sender<PracticeCommand>>,
    snapshots: watch::Receiver<Arc<Snapshot>>,
    accepted: Arc<Mutex<VecDeque<Arc<Accepted>>>>,
    follower: Option<JoinHandle<()>>,
}

impl Session {
    /// Starts a source and follows it.
    ///
    /// # Errors
    /// [`SessionError`] when the source cannot be set up or the system gives no thread. A device
    /// that is not there is no error: it is waited for.
    pub fn start(source: Source, expect: Expect) -> Result<Self, SessionError> {
        let queue = Queue::new(WAITING_SAMPLES);
        let started = source::start(source, queue.clone())?;
        let (requests, inbox) = mpsc::channel();
        let accepted = Arc::new(Mutex::new(VecDeque::new()));
        let worker = Worker::new(expect, queue.clone(), Arc::clone(&accepted));
        let (sender, snapshots) = watch::channel(Arc::new(worker.snapshot()));
        let follower = std::thread::Builder::new()
            .name("live-follow".to_owned())
            .spawn(move || worker.run(&inbox, &sender))
            .map_err(|e| SessionError::Thread { why: e.to_string() });
        let follower = match follower {
            Ok(follower) => follower,
            Err(error) => {
                queue.close();
                return Err(error);
            }
        };
        Ok(Self {
            queue,
            requests,
            practice: started.practice,
            snapshots,
            accepted,
            follower: Some(follower),
        })
    }

    /// A watcher of this session; a slow one misses snapshots and holds nobody up.
    pub fn watch(&self) -> Watcher {
        let mut snapshots = self.snapshots.clone();
        snapshots.mark_changed();
        Watcher {
            snapshots,
            seen: None,
        }
    }

    /// The newest snapshot.
    pub fn latest(&self) -> Arc<Snapshot> {
        Arc::clone(&self.snapshots.borrow())
    }

    /// Asks for another reading: condition, gates, ambient. Zeros that were taken stay. What is accepted
    /// after the return is that other reading.
    ///
    /// # Errors
    /// [`SessionError::Over`].
    pub fn expect(&self, expect: Expect) -> Result<(), SessionError> {
        let (answer, inbox) = mpsc::channel();
        self.send(Request::Expect(Box::new(expect), answer))?;
        waited(&inbox)
    }

    /// Lets the next steady stretch be accepted, as after turning a screw; it begins anew from here.
    ///
    /// # Errors
    /// [`SessionError::Over`].
    pub fn arm(&self) -> Result<(), SessionError> {
        let (answer, inbox) = mpsc::channel();
        self.send(Request::Arm(answer))?;
        waited(&inbox)
    }

    /// Takes the sensors' zero, engine off; returns each body's [Pa].
    ///
    /// # Errors
    /// [`SessionError::Zero`] or [`SessionError::Over`].
    pub fn take_zero(&self) -> Result<Vec<f64>, SessionError> {
        let (answer, inbox) = mpsc::channel();
        self.send(Request::Zero(answer))?;
        Ok(waited(&inbox)??)
    }

    /// What each sensor reads of one held pressure, zeros taken out [Pa]; see [`Follower::compare`].
    ///
    /// # Errors
    /// [`SessionError::Compare`] or [`SessionError::Over`].
    pub fn compare(&self) -> Result<Vec<f64>, SessionError> {
        let (answer, inbox) = mpsc::channel();
        self.send(Request::Compare(answer))?;
        Ok(waited(&inbox)??)
    }

    /// Accepts the steady stretch now.
    ///
    /// # Errors
    /// [`SessionError::Accept`] or [`SessionError::Over`].
    pub fn accept_now(&self) -> Result<Arc<Accepted>, SessionError> {
        let (answer, inbox) = mpsc::channel();
        self.send(Request::Accept(answer))?;
        Ok(waited(&inbox)??)
    }

    /// Operates the practice engine; it answers from its next cycle on.
    ///
    /// # Errors
    /// [`SessionError::NotPractice`] or [`SessionError::Over`].
    pub fn practice(&self, command: PracticeCommand) -> Result<(), SessionError> {
        let sender = self.practice.as_ref().ok_or(SessionError::NotPractice)?;
        sender.send(command).map_err(|_| SessionError::Over)
    }

    /// The accepted reading of that number, while it is kept (the last 16).
    pub fn accepted(&self, number: u64) -> Option<Arc<Accepted>> {
        let kept = self.accepted.lock().unwrap_or_else(PoisonError::into_inner);
        kept.iter().find(|a| a.number == number).cloned()
    }

    fn send(&self, request: Request) -> Result<(), SessionError> {
        self.requests
            .send(request)
            .map_err(|_| SessionError::Over)?;
        self.queue.wake();
        Ok(())
    }
}

impl Drop for Session {
    fn drop(&mut self) {
        // An ended follower has nothing to be told.
        let _ = self.requests.send(Request::Stop);
        self.queue.close();
        if let Some(follower) = self.follower.take() {
            let _ = follower.join();
        }
    }
}

fn waited<T>(inbox: &mpsc::Receiver<T>) -> Result<T, SessionError> {
    inbox
        .recv_timeout(Duration::from_secs(ANSWER_S))
        .map_err(|_| SessionError::Over)
}

/// A snapshot, and how many came and went unseen before it.
#[derive(Debug, Clone)]
pub struct Seen {
    /// Snapshot.
    pub snapshot: Arc<Snapshot>,
    /// Snapshots since the one seen last, this one left out.
    pub missed: u64,
}

/// Sees the newest snapshot whenever it looks.
#[derive(Debug, Clone)]
pub struct Watcher {
    snapshots: watch::Receiver<Arc<Snapshot>>,
    seen: Option<u64>,
}

impl Watcher {
    /// Waits for a snapshot newer than the last one seen; `None` once the session is over.
    pub async fn next(&mut self) -> Option<Seen> {
        self.snapshots.changed().await.ok()?;
        Some(self.look())
    }

    /// The newest snapshot, seen or not.
    pub fn look(&mut self) -> Seen {
        let snapshot = Arc::clone(&self.snapshots.borrow_and_update());
        let before = self.seen.replace(snapshot.number);
        let missed = before.map_or(0, |b| snapshot.number.saturating_sub(b + 1));
        Seen { snapshot, missed }
    }
}

/// The thread that follows.
struct Worker {
    follower: Follower,
    queue: Queue,
    accepted: Arc<Mutex<VecDeque<Arc<Accepted>>>>,
    number: u64,
    link: Link,
    damage: Damage,
    remark: Option<String>,
    practice: Option<PracticeState>,
}

impl Worker {
    fn new(expect: Expect, queue: Queue, accepted: Arc<Mutex<VecDeque<Arc<Accepted>>>>) -> Self {
        Self {
            follower: Follower::new(expect),
            queue,
            accepted,
            number: 0,
            link: Link::Searching {
                note: "starting".to_owned(),
            },
            damage: Damage::default(),
            remark: None,
            practice: None,
        }
    }

    fn run(mut self, requests: &mpsc::Receiver<Request>, out: &watch::Sender<Arc<Snapshot>>) {
        let mut published = Instant::now();
        let mut news = true;
        loop {
            let wait = if news { SNAPSHOT_S } else { 0.1 };
            let Some(items) = self.queue.take(Duration::from_secs_f64(wait)) else {
                break;
            };
            news |= !items.is_empty();
            for item in items {
                self.take(item);
            }
            for request in requests.try_iter() {
                news = true;
                if !self.answer(request) {
                    return;
                }
            }
            let since_s = published.elapsed().as_secs_f64();
            if (news && since_s >= SNAPSHOT_S) || since_s >= ALIVE_S {
                self.number += 1;
                out.send_replace(Arc::new(self.snapshot()));
                published = Instant::now();
                news = false;
            }
        }
        out.send_replace(Arc::new(self.snapshot()));
    }

    fn take(&mut self, item: Feed) {
        match item {
            Feed::Head(head) => self.follower.set_head(head),
            Feed::Samples(block) => {
                if let Some(accepted) = self.follower.take(&block) {
                    self.keep(accepted);
                }
            }
            Feed::Link(link) => {
                if !matches!(link, Link::Connected { .. }) {
                    self.follower.break_off();
                }
                self.link = link;
            }
            Feed::Damage(damage) => self.damage = damage,
            Feed::Remark(remark) => self.remark = Some(remark),
            Feed::Practice(state) => self.practice = Some(state),
        }
    }

    fn keep(&self, accepted: Accepted) -> Arc<Accepted> {
        let accepted = Arc::new(accepted);
        let mut kept = self.accepted.lock().unwrap_or_else(PoisonError::into_inner);
        kept.push_back(Arc::clone(&accepted));
        while kept.len() > KEPT_READINGS {
            kept.pop_front();
        }
        accepted
    }

    /// False when the session is to end. A requester that no longer waits is no matter.
    fn answer(&mut self, request: Request) -> bool {
        match request {
            Request::Expect(expect, answer) => {
                self.follower.set_expect(*expect);
                let _ = answer.send(());
            }
            Request::Arm(answer) => {
                self.follower.arm();
                let _ = answer.send(());
            }
            Request::Zero(answer) => {
                let _ = answer.send(self.follower.take_zero());
            }
            Request::Compare(answer) => {
                let _ = answer.send(self.follower.compare());
            }
            Request::Accept(answer) => {
                let found = self.follower.accept_now().map(|a| self.keep(a));
                let _ = answer.send(found);
            }
            Request::Stop => return false,
        }
        true
    }

    fn snapshot(&self) -> Snapshot {
        let f = &self.follower;
        let bodies = f.bodies();
        Snapshot {
            number: self.number,
            samples: f.samples(),
            rate_hz: f.rate_hz(),
            link: self.link.clone(),
            damage: self.damage,
            dropped: self.queue.dropped(),
            remark: self.remark.clone(),
            rpm: f.rpm(),
            rpm_scatter: f.rpm_scatter(),
            spread: spread(&bodies),
            bodies,
            progress: f.progress(),
            accepted: f.accepted(),
            notices: f.notices(),
            traces_on: f.traces_on().map(<[usize]>::to_vec),
            practice: self.practice,
        }
    }
}

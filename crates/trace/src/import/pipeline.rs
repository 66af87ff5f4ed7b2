//! A few workers over the blocks of a file: blocks are read in order under a lock, parsed side by
//! side, and put down in order.

use std::collections::BTreeMap;
use std::io::Read;
use std::sync::{Condvar, Mutex, MutexGuard, PoisonError};

use super::blocks::{Block, BlockSource};
use super::collect::Collector;
use super::error::{ImportError, LINE_LIMIT_BYTES};
use super::rows::{RowSpec, Rows};

/// Most workers; each holds a block and its rows (about 1 MB).
const MOST_WORKERS: usize = 4;
/// Parsed blocks that may wait for an earlier one (about 0.4 MB each).
const MOST_WAITING: usize = 4;

/// What the workers share.
struct Turn {
    /// Block to be put down next.
    next: u64,
    /// Parsed blocks that came early.
    early: BTreeMap<u64, Parsed>,
    collector: Collector,
    /// Rows done with; their memory is used again.
    spent: Vec<Rows>,
    failed: Option<ImportError>,
    /// A worker panicked; the others must not wait for its block.
    abandoned: bool,
}

/// A parsed block, or the mark of a line too long to read.
enum Parsed {
    Rows(Rows),
    TooLong,
}

impl Turn {
    fn over(&self) -> bool {
        self.failed.is_some() || self.abandoned
    }

    /// Puts down every block whose turn it is.
    fn put_down(&mut self, name: &str) {
        while !self.over()
            && let Some(parsed) = self.early.remove(&self.next)
        {
            let done = match parsed {
                Parsed::Rows(rows) => self.collector.take(rows),
                Parsed::TooLong => Err(too_long(name, self.collector.lines_read() + 1)),
            };
            match done {
                Ok(spent) => self.spent.push(spent),
                Err(error) => self.failed = Some(error),
            }
            self.next += 1;
        }
    }
}

/// The refusal of a line that is not taken into memory.
pub(super) fn too_long(name: &str, line: u64) -> ImportError {
    ImportError::LineTooLong {
        name: name.to_owned(),
        line,
        limit_bytes: LINE_LIMIT_BYTES,
    }
}

fn locked<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

/// Shared by reference among the workers.
struct Shared<'a, R> {
    source: Mutex<BlockSource<R>>,
    turn: Mutex<Turn>,
    moved: Condvar,
    spec: &'a RowSpec,
    name: &'a str,
}

/// Wakes the other workers when this one panics, so that the panic gets out.
struct Wake<'a, 'b, R>(&'a Shared<'b, R>);

impl<R> Drop for Wake<'_, '_, R> {
    fn drop(&mut self) {
        if std::thread::panicking() {
            locked(&self.0.turn).abandoned = true;
            self.0.moved.notify_all();
        }
    }
}

/// Runs all blocks behind the first through the workers; `progress` is called on this thread.
pub(super) fn run<R: Read + Send>(
    source: BlockSource<R>,
    spec: &RowSpec,
    collector: Collector,
    name: &str,
    progress: &mut dyn FnMut(u64),
) -> Result<Collector, ImportError> {
    let workers = std::thread::available_parallelism()
        .map_or(1, usize::from)
        .min(MOST_WORKERS);
    let turn = Turn {
        next: 1,
        early: BTreeMap::new(),
        collector,
        spent: Vec::new(),
        failed: None,
        abandoned: false,
    };
    let shared = Shared {
        source: Mutex::new(source),
        turn: Mutex::new(turn),
        moved: Condvar::new(),
        spec,
        name,
    };
    std::thread::scope(|scope| {
        for _ in 1..workers {
            scope.spawn(|| shared.work(&mut |_| {}));
        }
        shared.work(progress);
    });
    let turn = shared
        .turn
        .into_inner()
        .unwrap_or_else(PoisonError::into_inner);
    match turn.failed {
        Some(error) => Err(error),
        None => Ok(turn.collector),
    }
}

impl<R: Read + Send> Shared<'_, R> {
    fn work(&self, progress: &mut dyn FnMut(u64)) {
        let _wake = Wake(self);
        let mut buffer = Vec::new();
        let mut spent = Rows::default();
        loop {
            let (block, bytes_read) = {
                let mut source = locked(&self.source);
                (source.next(std::mem::take(&mut buffer)), source.bytes_read)
            };
            progress(bytes_read);
            let mut block: Block = match block {
                Ok(Some(block)) => block,
                Ok(None) => return,
                Err(e) => {
                    locked(&self.turn)
                        .failed
                        .get_or_insert(ImportError::read(self.name, e));
                    self.moved.notify_all();
                    return;
                }
            };
            let parsed = if block.too_long {
                Parsed::TooLong
            } else {
                Parsed::Rows(Rows::read(&mut block, self.spec, spent))
            };
            match self.deliver(block.seq, parsed) {
                Some(rows) => spent = rows,
                None => return,
            }
            buffer = block.bytes;
        }
    }

    /// Hands a parsed block over for rows done with; `None` when the import is over.
    fn deliver(&self, seq: u64, parsed: Parsed) -> Option<Rows> {
        let mut turn = locked(&self.turn);
        // The block whose turn it is never waits, so the others always get room.
        while turn.next != seq && turn.early.len() >= MOST_WAITING && !turn.over() {
            turn = self
                .moved
                .wait(turn)
                .unwrap_or_else(PoisonError::into_inner);
        }
        turn.early.insert(seq, parsed);
        turn.put_down(self.name);
        let spent = turn.spent.pop().unwrap_or_default();
        let go_on = !turn.over();
        drop(turn);
        self.moved.notify_all();
        go_on.then_some(spent)
    }
}

//! The bench of the server: one at a time, with the job it reads for and the keeper of its readings.

use std::sync::atomic::Ordering;
use std::time::Duration;

use evenpull_app::{AppError, Bench, BenchGlance, BenchJob, BenchStart, Watcher};

use super::{Web, held};
use crate::bench_keeper::{BenchLink, keep_readings};

/// Longest wait for a turn to be in the records.
const TURN_KEPT: Duration = Duration::from_secs(5);

/// What a bench has that is not kept yet.
#[derive(Debug, Clone)]
pub(crate) struct Beyond {
    /// Sensors were compared and agree.
    pub(crate) sensors_agree: bool,
    /// The job of the bench, if it has readings or turns that are not kept.
    pub(crate) job: Option<BenchJob>,
    /// The bench was put away: nothing follows.
    pub(crate) over: bool,
}

impl Beyond {
    /// The same where so many readings and turns are kept.
    fn beyond(self, (readings, turns): (usize, usize)) -> Self {
        let more = |job: &BenchJob| job.readings.len() > readings || job.turns.len() > turns;
        Self {
            job: self.job.filter(more),
            ..self
        }
    }
}

impl Web {
    /// Does something with the bench, which is set up when it is first asked for. Waits for others
    /// who do: not to be called from an asynchronous thread.
    pub(crate) fn at_bench<T>(
        &self,
        what: impl FnOnce(&mut Bench) -> Result<T, AppError>,
    ) -> Result<T, AppError> {
        let mut slot = held(&self.inner.bench);
        if let Some(bench) = slot.as_mut() {
            return what(bench);
        }
        what(slot.insert(Bench::set_up(&self.inner.first_bench)?))
    }

    /// Puts another bench in place of the present one, for a job if one is named; its readings are
    /// then kept in that job as they are taken. Needs a runtime around it.
    ///
    /// # Errors
    /// As [`Bench::set_up`]; the present bench then stays.
    pub(crate) fn set_bench(&self, start: &BenchStart, job: Option<i64>) -> Result<(), AppError> {
        let bench = Bench::set_up(start)?;
        let number = self.inner.benches.fetch_add(1, Ordering::Relaxed) + 1;
        let link = job
            .filter(|_| bench.keeps())
            .map(|job| BenchLink::new(job, number));
        if link.is_some() {
            held(&self.inner.keepers).insert(number, None);
        }
        self.replace_bench(Some(bench), job, link.clone());
        if let Some(link) = link {
            tokio::spawn(keep_readings(self.clone(), link));
        }
        Ok(())
    }

    /// Ends the session of the bench.
    pub(crate) fn leave_bench(&self) {
        self.replace_bench(None, None, None);
    }

    /// Bench, job and link change together; what was taken on the old bench stays for its keeper.
    fn replace_bench(&self, bench: Option<Bench>, job: Option<i64>, link: Option<BenchLink>) {
        let mut slot = held(&self.inner.bench);
        let old_link = std::mem::replace(&mut *held(&self.inner.link), link);
        *held(&self.inner.job) = job;
        let mut old = std::mem::replace(&mut *slot, bench);
        self.inner.bench_number.fetch_add(1, Ordering::Release);
        if let (Some(link), Some(old)) = (old_link, old.as_mut()) {
            let left = Beyond {
                sensors_agree: old.glance().comparison.is_some_and(|c| c.agree),
                job: Some(old.taken()),
                over: true,
            };
            // A keeper that is done asks for nothing more.
            if let Some(place) = held(&self.inner.keepers).get_mut(&link.number) {
                *place = Some(left);
            }
        }
        drop(slot);
        // Its session ends here, and nobody has to wait for that.
        drop(old);
    }

    /// A keeper has all readings of its bench in the records.
    pub(crate) fn keeper_done(&self, number: u64) {
        held(&self.inner.keepers).remove(&number);
    }

    /// Puts the bench away and waits until what was taken on it is in the records, as long as `patience`
    /// allows; how many benches are left with readings that are not.
    pub async fn end_bench(&self, patience: Duration) -> usize {
        let there = self.clone();
        // A request may hold the bench; without it nothing is lost that could be kept.
        if tokio::task::spawn_blocking(move || there.leave_bench())
            .await
            .is_err()
        {
            return held(&self.inner.keepers).len();
        }
        let end = tokio::time::Instant::now() + patience;
        loop {
            let left = held(&self.inner.keepers).len();
            if left == 0 || tokio::time::Instant::now() >= end {
                return left;
            }
            tokio::time::sleep(Duration::from_millis(20)).await;
        }
    }

    /// The job that the bench is set up for.
    pub(crate) fn bench_job(&self) -> Option<i64> {
        *held(&self.inner.job)
    }

    /// How far the readings of the bench are kept in its job.
    pub(crate) fn bench_link(&self) -> Option<BenchLink> {
        held(&self.inner.link).clone()
    }

    /// Changes the link of that number, if the bench is still set up for it.
    pub(crate) fn change_link(&self, number: u64, change: impl FnOnce(&mut BenchLink)) {
        if let Some(link) = held(&self.inner.link)
            .as_mut()
            .filter(|l| l.number == number)
        {
            change(link);
        }
    }

    /// What the bench of that number has beyond so many readings and turns, also when it was put away; `None` for
    /// one that left nothing. May wait for others who use it.
    pub(crate) fn bench_beyond(&self, number: u64, kept: (usize, usize)) -> Option<Beyond> {
        let mut slot = held(&self.inner.bench);
        let here = self.bench_link().is_some_and(|link| link.number == number);
        if !here {
            let left = held(&self.inner.keepers).get(&number).cloned().flatten();
            return left.map(|left| left.beyond(kept));
        }
        let bench = slot.as_mut()?;
        let glance = bench.glance();
        let beyond = Beyond {
            sensors_agree: glance.comparison.is_some_and(|c| c.agree),
            job: (glance.readings > kept.0 || bench.turns_made() > kept.1).then(|| bench.taken()),
            over: false,
        };
        Some(beyond)
    }

    /// Waits until a turn just made is in the records of the bench's job: what was acknowledged is kept.
    /// A trouble with them ends it, and the page of the bench shows it.
    pub(crate) async fn turn_kept(&self, number: u64, turns: usize) {
        let end = tokio::time::Instant::now() + TURN_KEPT;
        self.inner.turn_made.notify_waiters();
        loop {
            let link = self.bench_link().filter(|link| link.number == number);
            let waits = |link: &BenchLink| link.turns_kept < turns && link.trouble.is_none();
            if !link.as_ref().is_some_and(waits) || tokio::time::Instant::now() >= end {
                return;
            }
            tokio::time::sleep(Duration::from_millis(5)).await;
            self.inner.turn_made.notify_waiters();
        }
    }

    /// Told when a turn was made.
    pub(crate) fn turn_made(&self) -> &tokio::sync::Notify {
        &self.inner.turn_made
    }

    /// A watcher of the session of the bench; `None` while somebody operates it or before it is
    /// set up.
    pub(crate) fn bench_watcher(&self) -> Option<Watcher> {
        let slot = self.inner.bench.try_lock().ok()?;
        Some(slot.as_ref()?.watch())
    }

    /// The bench as it stands, with its number; `None` while somebody operates it or before it is set up.
    pub(crate) fn glance(&self) -> Option<(u64, BenchGlance)> {
        let mut slot = self.inner.bench.try_lock().ok()?;
        let glance = slot.as_mut()?.glance();
        Some((self.bench_number(), glance))
    }

    /// Number of the present bench: what was written of an earlier one has another.
    pub(crate) fn bench_number(&self) -> u64 {
        self.inner.bench_number.load(Ordering::Acquire)
    }
}

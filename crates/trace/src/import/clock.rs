//! Time stamps to an even clock: spacing, roll-over, gaps, repeated and disordered stamps.
//!
//! Samplers are steady and stamps are not: a stamp is printed coarsely, or late. So the clock
//! runs on by itself at the spacing found and follows the stamps slowly; a stamp off its place by
//! more than half a spacing (and the stamps' own coarseness) is looked into with the stamps that
//! follow it: if they return, it was a late stamp; if they stay ahead, samples were lost; if they
//! stay behind, a row was repeated or time ran back. The spacing returned is the pooled regression
//! of stamp on sample number inside segments.

use super::rollover::Unroller;
use super::spacing::{Pool, Run, Steps};

/// Stamps looked at beyond a suspicious one.
const LOOK_AHEAD: usize = 8;
/// Up to this many lost samples are filled with `NaN`; more start a new segment.
const FILL_LIMIT: f64 = 3.0;
/// Places by which a disordered row is moved at most.
const FARTHEST_BACK: usize = 16;
/// Share of a stamp's deviation by which the running clock is corrected.
const FOLLOW: f64 = 0.05;
/// Steps back beyond which time is said to run back.
const BACK_STEPS: f64 = 16.0;
/// What to do at a row beyond taking it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Event {
    /// Leave the row out: repeated, or before the clock ran.
    Drop,
    /// Samples were lost before this row: put in so many unreadable ones.
    Fill(usize),
    /// A gap before this row: a new segment starts here.
    Segment,
}

/// Time ran back at a row.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Backwards {
    pub(super) row: usize,
    pub(super) from: f64,
    pub(super) to: f64,
}

/// A finished stretch.
#[derive(Debug, Clone, Copy)]
struct Stretch {
    samples: usize,
    start: f64,
    pool: Pool,
}

/// The running clock. All times in the file's unit, roll-overs added up.
#[derive(Debug, Clone)]
pub(super) struct Clock {
    dt: f64,
    limit: f64,
    coarse: f64,
    quantum: f64,
    expect: f64,
    previous: f64,
    started: bool,
    stretch: Stretch,
    done: Vec<Stretch>,
    unroller: Unroller,
    jitter: f64,
    jitter_n: f64,
    /// Stamps off their place that the following ones did not confirm.
    pub(super) odd: usize,
    /// Rows left out.
    pub(super) dropped: usize,
    /// Samples lost in gaps.
    pub(super) lost: f64,
    /// Rows whose stamps were out of order and put back.
    pub(super) disordered: usize,
}

/// What the clock found over the whole file.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct ClockResult {
    /// Spacing, file's unit.
    pub(super) dt: f64,
    /// Samples and start time (file's unit after the first) of each segment.
    pub(super) segments: Vec<(usize, f64)>,
    /// Mean deviation of the steps from the spacing, over the spacing, beyond coarseness [-].
    pub(super) jitter: f64,
    /// Counter roll-overs.
    pub(super) rolled: usize,
}

/// Whether no stamp lies before the one ahead of it.
pub(super) fn ascending(stamps: &[f64]) -> bool {
    let pairs = stamps.iter().zip(stamps.iter().skip(1));
    pairs.fold(true, |all, (a, b)| all & (a <= b))
}

impl Clock {
    pub(super) fn new(steps: Steps) -> Self {
        Self {
            dt: steps.dt,
            limit: 0.5 * steps.dt + 1.2 * steps.coarse,
            coarse: steps.coarse,
            quantum: steps.quantum,
            expect: 0.0,
            previous: 0.0,
            started: false,
            stretch: Stretch {
                samples: 0,
                start: 0.0,
                pool: Pool::default(),
            },
            done: Vec::new(),
            unroller: Unroller::new(steps.dt),
            jitter: 0.0,
            jitter_n: 0.0,
            odd: 0,
            dropped: 0,
            lost: 0.0,
            disordered: 0,
        }
    }

    /// Adds up roll-overs in a block of raw stamps, in file order.
    pub(super) fn unroll(&mut self, stamps: &mut [f64]) {
        if self.unroller.takes_as_they_are(stamps) {
            return;
        }
        for t in stamps {
            *t = self.unroller.next(*t);
        }
    }

    /// Rows to exchange, one pair of neighbours after the other, so that slightly disordered
    /// stamps come into order. `stamps` is put in order alike.
    pub(super) fn order(&mut self, stamps: &mut [f64]) -> Vec<usize> {
        let reach = BACK_STEPS / 2.0 * self.dt;
        let mut swaps = Vec::new();
        if ascending(stamps) {
            return swaps;
        }
        for i in 1..stamps.len() {
            let back = stamps[i - 1] - stamps[i];
            // Half a spacing back is a shaky stamp and tells no order.
            if back <= 0.5 * self.dt || back > reach {
                continue;
            }
            self.disordered += 1;
            let mut j = i;
            while j > i.saturating_sub(FARTHEST_BACK)
                && stamps[j] < stamps[j - 1]
                && stamps[j - 1] - stamps[j] <= reach
            {
                stamps.swap(j, j - 1);
                swaps.push(j);
                j -= 1;
            }
        }
        swaps
    }

    /// Runs over a block; `ahead` holds the stamps that follow it. Events carry their row.
    pub(super) fn feed(
        &mut self,
        stamps: &[f64],
        ahead: &[f64],
        events: &mut Vec<(usize, Event)>,
    ) -> Result<(), Backwards> {
        let mut row = 0;
        loop {
            if self.started {
                row += self.steady(&stamps[row..]);
            }
            if row == stamps.len() {
                return Ok(());
            }
            let window: Vec<f64> = stamps[row..]
                .iter()
                .chain(ahead)
                .take(LOOK_AHEAD + 1)
                .copied()
                .collect();
            if self.started {
                self.suspicious(row, &window, events)?;
            } else {
                self.start(row, &window, events);
            }
            row += 1;
        }
    }

    /// Takes stamps as long as each lies in its place; returns how many.
    ///
    /// Apart from the rest, so that what it carries on stays in registers.
    fn steady(&mut self, stamps: &[f64]) -> usize {
        let (dt, limit, quantum) = (self.dt, self.limit, self.quantum);
        let start = self.stretch.start;
        let (mut expect, mut previous, mut jitter) = (self.expect, self.previous, self.jitter);
        let mut run = Run::from(self.stretch.pool);
        let mut taken = 0;
        for &t in stamps {
            // `NaN` cannot be: stamps are finite.
            if (t - expect).abs() > limit {
                break;
            }
            jitter += ((t - previous - dt).abs() - quantum).max(0.0);
            run.add(|at| t - start - at * dt);
            // expect + dt + FOLLOW (t - expect), with half as many steps that wait for each other.
            expect = (1.0 - FOLLOW) * expect + (dt + FOLLOW * t);
            previous = t;
            taken += 1;
        }
        (self.expect, self.previous, self.jitter) = (expect, previous, jitter);
        self.jitter_n += taken as f64;
        self.stretch.samples += taken;
        run.end(&mut self.stretch.pool);
        taken
    }

    #[inline(always)]
    fn take(&mut self, t: f64, correction: f64) {
        let pool = &mut self.stretch.pool;
        pool.add(t - self.stretch.start - pool.at * self.dt);
        self.stretch.samples += 1;
        self.expect += self.dt + correction;
        self.previous = t;
    }

    fn begin(&mut self, t: f64) {
        if self.stretch.samples > 0 {
            self.done.push(self.stretch);
        }
        self.stretch = Stretch {
            samples: 0,
            start: t,
            pool: Pool::default(),
        };
        self.expect = t;
    }

    /// First row: left out if the rows behind it agree with each other and not with it.
    fn start(&mut self, row: usize, window: &[f64], events: &mut Vec<(usize, Event)>) {
        let t = window[0];
        let off = self.median_off(window, t);
        if let [_, second, third, _, ..] = window
            && off.abs() > BACK_STEPS * self.dt
            && (third - second - self.dt).abs() <= self.limit
        {
            self.dropped += 1;
            events.push((row, Event::Drop));
            return;
        }
        self.started = true;
        self.begin(t);
        self.take(t, 0.0);
    }

    fn median_off(&self, window: &[f64], from: f64) -> f64 {
        let mut off: Vec<f64> = window
            .iter()
            .enumerate()
            .map(|(j, t)| t - from - j as f64 * self.dt)
            .collect();
        let middle = off.len() / 2;
        *off.select_nth_unstable_by(middle, f64::total_cmp).1
    }

    fn suspicious(
        &mut self,
        row: usize,
        window: &[f64],
        events: &mut Vec<(usize, Event)>,
    ) -> Result<(), Backwards> {
        let t = window[0];
        let off = self.median_off(window, self.expect);
        if off.abs() <= self.limit {
            // The stamps behind it are in place: a late or garbled stamp of a good sample.
            self.odd += 1;
            let place = self.expect;
            self.take(place, 0.0);
            return Ok(());
        }
        if window.len() < 3 {
            // Too near the end to be confirmed.
            self.dropped += 1;
            events.push((row, Event::Drop));
            return Ok(());
        }
        if off > 0.0 {
            // More may be lost further on: this row's own stamp counts if they do not fall behind it.
            let own = t - self.expect;
            let lost = if own > self.limit { own.min(off) } else { off };
            self.ahead(row, t, lost, events);
            return Ok(());
        }
        if off < -BACK_STEPS * self.dt - 4.0 * self.coarse {
            return Err(Backwards {
                row,
                from: self.previous,
                to: t,
            });
        }
        if t - self.previous < 0.5 * self.dt {
            self.dropped += 1;
            events.push((row, Event::Drop));
        } else {
            self.odd += 1;
            events.push((row, Event::Segment));
            self.begin(t);
            self.take(t, 0.0);
        }
        Ok(())
    }

    /// Samples were lost before this row.
    fn ahead(&mut self, row: usize, t: f64, off: f64, events: &mut Vec<(usize, Event)>) {
        let missing = (off / self.dt).round().max(1.0);
        self.lost += missing;
        let in_step = (off - missing * self.dt).abs() <= 0.3 * self.dt + self.coarse;
        if missing <= FILL_LIMIT && in_step {
            events.push((row, Event::Fill(missing as usize)));
            self.expect += missing * self.dt;
            self.stretch.pool.at += missing;
            self.stretch.samples += missing as usize;
            let deviation = (t - self.expect).clamp(-self.limit, self.limit);
            let place = self.expect + deviation;
            self.take(place, FOLLOW * deviation);
        } else {
            events.push((row, Event::Segment));
            self.begin(t);
            self.take(t, 0.0);
        }
    }

    /// Spacing and segments.
    pub(super) fn finish(mut self) -> ClockResult {
        if self.stretch.samples > 0 {
            self.done.push(self.stretch);
        }
        let (sxy, sxx) = self
            .done
            .iter()
            .map(|s| s.pool.centred())
            .fold((0.0, 0.0), |a, b| (a.0 + b.0, a.1 + b.1));
        let slope = if sxx > 0.0 { sxy / sxx } else { 0.0 };
        // Stamps that pull the spacing by more than this are no clock; the first rows' holds.
        let correction = if slope.abs() < 0.2 * self.dt {
            slope
        } else {
            0.0
        };
        // A stretch starts where its line does, not at its first, perhaps coarse, stamp.
        let start = |s: &Stretch| {
            let n = s.pool.n.max(1.0);
            s.start + s.pool.sum / n - correction * s.pool.x / n
        };
        let zero = self.done.first().map_or(0.0, start);
        ClockResult {
            dt: self.dt + correction,
            segments: self
                .done
                .iter()
                .map(|s| (s.samples, start(s) - zero))
                .collect(),
            jitter: if self.jitter_n > 0.0 {
                self.jitter / self.jitter_n / self.dt
            } else {
                0.0
            },
            rolled: self.unroller.rolled,
        }
    }
}

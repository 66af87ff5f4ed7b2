//! Time stamps to an even clock: spacing, roll-over, gaps, repeated and disordered stamps.
//!
//! Samplers are steady and stamps are not: a stamp is printed coarsely, or late. So the clock
//! runs on by itself at the spacing found and follows the stamps slowly; a stamp off its place by
//! more than half a spacing (and the stamps' own coarseness) is looked into with the stamps that
//! follow it: if they return, it was a late stamp; if they stay ahead, samples were lost; if they
//! stay behind, a row was repeated or time ran back. The spacing returned is the pooled regression
//! of stamp on sample number inside segments.

/// Stamps looked at beyond a suspicious one.
pub(super) const LOOK_AHEAD: usize = 8;
/// Up to this many lost samples are filled with `NaN`; more start a new segment.
const FILL_LIMIT: f64 = 3.0;
/// Share of a stamp's deviation by which the running clock is corrected.
const FOLLOW: f64 = 0.05;
/// Steps back beyond which time is said to run back.
const BACK_STEPS: f64 = 16.0;
/// Moduli at which counters roll over: 32 and 16 bit of ticks, and 32 bit of microseconds printed
/// as milliseconds or seconds. Second value: steps allowed between the stamps around it.
const MODULI: [(f64, f64); 4] = [
    (4_294_967_296.0, 1_000.0),
    (65_536.0, 16.0),
    (4_294_967.296, 16.0),
    (4_294.967_296, 16.0),
];

/// Adds up counter roll-overs.
#[derive(Debug, Clone, Default)]
pub(super) struct Unroller {
    previous: Option<f64>,
    offset: f64,
    /// Usual step, file's unit.
    step: f64,
    /// Roll-overs seen.
    pub(super) rolled: usize,
}

impl Unroller {
    fn new(step: f64) -> Self {
        Self {
            step,
            ..Self::default()
        }
    }

    fn next(&mut self, raw: f64) -> f64 {
        if let Some(previous) = self.previous
            && raw < previous
        {
            let hit = MODULI.iter().find(|(modulus, steps)| {
                let forward = raw + modulus - previous;
                previous < *modulus
                    && forward > 0.0
                    && forward <= steps * self.step
                    && raw <= steps * self.step
            });
            if let Some((modulus, _)) = hit {
                self.offset += modulus;
                self.rolled += 1;
            }
        }
        self.previous = Some(raw);
        raw + self.offset
    }
}

/// Median of the positive steps, 0 if there is none.
fn median_step(stamps: &[f64]) -> f64 {
    let mut steps: Vec<f64> = stamps
        .windows(2)
        .map(|w| w[1] - w[0])
        .filter(|d| *d > 0.0)
        .collect();
    if steps.is_empty() {
        return 0.0;
    }
    let middle = steps.len() / 2;
    *steps.select_nth_unstable_by(middle, f64::total_cmp).1
}

/// Sampled stamps without missing ones, roll-overs added up.
pub(super) fn unwrapped(run: &[f64]) -> Vec<f64> {
    let raw: Vec<f64> = run.iter().copied().filter(|v| v.is_finite()).collect();
    let mut unroller = Unroller::new(median_step(&raw));
    raw.iter().map(|&t| unroller.next(t)).collect()
}

/// Spacing of stamps, in the file's unit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Steps {
    /// Spacing of samples.
    pub(super) dt: f64,
    /// How far stamps of a steady sampler lie off an even clock.
    pub(super) coarse: f64,
    /// Resolution of the stamps where it is coarser than about a fifth of the spacing, else 0.
    pub(super) quantum: f64,
}

impl Steps {
    /// Finds the spacing; `None` if time does not advance.
    pub(super) fn find(stamps: &[f64]) -> Option<Self> {
        let median = median_step(stamps);
        if median <= 0.0 {
            return None;
        }
        let whole = line(stamps);
        if let Some(whole) = whole {
            // Steady throughout: one line through all stamps.
            if whole.coarse <= 0.3 * whole.dt {
                return Some(whole);
            }
            if let Some(quantum) = coarse_grid(stamps, median)
                && whole.coarse <= 0.6 * quantum
            {
                return Some(Self { quantum, ..whole });
            }
        }
        // Else the longest stretch without lost or repeated samples.
        if let Some(found) = longest_even_stretch(stamps, median) {
            return Some(Self {
                coarse: found.coarse.min(0.3 * found.dt),
                ..found
            });
        }
        // Shaky throughout, but without holes.
        if let Some(whole) = whole
            && whole.coarse <= 2.0 * median
        {
            return Some(Self {
                coarse: whole.coarse.min(0.5 * whole.dt),
                ..whole
            });
        }
        Some(Self {
            dt: median,
            coarse: 0.3 * median,
            quantum: 0.0,
        })
    }
}

/// Resolution of coarse stamps: the smallest step, if some steps differ from the usual one by it.
///
/// One or two odd steps are lost or repeated samples rather than a beat of clock and resolution.
fn coarse_grid(stamps: &[f64], median: f64) -> Option<f64> {
    const ODD_STEPS: usize = 3;
    let steps = || stamps.windows(2).map(|w| w[1] - w[0]);
    let odd = steps()
        .filter(|d| (d - median).abs() > 0.2 * median)
        .count();
    let quantum = steps().filter(|d| *d > 0.0).fold(f64::INFINITY, f64::min);
    // Stamps are printed in decimal digits: another smallest step is a spacing, not a resolution.
    let decimal = (quantum.log10() - quantum.log10().round()).abs() < 1e-3;
    (odd >= ODD_STEPS && quantum >= 0.2 * median && decimal).then_some(quantum)
}

/// Line through the longest stretch whose steps stay within half of the usual one.
fn longest_even_stretch(stamps: &[f64], median: f64) -> Option<Steps> {
    const ENOUGH: usize = 32;
    let mut longest = 0..0;
    let mut from = 0;
    for i in 1..=stamps.len() {
        let ends = i == stamps.len() || (stamps[i] - stamps[i - 1] - median).abs() > 0.5 * median;
        if ends {
            if i - from > longest.len() {
                longest = from..i;
            }
            from = i;
        }
    }
    if longest.len() < ENOUGH.min(stamps.len() / 4).max(2) {
        return None;
    }
    line(&stamps[longest])
}

/// Least-squares line through a stretch; `None` for fewer than two stamps or no advance.
fn line(stamps: &[f64]) -> Option<Steps> {
    let n = stamps.len() as f64;
    if stamps.len() < 2 {
        return None;
    }
    let rough = (stamps[stamps.len() - 1] - stamps[0]) / (n - 1.0);
    if rough <= 0.0 {
        return None;
    }
    let mut pool = Pool::default();
    for (i, t) in stamps.iter().enumerate() {
        pool.add(t - stamps[0] - rough * i as f64);
    }
    let (slope, mean) = pool.slope_and_mean();
    let centre = (n - 1.0) / 2.0;
    let off = |i: usize, t: f64| {
        (t - stamps[0] - rough * i as f64 - mean - slope * (i as f64 - centre)).abs()
    };
    let coarse = stamps
        .iter()
        .enumerate()
        .map(|(i, &t)| off(i, t))
        .fold(0.0, f64::max);
    let dt = rough + slope;
    (dt > 0.0).then_some(Steps {
        dt,
        coarse,
        quantum: 0.0,
    })
}

/// Running sums of deviations against sample number.
#[derive(Debug, Clone, Copy, Default)]
struct Pool {
    n: f64,
    sum: f64,
    moment: f64,
    /// Sum of sample numbers that carry a stamp, and of their squares.
    x: f64,
    xx: f64,
    at: f64,
}

impl Pool {
    #[inline(always)]
    fn add(&mut self, deviation: f64) {
        self.n += 1.0;
        self.sum += deviation;
        self.moment += deviation * self.at;
        self.x += self.at;
        self.xx += self.at * self.at;
        self.at += 1.0;
    }

    /// Centred sums (Sxy, Sxx).
    fn centred(&self) -> (f64, f64) {
        if self.n < 2.0 {
            return (0.0, 0.0);
        }
        (
            self.moment - self.x * self.sum / self.n,
            self.xx - self.x * self.x / self.n,
        )
    }

    fn slope_and_mean(&self) -> (f64, f64) {
        let (sxy, sxx) = self.centred();
        (
            if sxx > 0.0 { sxy / sxx } else { 0.0 },
            self.sum / self.n.max(1.0),
        )
    }
}

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
        for t in stamps {
            *t = self.unroller.next(*t);
        }
    }

    /// Rows to exchange, one pair of neighbours after the other, so that slightly disordered
    /// stamps come into order. `stamps` is put in order alike.
    pub(super) fn order(&mut self, stamps: &mut [f64]) -> Vec<usize> {
        let reach = BACK_STEPS / 2.0 * self.dt;
        let mut swaps = Vec::new();
        for i in 1..stamps.len() {
            let back = stamps[i - 1] - stamps[i];
            // Half a spacing back is a shaky stamp and tells no order.
            if back <= 0.5 * self.dt || back > reach {
                continue;
            }
            self.disordered += 1;
            let mut j = i;
            while j > 0 && stamps[j] < stamps[j - 1] && stamps[j - 1] - stamps[j] <= reach {
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
        for (row, &t) in stamps.iter().enumerate() {
            let deviation = t - self.expect;
            if self.started && deviation.abs() <= self.limit {
                self.jitter += ((t - self.previous - self.dt).abs() - self.quantum).max(0.0);
                self.jitter_n += 1.0;
                self.take(t, FOLLOW * deviation);
                continue;
            }
            let window: Vec<f64> = stamps[row..]
                .iter()
                .chain(ahead)
                .take(LOOK_AHEAD + 1)
                .copied()
                .collect();
            if !self.started {
                self.start(row, &window, events);
                continue;
            }
            self.suspicious(row, &window, events)?;
        }
        Ok(())
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
        let correction = if sxx > 0.0 { sxy / sxx } else { 0.0 };
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

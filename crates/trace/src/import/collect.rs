//! Puts the blocks' rows together in file order: clock events, counts, notices.

use super::channel::POSSIBLE_PA;
use super::clock::{Backwards, Clock, ClockResult, Event};
use super::error::ImportError;
use super::rows::Rows;
use crate::notice::Notice;
use crate::recording::{Channel, Recording, Segment};

/// Share of impossible pressures up to which they are blanked out with a notice [-].
const ODD_SHARE: f64 = 0.01;
/// Mean deviation of the steps over the spacing beyond which the clock is called jittery [-].
const JITTER_SHARE: f64 = 0.2;

/// One channel on its way into the recording.
#[derive(Debug, Clone)]
pub(super) struct Lane {
    body: String,
    label: String,
    step_pa: f64,
    p_pa: Vec<f32>,
    clipped: usize,
    missing: usize,
    impossible: usize,
    /// Line and value [Pa] of the first impossible pressure.
    first_impossible: Option<(u64, f32)>,
    readable: usize,
}

impl Lane {
    pub(super) fn new(body: String, label: String, step_pa: f64) -> Self {
        Self {
            body,
            label,
            step_pa,
            p_pa: Vec::new(),
            clipped: 0,
            missing: 0,
            impossible: 0,
            first_impossible: None,
            readable: 0,
        }
    }

    /// Takes samples over, blanking impossible ones; `line_of` gives the line of a sample.
    pub(super) fn extend(&mut self, p_pa: &[f32], line_of: impl Fn(usize) -> u64) {
        let (low, high) = (POSSIBLE_PA.0 as f32, POSSIBLE_PA.1 as f32);
        let from = self.p_pa.len();
        self.p_pa.extend_from_slice(p_pa);
        let possible = p_pa.iter().filter(|p| **p >= low && **p <= high).count();
        self.readable += possible;
        if possible == p_pa.len() {
            return;
        }
        for (i, p) in self.p_pa[from..].iter_mut().enumerate() {
            if *p < low || *p > high {
                self.impossible += 1;
                self.first_impossible
                    .get_or_insert_with(|| (line_of(i), *p));
                *p = f32::NAN;
            }
        }
    }

    fn fill(&mut self, count: usize) {
        self.p_pa.extend(std::iter::repeat_n(f32::NAN, count));
    }
}

/// Collects rows in file order.
#[derive(Debug)]
pub(super) struct Collector {
    name: String,
    clock: Option<Clock>,
    time_label: String,
    lanes: Vec<Lane>,
    /// Block waiting for the stamps that follow it.
    held: Option<Rows>,
    /// Lines before the block at hand.
    line_base: u64,
    /// Lines above the first row; they are no skipped lines.
    header_lines: u64,
    rows: u64,
    broken: u64,
    first_broken: Option<u64>,
    cut_off: bool,
}

impl Collector {
    pub(super) fn new(
        name: &str,
        clock: Option<Clock>,
        time_label: String,
        lanes: Vec<Lane>,
        header_lines: u64,
    ) -> Self {
        Self {
            name: name.to_owned(),
            clock,
            time_label,
            lanes,
            held: None,
            line_base: header_lines,
            header_lines,
            rows: 0,
            broken: 0,
            first_broken: None,
            cut_off: false,
        }
    }

    /// Lines read so far; the next line has this number plus one.
    pub(super) fn lines_read(&self) -> u64 {
        self.line_base + self.held.as_ref().map_or(0, |rows| u64::from(rows.lines))
    }

    /// Takes the next block's rows and gives back those that are done with, empty ones at first.
    pub(super) fn take(&mut self, mut rows: Rows) -> Result<Rows, ImportError> {
        if let Some(clock) = &mut self.clock {
            clock.unroll(&mut rows.stamps);
            for j in clock.order(&mut rows.stamps) {
                for p in &mut rows.p_pa {
                    p.swap(j, j - 1);
                }
            }
        }
        let held = self.held.take();
        if let Some(held) = &held {
            self.settle(held, &rows.stamps)?;
        }
        self.held = Some(rows);
        Ok(held.unwrap_or_default())
    }

    /// Takes evenly spaced samples of a file without lines; a message names the sample instead.
    pub(super) fn take_plain(&mut self, p_pa: &[Vec<f32>], clipped: &[usize]) {
        for ((lane, p_pa), clipped) in self.lanes.iter_mut().zip(p_pa).zip(clipped) {
            let base = lane.p_pa.len() as u64;
            lane.extend(p_pa, |i| base + i as u64 + 1);
            lane.clipped += clipped;
        }
    }

    fn settle(&mut self, rows: &Rows, ahead: &[f64]) -> Result<(), ImportError> {
        let base = self.line_base;
        let mut events = Vec::new();
        if let Some(clock) = &mut self.clock {
            clock
                .feed(&rows.stamps, ahead, &mut events)
                .map_err(|b: Backwards| ImportError::TimeRunsBack {
                    name: self.name.clone(),
                    line: base + rows.line_of(b.row) + 1,
                    column: self.time_label.clone(),
                    from: b.from,
                    to: b.to,
                })?;
        }
        for (k, lane) in self.lanes.iter_mut().enumerate() {
            let p_pa = &rows.p_pa[k];
            let mut from = 0;
            for &(row, event) in &events {
                lane.extend(&p_pa[from..row], |i| base + rows.line_of(from + i) + 1);
                from = row;
                match event {
                    Event::Drop => from = row + 1,
                    Event::Fill(count) => lane.fill(count),
                    Event::Segment => {}
                }
            }
            lane.extend(&p_pa[from..], |i| base + rows.line_of(from + i) + 1);
            lane.clipped += rows.clipped[k];
            lane.missing += rows.missing[k];
        }
        self.rows += rows.len() as u64;
        self.broken += rows.broken as u64;
        if let Some(line) = rows.first_broken {
            self.first_broken.get_or_insert(base + u64::from(line) + 1);
        }
        self.cut_off |= rows.cut_off;
        self.line_base += u64::from(rows.lines);
        Ok(())
    }

    /// Closes the recording; `seconds` is the length of the stamps' unit [s], `dt_s` the spacing
    /// [s] where there are no stamps.
    pub(super) fn finish(
        mut self,
        seconds: f64,
        dt_s: f64,
        assumed: Vec<String>,
    ) -> Result<Recording, ImportError> {
        if let Some(held) = self.held.take() {
            self.settle(&held, &[])?;
        }
        let mut notices = Vec::new();
        self.skipped(&mut notices)?;
        let samples = self.lanes.first().map_or(0, |l| l.p_pa.len());
        let (dt_s, segments, mut assumed) = match self.clock.take() {
            None => (
                dt_s,
                vec![Segment {
                    first: 0,
                    len: samples,
                    t0_s: 0.0,
                }],
                assumed,
            ),
            Some(clock) => {
                clock_notices(&clock, &self.time_label, &mut notices);
                timed(clock.finish(), seconds, assumed, &mut notices)
            }
        };
        if samples < 2 {
            return Err(ImportError::TooShort {
                name: self.name,
                rows: samples,
            });
        }
        assumed.push(format!(
            "sample spacing {:.6} ms ({:.5} Hz)",
            dt_s * 1e3,
            1.0 / dt_s
        ));
        let mut channels = Vec::with_capacity(self.lanes.len());
        for lane in self.lanes {
            channels.push(close(&self.name, lane, samples, &mut notices)?);
        }
        Ok(Recording {
            name: self.name,
            dt_s,
            segments,
            channels,
            assumed,
            notices,
        })
    }

    fn skipped(&self, notices: &mut Vec<Notice>) -> Result<(), ImportError> {
        if self.cut_off {
            notices.push(Notice::new(
                "truncated-last-line",
                "the last line ends inside a row and was left out; the recording was stopped while writing",
            ));
        }
        let Some(first) = self.first_broken else {
            return Ok(());
        };
        if self.broken > self.rows.max(1) {
            return Err(ImportError::MostlyBroken {
                name: self.name.clone(),
                skipped: self.broken,
                lines: self.line_base,
                first_row: self.header_lines as usize + 1,
                first_skipped: first,
            });
        }
        notices.push(Notice::new(
            "skipped-lines",
            format!(
                "{} of {} lines are broken or no rows and were skipped, the first is line {first}; if there are \
                 many, slow the logger's output or raise the speed of its link",
                self.broken, self.line_base
            ),
        ));
        Ok(())
    }
}

fn clock_notices(clock: &Clock, label: &str, notices: &mut Vec<Notice>) {
    if clock.lost > 0.0 {
        notices.push(Notice::new(
            "lost-samples",
            format!(
                "{} samples are missing by the time stamps (column {label}); up to three in a row were left blank, \
                 longer gaps cut the recording",
                clock.lost
            ),
        ));
    }
    if clock.dropped > 0 {
        notices.push(Notice::new(
            "repeated-stamps",
            format!(
                "{} rows repeat a time stamp (column {label}) and were left out",
                clock.dropped
            ),
        ));
    }
    if clock.disordered > 0 {
        notices.push(Notice::new(
            "disordered-stamps",
            format!(
                "{} rows were out of order by a few stamps (column {label}) and were put back",
                clock.disordered
            ),
        ));
    }
    if clock.odd > 0 {
        notices.push(Notice::new(
            "odd-stamps",
            format!("{} time stamps (column {label}) are off the even clock that their neighbours keep; the even clock was kept", clock.odd),
        ));
    }
}

fn timed(
    found: ClockResult,
    seconds: f64,
    mut assumed: Vec<String>,
    notices: &mut Vec<Notice>,
) -> (f64, Vec<Segment>, Vec<String>) {
    let mut first = 0;
    let mut segments = Vec::with_capacity(found.segments.len());
    for (len, start) in found.segments {
        segments.push(Segment {
            first,
            len,
            t0_s: start * seconds,
        });
        first += len;
    }
    if found.rolled > 0 {
        assumed.push(format!(
            "time: the counter rolled over {} times and was added up",
            found.rolled
        ));
    }
    if found.jitter > JITTER_SHARE {
        notices.push(Notice::new(
            "jittery-clock",
            format!(
                "the steps of the time stamps differ from their mean by {:.0} % on average; even spacing was assumed: \
                 let the logger sample by a timer",
                found.jitter * 100.0
            ),
        ));
    }
    (found.dt * seconds, segments, assumed)
}

fn close(
    name: &str,
    lane: Lane,
    samples: usize,
    notices: &mut Vec<Notice>,
) -> Result<Channel, ImportError> {
    if let Some((line, pa)) = lane.first_impossible {
        let share = lane.impossible as f64 / samples as f64;
        if share > ODD_SHARE {
            return Err(ImportError::ImplausiblePressure {
                name: name.to_owned(),
                line,
                column: lane.label,
                body: lane.body,
                value_kpa: f64::from(pa) / 1e3,
                percent: share * 100.0,
            });
        }
        notices.push(Notice::new(
            "implausible-pressure",
            format!(
                "{} samples of `{}` lie outside 0 to 250 kPa and were blanked, the first in line {line} ({:.1} kPa)",
                lane.impossible,
                lane.body,
                f64::from(pa) / 1e3
            ),
        ));
    }
    if lane.readable == 0 {
        return Err(ImportError::AllUnreadable {
            name: name.to_owned(),
            column: lane.label,
            body: lane.body,
            rows: samples,
        });
    }
    if lane.clipped > 0 {
        notices.push(Notice::new(
            "clipped",
            format!(
                "{} samples of `{}` are overloaded or at the end of the converter's range; choose a wider range",
                lane.clipped, lane.body
            ),
        ));
    }
    if lane.missing > 0 {
        notices.push(Notice::new(
            "missing-values",
            format!("{} samples of `{}` are empty", lane.missing, lane.body),
        ));
    }
    let mut p_pa = lane.p_pa;
    p_pa.shrink_to_fit();
    Ok(Channel {
        body: lane.body,
        p_pa,
        step_pa: lane.step_pa,
        clipped: lane.clipped,
    })
}

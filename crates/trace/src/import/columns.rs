//! Which column is the clock and which belongs to which body.

use std::ops::RangeInclusive;

use super::error::ImportError;
use super::hint::{ColumnRef, LayoutHint, TimeUnit};
use super::sniff::Table;
use super::spacing::{Steps, unwrapped};
use super::words::{
    channel_unit_in, names_body, names_counter, names_other_quantity, names_time, rate_in,
    time_unit_in,
};

/// Sampling rates [Hz] between which a unit of time is believed without being named. The ratio
/// of the ends is below 1000, so that at most one of s, ms and us fits.
const BELIEVABLE_HZ: (f64, f64) = (60.0, 50_000.0);

/// Rates [Hz] that may be given for samples or counter ticks.
const POSSIBLE_HZ: RangeInclusive<f64> = 1e-3..=1e9;

/// Where the times come from.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Clocking {
    /// A column of stamps.
    Stamps {
        /// Column, from 0.
        column: usize,
        /// Seconds per unit of the stamps.
        unit_s: f64,
        /// Steps found in the sampled rows, file's unit.
        steps: Steps,
    },
    /// Even spacing, no stamps.
    Rate {
        /// Samples per second [Hz].
        hz: f64,
    },
}

/// A body's column.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Assignment {
    pub(super) body: String,
    /// Column, from 0.
    pub(super) column: usize,
    /// How it was found, in words.
    pub(super) how: &'static str,
}

fn find_column(
    name: &str,
    table: &Table,
    wanted: &ColumnRef,
    role: &str,
) -> Result<usize, ImportError> {
    let found = match wanted {
        ColumnRef::Number(n) => n.checked_sub(1).filter(|c| *c < table.columns.len()),
        ColumnRef::Name(text) => {
            let same =
                |c: &super::sniff::Column| c.heading.trim().eq_ignore_ascii_case(text.trim());
            table.columns.iter().position(same).or_else(|| {
                let lower = text.trim().to_lowercase();
                table
                    .columns
                    .iter()
                    .position(|c| c.heading.trim().to_lowercase() == lower)
            })
        }
    };
    let column = found.ok_or_else(|| ImportError::NoSuchColumn {
        name: name.to_owned(),
        role: role.to_owned(),
        wanted: match wanted {
            ColumnRef::Name(text) => format!("`{text}`"),
            ColumnRef::Number(n) => n.to_string(),
        },
        columns: table.labels(),
    })?;
    if table.columns[column].is_numeric() {
        return Ok(column);
    }
    Err(ImportError::NotNumbers {
        name: name.to_owned(),
        column: table.label(column),
        role: role.to_owned(),
        line: table.first_row + 1,
        text: table.first_text.clone(),
    })
}

/// Chooses the clock; what was found goes to `assumed` in words.
pub(super) fn choose_clock(
    name: &str,
    table: &Table,
    hint: &LayoutHint,
    taken: &[usize],
    assumed: &mut Vec<String>,
) -> Result<Clocking, ImportError> {
    check_rates(name, hint)?;
    // One column is either time or pressure, even if it runs like a clock.
    if table.columns.len() == 1
        && hint.sample_rate_hz.is_none()
        && rate_in_lines(&table.header).is_none()
    {
        return Err(ImportError::OneColumn {
            name: name.to_owned(),
            line: table.first_row + 1,
            text: table.first_text.clone(),
        });
    }
    let column = match &hint.time {
        Some(wanted) => {
            let column = find_column(name, table, wanted, "time")?;
            if taken.contains(&column) {
                return Err(ImportError::BadHint {
                    name: name.to_owned(),
                    key: "time".to_owned(),
                    value: format!("{}, as for a pressure", table.label(column)),
                    allowed: "a column of its own",
                });
            }
            Some((column, "given"))
        }
        None if table.columns.len() == 1 => None,
        None => found_time_column(table, taken, hint.sample_rate_hz.is_some()),
    };
    if let Some((column, how)) = column {
        return stamps(name, table, hint, column, how, assumed);
    }
    let (hz, how) = match (hint.sample_rate_hz, rate_in_lines(&table.header)) {
        (Some(hz), _) => (hz, "given"),
        (None, Some(hz)) => (hz, "from the header"),
        (None, None) => {
            return Err(ImportError::NoTime {
                name: name.to_owned(),
                line: table.first_row + 1,
                columns: table.labels(),
            });
        }
    };
    assumed.push(format!("time: no column, {hz} samples per second ({how})"));
    Ok(Clocking::Rate { hz })
}

/// Refuses rates out of range.
fn check_rates(name: &str, hint: &LayoutHint) -> Result<(), ImportError> {
    let bad = |key: &str, value: f64| ImportError::BadHint {
        name: name.to_owned(),
        key: key.to_owned(),
        value: value.to_string(),
        allowed: "from 0.001 to 1e9 per second",
    };
    if let Some(hz) = hint.sample_rate_hz.filter(|hz| !POSSIBLE_HZ.contains(hz)) {
        return Err(bad("sample_rate_hz", hz));
    }
    if let Some(TimeUnit::Tick { hz }) = hint.time_unit
        && !POSSIBLE_HZ.contains(&hz)
    {
        return Err(bad("time_unit", hz));
    }
    Ok(())
}

fn rate_in_lines(header: &str) -> Option<f64> {
    header.lines().find_map(rate_in)
}

fn found_time_column(
    table: &Table,
    taken: &[usize],
    rate_given: bool,
) -> Option<(usize, &'static str)> {
    let free = |c: &usize| !taken.contains(c) && table.columns[*c].is_numeric();
    let named = (0..table.columns.len()).filter(free).find(|&c| {
        let column = &table.columns[c];
        names_time(&column.heading) || time_unit_in(&column.unit).is_some()
    });
    if let Some(column) = named {
        return Some((column, "by its heading or unit"));
    }
    let behaves = |c: &usize| {
        let column = &table.columns[*c];
        let other = names_other_quantity(&column.heading)
            || channel_unit_in(&column.heading).is_some()
            || channel_unit_in(&column.unit).is_some();
        !other && (rate_given || !names_counter(&column.heading)) && runs_like_a_clock(&column.run)
    };
    (0..table.columns.len())
        .filter(free)
        .find(behaves)
        .map(|c| (c, "runs like a clock"))
}

/// Almost always rising and close to a straight line.
fn runs_like_a_clock(run: &[f64]) -> bool {
    let stamps = unwrapped(run);
    let n = stamps.len();
    if n < 3 {
        return n == 2 && stamps[1] > stamps[0];
    }
    let rising = stamps.windows(2).filter(|w| w[1] >= w[0]).count();
    let span = stamps[n - 1] - stamps[0];
    if span <= 0.0 || rising * 100 < (n - 1) * 97 {
        return false;
    }
    let off_line: f64 = stamps
        .iter()
        .enumerate()
        .map(|(i, t)| (t - stamps[0] - span * i as f64 / (n - 1) as f64).abs())
        .sum();
    off_line / (n as f64) < 0.1 * span
}

fn stamps(
    name: &str,
    table: &Table,
    hint: &LayoutHint,
    column: usize,
    how: &str,
    assumed: &mut Vec<String>,
) -> Result<Clocking, ImportError> {
    let found = &table.columns[column];
    let stamps = unwrapped(&found.run);
    let steps = Steps::find(&stamps).ok_or_else(|| {
        if stamps.len() < 2 {
            return ImportError::TooShort {
                name: name.to_owned(),
                rows: stamps.len(),
            };
        }
        ImportError::TimeStandsStill {
            name: name.to_owned(),
            column: table.label(column),
            first: stamps[0],
            last: stamps[stamps.len() - 1],
            rows: stamps.len(),
        }
    })?;
    let named = hint
        .time_unit
        .map(|u| (u, "given"))
        .or_else(|| time_unit_in(&found.unit).map(|u| (u, "from the units row")))
        .or_else(|| time_unit_in(&found.heading).map(|u| (u, "from the heading")));
    let (unit, unit_how) = match (named, hint.sample_rate_hz) {
        (Some(named), _) => named,
        (None, Some(hz)) => (unit_by_rate(steps.dt, hz), "from the sample rate"),
        (None, None) => (
            unit_by_step(name, table, column, steps.dt)?,
            "from the spacing",
        ),
    };
    assumed.push(format!(
        "time: column {} ({how}), in {} ({unit_how})",
        table.label(column),
        unit.symbol()
    ));
    Ok(Clocking::Stamps {
        column,
        unit_s: unit.seconds(),
        steps,
    })
}

/// Unit under which the step agrees with the given rate, or a counter of samples.
fn unit_by_rate(step: f64, hz: f64) -> TimeUnit {
    [
        TimeUnit::Second,
        TimeUnit::Millisecond,
        TimeUnit::Microsecond,
    ]
    .into_iter()
    .find(|u| (step * u.seconds() * hz - 1.0).abs() < 0.1)
    .unwrap_or(TimeUnit::Tick { hz: hz * step })
}

fn unit_by_step(
    name: &str,
    table: &Table,
    column: usize,
    step: f64,
) -> Result<TimeUnit, ImportError> {
    let rate = |unit: TimeUnit| 1.0 / (step * unit.seconds());
    [
        TimeUnit::Second,
        TimeUnit::Millisecond,
        TimeUnit::Microsecond,
    ]
    .into_iter()
    .find(|&u| (BELIEVABLE_HZ.0..=BELIEVABLE_HZ.1).contains(&rate(u)))
    .ok_or_else(|| ImportError::TimeUnitUnclear {
        name: name.to_owned(),
        column: table.label(column),
        step,
        as_s_hz: rate(TimeUnit::Second),
        as_ms_hz: rate(TimeUnit::Millisecond),
        as_us_hz: rate(TimeUnit::Microsecond),
    })
}

/// Columns fixed by the hint, before anything is guessed.
pub(super) fn given_columns(
    name: &str,
    table: &Table,
    hint: &LayoutHint,
) -> Result<Vec<(String, usize)>, ImportError> {
    let mut given: Vec<(String, usize)> = Vec::new();
    for channel in &hint.pressure {
        let Some(wanted) = &channel.column else {
            continue;
        };
        let column = find_column(name, table, wanted, &format!("body `{}`", channel.body))?;
        if let Some((other, _)) = given.iter().find(|(_, c)| *c == column) {
            return Err(ImportError::BadHint {
                name: name.to_owned(),
                key: format!("pressure.{}.column", channel.body),
                value: format!("{}, as for `{other}`", table.label(column)),
                allowed: "a column of its own",
            });
        }
        given.push((channel.body.clone(), column));
    }
    Ok(given)
}

/// Gives every body a column.
pub(super) fn assign_bodies(
    name: &str,
    table: &Table,
    bodies: &[String],
    given: &[(String, usize)],
    clock_column: Option<usize>,
    assumed: &mut Vec<String>,
) -> Result<Vec<Assignment>, ImportError> {
    let mut free: Vec<usize> = (0..table.columns.len())
        .filter(|c| Some(*c) != clock_column && !given.iter().any(|(_, g)| g == c))
        .filter(|&c| table.columns[c].is_numeric())
        .filter(|&c| {
            let heading = &table.columns[c].heading;
            !names_other_quantity(heading) && !names_counter(heading) && !names_time(heading)
        })
        .collect();
    let mut out: Vec<Option<Assignment>> = bodies
        .iter()
        .map(|body| {
            let column = given.iter().find(|(b, _)| b == body)?.1;
            Some(Assignment {
                body: body.clone(),
                column,
                how: "given",
            })
        })
        .collect();
    for (slot, body) in out.iter_mut().zip(bodies) {
        if slot.is_none()
            && let Some(at) = best_named(table, &free, body)
        {
            *slot = Some(Assignment {
                body: body.clone(),
                column: free.remove(at),
                how: "by its heading",
            });
        }
    }
    let missing = out.iter().filter(|s| s.is_none()).count();
    prefer_marked(table, &mut free, missing);
    let mut rest = free.iter();
    for (slot, body) in out.iter_mut().zip(bodies) {
        if slot.is_none()
            && let Some(&column) = rest.next()
        {
            *slot = Some(Assignment {
                body: body.clone(),
                column,
                how: "assumed from the order in the file",
            });
        }
    }
    let unused: Vec<String> = rest.map(|&c| table.label(c)).collect();
    if missing > 0 && !unused.is_empty() {
        assumed.push(format!("columns not used: {}", unused.join(", ")));
    }
    out.into_iter()
        .zip(bodies)
        .map(|(slot, body)| {
            slot.ok_or_else(|| ImportError::MissingChannel {
                name: name.to_owned(),
                body: body.clone(),
                columns: table.labels(),
            })
        })
        .collect()
}

fn best_named(table: &Table, free: &[usize], body: &str) -> Option<usize> {
    let named = |c: usize| names_body(&table.columns[c].heading, body);
    let marked = |c: usize| {
        let column = &table.columns[c];
        channel_unit_in(&column.heading)
            .or_else(|| channel_unit_in(&column.unit))
            .is_some()
    };
    free.iter()
        .position(|&c| named(c) && marked(c))
        .or_else(|| free.iter().position(|&c| named(c)))
}

/// With more columns than bodies, columns that carry a pressure-like unit come first.
fn prefer_marked(table: &Table, free: &mut [usize], wanted: usize) {
    if free.len() <= wanted {
        return;
    }
    let marked = |c: &usize| {
        let column = &table.columns[*c];
        channel_unit_in(&column.heading)
            .or_else(|| channel_unit_in(&column.unit))
            .is_some()
    };
    let clocks = |c: &usize| runs_like_a_clock(&table.columns[*c].run);
    free.sort_by_key(|c| (!marked(c), clocks(c), *c));
}

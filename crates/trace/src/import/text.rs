//! Import of text: layout from the first block, then all blocks behind it through the pipeline.

use std::io::Read;

use super::blocks::BlockSource;
use super::channel::{Question, Scale, settle, step};
use super::clock::Clock;
use super::collect::{Collector, Lane};
use super::columns::{Assignment, Clocking, assign_bodies, choose_clock, given_columns};
use super::error::ImportError;
use super::hint::LayoutHint;
use super::pipeline::{run, too_long};
use super::rows::{ChannelSpec, RowSpec, Rows};
use super::sniff::{Table, find_table};
use super::words::bits_in;
use crate::notice::Notice;
use crate::recording::Recording;

/// Everything the layout settles.
struct Plan {
    spec: RowSpec,
    clocking: Clocking,
    time_label: String,
    lanes: Vec<Lane>,
    header_lines: u64,
    assumed: Vec<String>,
    notices: Vec<Notice>,
}

/// Imports text columns.
pub(super) fn import_text<R: Read + Send>(
    reader: R,
    name: &str,
    hint: &LayoutHint,
    bodies: &[String],
    mut assumed: Vec<String>,
    progress: &mut dyn FnMut(u64),
) -> Result<Recording, ImportError> {
    let mut source = BlockSource::new(reader);
    let first = source
        .next(Vec::new())
        .map_err(|e| ImportError::read(name, e))?;
    let mut first = first.ok_or_else(|| ImportError::Empty {
        name: name.to_owned(),
    })?;
    if first.too_long {
        return Err(too_long(name, 1));
    }
    refuse_binary(name, &first.bytes)?;
    let table = find_table(name, &first.bytes, hint)?;
    let plan = plan(name, &table, hint, bodies, std::mem::take(&mut assumed))?;
    progress(source.bytes_read);

    let header_bytes = nth_line_start(&first.bytes, table.first_row);
    first.bytes.drain(..header_bytes);
    let (unit_s, clock, dt_s) = match &plan.clocking {
        Clocking::Stamps { unit_s, steps, .. } => (*unit_s, Some(Clock::new(*steps)), 0.0),
        Clocking::Rate { hz } => (1.0, None, 1.0 / hz),
    };
    let mut collector = Collector::new(name, clock, plan.time_label, plan.lanes, plan.header_lines);
    collector.take(Rows::read(&mut first, &plan.spec, Rows::default()))?;
    let collector = run(source, &plan.spec, collector, name, progress)?;
    let mut recording = collector.finish(unit_s, dt_s, plan.assumed)?;
    recording.notices.splice(0..0, plan.notices);
    Ok(recording)
}

fn nth_line_start(bytes: &[u8], line: usize) -> usize {
    if line == 0 {
        return 0;
    }
    bytes
        .iter()
        .enumerate()
        .filter(|(_, b)| **b == b'\n')
        .nth(line - 1)
        .map_or(bytes.len(), |(at, _)| at + 1)
}

/// Serial logs may begin with a few stray bytes; a tenth of them is no text.
fn refuse_binary(name: &str, block: &[u8]) -> Result<(), ImportError> {
    let head = &block[..block.len().min(64 << 10)];
    let foreign =
        |b: &u8| *b < 0x20 && !matches!(*b, b'\t' | b'\n' | b'\r' | 0x1b | 0x0c) || *b == 0x7f;
    let count = head.iter().filter(|&b| foreign(b)).count();
    match head.iter().position(foreign) {
        Some(offset) if count * 10 > head.len() => Err(ImportError::Binary {
            name: name.to_owned(),
            offset,
            value: head[offset],
            share_percent: (count * 100 / head.len()) as u32,
        }),
        _ => Ok(()),
    }
}

fn plan(
    name: &str,
    table: &Table,
    hint: &LayoutHint,
    bodies: &[String],
    mut assumed: Vec<String>,
) -> Result<Plan, ImportError> {
    assumed.push(format!(
        "columns between {}, decimal {}, {} columns, first row in line {}",
        table.format.delimiter.word(),
        if table.format.decimal == b',' {
            "comma"
        } else {
            "point"
        },
        table.columns.len(),
        table.first_row + 1
    ));
    let given = given_columns(name, table, hint)?;
    let taken: Vec<usize> = given.iter().map(|(_, c)| *c).collect();
    let clocking = choose_clock(name, table, hint, &taken, &mut assumed)?;
    let stamps = match &clocking {
        Clocking::Stamps { column, .. } => Some(*column),
        Clocking::Rate { .. } => None,
    };
    let assigned = assign_bodies(name, table, bodies, &given, stamps, &mut assumed)?;
    let scales = settle_all(name, table, hint, &assigned)?;
    let mut lanes = Vec::new();
    let mut channels = Vec::new();
    let mut notices = Vec::new();
    for (assignment, scale) in assigned.into_iter().zip(scales) {
        let label = table.label(assignment.column);
        assumed.push(format!(
            "{}: column {label} ({}), {}",
            assignment.body, assignment.how, scale.words
        ));
        if let Some(text) = &scale.clash {
            notices.push(Notice::new("unit-clash", text.clone()));
        }
        channels.push(ChannelSpec {
            column: assignment.column,
            slope_pa: scale.slope_pa,
            offset_pa: scale.offset_pa,
            rail_low: scale.rail_low,
            rail_high: scale.rail_high,
        });
        let step_pa = step(&table.columns[assignment.column]) * scale.slope_pa.abs();
        lanes.push(Lane::new(assignment.body, label, step_pa));
    }
    let last = table
        .columns
        .last()
        .map_or((0, 0), |c| (c.least_places, c.shortest));
    Ok(Plan {
        spec: RowSpec::new(table.format, table.columns.len(), stamps, channels, last),
        time_label: stamps.map(|c| table.label(c)).unwrap_or_default(),
        clocking,
        lanes,
        header_lines: table.first_row as u64,
        assumed,
        notices,
    })
}

/// Scales of the assigned columns; one whose values tell no unit takes its neighbour's.
fn settle_all(
    name: &str,
    table: &Table,
    hint: &LayoutHint,
    assigned: &[Assignment],
) -> Result<Vec<Scale>, ImportError> {
    let bits = bits_in(&table.header);
    let ask = |assignment: &Assignment, neighbour| {
        let given = hint.pressure.iter().find(|c| c.body == assignment.body);
        let question = Question {
            name,
            body: &assignment.body,
            label: table.label(assignment.column),
            given: given.and_then(|c| c.unit),
            bits,
            ambient_pa: hint.ambient_pa,
            neighbour,
        };
        settle(&question, &table.columns[assignment.column])
    };
    let first: Vec<_> = assigned.iter().map(|a| ask(a, None)).collect();
    let neighbour = first.iter().flatten().find_map(|scale| scale.by_range);
    first
        .into_iter()
        .zip(assigned)
        .map(|(scale, assignment)| match scale {
            Err(ImportError::UnitUnclear { .. }) => ask(assignment, neighbour),
            settled => settled,
        })
        .collect()
}

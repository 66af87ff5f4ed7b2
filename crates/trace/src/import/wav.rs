//! Import of sound files: PCM channels of a converter, one per body.

use std::io::Read;

use hound::{SampleFormat, WavReader};

use super::channel::{Question, settle_sound};
use super::collect::{Collector, Lane};
use super::error::ImportError;
use super::hint::{ColumnRef, LayoutHint};
use crate::recording::Recording;

/// Samples per channel put down at once.
const BATCH: usize = 16 << 10;

/// A channel picked from the file.
struct Pick {
    channel: usize,
    slope_pa: f64,
    offset_pa: f64,
    rail_low: f64,
    rail_high: f64,
}

fn refused(name: &str, e: &hound::Error) -> ImportError {
    ImportError::Wav {
        name: name.to_owned(),
        reason: e.to_string(),
    }
}

/// Imports a PCM sound file; values are the samples as stored (integers unscaled).
pub(super) fn import_wav<R: Read>(
    reader: R,
    name: &str,
    hint: &LayoutHint,
    bodies: &[String],
    mut assumed: Vec<String>,
    progress: &mut dyn FnMut(u64),
) -> Result<Recording, ImportError> {
    let mut wav = WavReader::new(reader).map_err(|e| refused(name, &e))?;
    let spec = wav.spec();
    if spec.sample_rate == 0 || spec.channels == 0 {
        return Err(ImportError::Wav {
            name: name.to_owned(),
            reason: format!("{} channels at {} Hz", spec.channels, spec.sample_rate),
        });
    }
    assumed.push(format!(
        "sound file: {} channels, {} bit, {} samples per second",
        spec.channels, spec.bits_per_sample, spec.sample_rate
    ));
    let mut lanes = Vec::new();
    let mut picks = Vec::new();
    for (place, body) in bodies.iter().enumerate() {
        let (lane, pick) = pick(
            name,
            hint,
            body,
            place,
            usize::from(spec.channels),
            &mut assumed,
        )?;
        lanes.push(lane);
        picks.push(pick);
    }
    let mut collector = Collector::new(name, None, String::new(), lanes, 0);
    let channels = usize::from(spec.channels);
    let bytes_each = u64::from(spec.bits_per_sample).div_ceil(8);
    let mut out = Deinterleaver::new(channels, picks, &mut collector, bytes_each, progress);
    match spec.sample_format {
        SampleFormat::Int => {
            for sample in wav.samples::<i32>() {
                out.push(f64::from(sample.map_err(|e| refused(name, &e))?));
            }
        }
        SampleFormat::Float => {
            for sample in wav.samples::<f32>() {
                out.push(f64::from(sample.map_err(|e| refused(name, &e))?));
            }
        }
    }
    out.flush();
    collector.finish(1.0, 1.0 / f64::from(spec.sample_rate), assumed)
}

fn pick(
    name: &str,
    hint: &LayoutHint,
    body: &str,
    place: usize,
    channels: usize,
    assumed: &mut Vec<String>,
) -> Result<(Lane, Pick), ImportError> {
    let given = hint.pressure.iter().find(|c| c.body == body);
    let (number, how) = match given.and_then(|c| c.column.as_ref()) {
        Some(ColumnRef::Number(n)) => (*n, "given"),
        Some(ColumnRef::Name(text)) => {
            // A sound file has no headings; a number written as text is still meant.
            (text.trim().parse().unwrap_or(0), "given")
        }
        None => (place + 1, "assumed from the order in the file"),
    };
    let columns = || {
        (1..=channels)
            .map(|c| c.to_string())
            .collect::<Vec<_>>()
            .join(", ")
    };
    if number == 0 || number > channels {
        return Err(match given.and_then(|c| c.column.as_ref()) {
            Some(wanted) => ImportError::NoSuchColumn {
                name: name.to_owned(),
                role: format!("body `{body}`"),
                wanted: match wanted {
                    ColumnRef::Name(text) => format!("`{text}`"),
                    ColumnRef::Number(n) => n.to_string(),
                },
                columns: columns(),
            },
            None => ImportError::MissingChannel {
                name: name.to_owned(),
                body: body.to_owned(),
                columns: columns(),
            },
        });
    }
    let scale = settle_sound(&Question {
        name,
        body,
        label: number.to_string(),
        given: given.and_then(|c| c.unit),
        bits: None,
        ambient_pa: hint.ambient_pa,
        neighbour: None,
    })?;
    assumed.push(format!("{body}: channel {number} ({how}), {}", scale.words));
    let pick = Pick {
        channel: number - 1,
        slope_pa: scale.slope_pa,
        offset_pa: scale.offset_pa,
        rail_low: scale.rail_low,
        rail_high: scale.rail_high,
    };
    let step_pa = scale.slope_pa.abs();
    Ok((
        Lane::new(body.to_owned(), number.to_string(), step_pa),
        pick,
    ))
}

struct Deinterleaver<'a> {
    channels: usize,
    picks: Vec<Pick>,
    collector: &'a mut Collector,
    frame: Vec<f64>,
    batch: Vec<Vec<f32>>,
    clipped: Vec<usize>,
    samples: u64,
    bytes_each: u64,
    progress: &'a mut dyn FnMut(u64),
}

impl<'a> Deinterleaver<'a> {
    fn new(
        channels: usize,
        picks: Vec<Pick>,
        collector: &'a mut Collector,
        bytes_each: u64,
        progress: &'a mut dyn FnMut(u64),
    ) -> Self {
        let lanes = picks.len();
        Self {
            channels,
            picks,
            collector,
            frame: Vec::with_capacity(channels),
            batch: vec![Vec::with_capacity(BATCH); lanes],
            clipped: vec![0; lanes],
            samples: 0,
            bytes_each,
            progress,
        }
    }

    fn push(&mut self, value: f64) {
        self.frame.push(value);
        self.samples += 1;
        if self.frame.len() < self.channels {
            return;
        }
        for ((pick, batch), clipped) in self
            .picks
            .iter()
            .zip(&mut self.batch)
            .zip(&mut self.clipped)
        {
            let value = self.frame[pick.channel];
            *clipped += usize::from(value <= pick.rail_low || value >= pick.rail_high);
            batch.push((pick.slope_pa * value + pick.offset_pa) as f32);
        }
        self.frame.clear();
        if self.batch.first().is_some_and(|b| b.len() >= BATCH) {
            self.flush();
        }
    }

    fn flush(&mut self) {
        self.collector.take_plain(&self.batch, &self.clipped);
        self.batch.iter_mut().for_each(Vec::clear);
        self.clipped.fill(0);
        (self.progress)(self.samples * self.bytes_each);
    }
}

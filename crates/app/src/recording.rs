//! One recording: open, import, analyse.

use std::io::Read;
use std::path::{Path, PathBuf};

use evenpull_job::{AmbientData, Condition, HoseData, Layout, Pinch, Profile, body_under};
use evenpull_trace::{CycleReading, Recording, analyse, import};

use crate::error::AppError;
use crate::job_folder::LoadedJob;
use crate::layout_hint::layout_hint;
use crate::setup::{Circumstances, setup};
use crate::text_file::{problem, read_text, unreadable};

/// Where a recording comes from.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Source {
    /// A file.
    File(PathBuf),
    /// Standard input.
    StandardInput,
}

impl Source {
    /// Name shown in messages: the path, or `standard input`.
    pub fn name(&self) -> String {
        match self {
            Self::File(path) => path.display().to_string(),
            Self::StandardInput => "standard input".to_owned(),
        }
    }

    /// Length [bytes], where it is known.
    pub fn length(&self) -> Option<u64> {
        match self {
            Self::File(path) => std::fs::metadata(path).ok().map(|m| m.len()),
            Self::StandardInput => None,
        }
    }
}

/// Everything that goes into reading one recording.
#[derive(Debug, Clone, PartialEq)]
pub struct ReadRequest<'a> {
    /// Recording.
    pub source: Source,
    /// Engine profile.
    pub profile: &'a Profile,
    /// Layout as far as it is known.
    pub layout: &'a Layout,
    /// Ambient air and what the sensors showed with the engine off.
    pub ambient: &'a AmbientData,
    /// Condition, if it is known; it chooses between the refill exponents of the profile.
    pub condition: Option<Condition>,
    /// Hose between stub and sensor.
    pub hose: Option<HoseData>,
    /// Hoses swapped for this recording (twin).
    pub swapped: bool,
    /// What was pinched shut.
    pub pinched: &'a [Pinch],
}

/// A recording and what it says.
#[derive(Debug, Clone, PartialEq)]
pub struct ReadOutcome {
    /// Name of the recording.
    pub name: String,
    /// Samples per channel.
    pub samples: usize,
    /// Sample spacing [s].
    pub dt_s: f64,
    /// What the import found and assumed, one line each.
    pub assumed: Vec<String>,
    /// What the recording says.
    pub reading: CycleReading,
}

/// The request for one reading of a job; `None` where it has no recording.
///
/// `index` counts from 0 in the job's order.
pub fn job_request(loaded: &LoadedJob, index: usize) -> Option<ReadRequest<'_>> {
    let reading = loaded.job.readings.get(index)?;
    let name = reading.recording.as_ref()?;
    Some(ReadRequest {
        source: Source::File(loaded.recording_path(name)),
        profile: &loaded.profile,
        layout: &loaded.job.layout,
        ambient: &loaded.job.ambient,
        condition: Some(reading.condition),
        hose: reading.hose,
        swapped: reading.swapped,
        pinched: &reading.pinched,
    })
}

/// Reads the layout file of a recording.
///
/// # Errors
/// [`AppError::Unreadable`] or the problems of the file.
pub fn load_layout(path: &Path, profile: &Profile) -> Result<Layout, AppError> {
    let text = read_text(path)?;
    let shown = path.display().to_string();
    Ok(Layout::from_toml(&shown, &text, profile)?)
}

/// Imports and analyses one recording; `progress` is told the bytes read so far.
///
/// # Errors
/// [`AppError::Unreadable`], [`AppError::Import`] for a file that is no recording,
/// [`AppError::Analyse`] for one that carries no reading.
pub fn read_recording(
    request: &ReadRequest<'_>,
    progress: &mut dyn FnMut(u64),
) -> Result<ReadOutcome, AppError> {
    analysed(open_recording(request, progress)?, request)
}

/// As [`read_recording`], for a recording that is in memory; the source of the request names it.
pub(crate) fn read_given(bytes: &[u8], request: &ReadRequest<'_>) -> Result<ReadOutcome, AppError> {
    let name = request.source.name();
    analysed(imported(bytes, &name, request, &mut |_| {})?, request)
}

fn analysed(recording: Recording, request: &ReadRequest<'_>) -> Result<ReadOutcome, AppError> {
    let at = Circumstances {
        condition: request.condition,
        hose: request.hose,
        swapped: request.swapped,
        pinched: request.pinched,
    };
    let (setup, doubts) = setup(request.profile, request.ambient, at);
    let mut reading = analyse(&recording, &setup)?;
    reading.notices.extend(doubts);
    Ok(ReadOutcome {
        samples: recording.samples(),
        dt_s: recording.dt_s,
        name: recording.name,
        assumed: recording.assumed,
        reading,
    })
}

/// Opens and imports one recording, unanalysed.
pub(crate) fn open_recording(
    request: &ReadRequest<'_>,
    progress: &mut dyn FnMut(u64),
) -> Result<Recording, AppError> {
    let name = request.source.name();
    match &request.source {
        Source::StandardInput => imported(std::io::stdin(), &name, request, progress),
        Source::File(path) => {
            if path.is_dir() {
                return Err(problem(path, "is a folder", "name a recording inside it"));
            }
            let file = std::fs::File::open(path).map_err(|e| unreadable(path, &e))?;
            imported(file, &name, request, progress)
        }
    }
}

fn imported(
    reader: impl Read + Send,
    name: &str,
    request: &ReadRequest<'_>,
    progress: &mut dyn FnMut(u64),
) -> Result<Recording, AppError> {
    let bodies = request.profile.bodies();
    let hint = layout_hint(request.layout, bodies, request.ambient.pressure_kpa);
    let mut recording = import(reader, name, &hint, bodies, progress)?;
    for channel in &mut recording.channels {
        // The layout names the sensor's own body; swapped hoses put it on another one.
        if let Some(i) = bodies.iter().position(|b| *b == channel.body) {
            channel
                .body
                .clone_from(&bodies[body_under(i, bodies.len(), request.swapped)]);
        }
    }
    Ok(recording)
}

#[cfg(test)]
mod tests;

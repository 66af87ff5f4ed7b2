//! A visit to the practice engine, reading by reading, with turns made in between.

use std::path::{Path, PathBuf};

use evenpull_engine::EngineError;
use evenpull_job::{AdjusterKind, Condition};

use super::bench::{Bench, Point};
use super::files;
use super::individual::Individual;
use super::{PracticeRequest, PracticeTruth, ReadingTruth};
use crate::error::AppError;

/// A reading to take on the practice engine.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PracticePoint {
    /// Condition.
    pub condition: Condition,
    /// Engine speed asked for [1/min].
    pub rpm: f64,
    /// Idle-air hoses and balance pipe pinched shut.
    pub pinched: bool,
}

/// A practice machine on the stand, with the job file as written so far.
#[derive(Debug)]
pub struct PracticeVisit<'p> {
    pub(super) bench: Bench<'p>,
    profile_text: &'p str,
    folder: PathBuf,
    /// Readings as they stand in the job file.
    lines: String,
    /// Turns since the last reading, as noted.
    noted: Vec<(String, f64)>,
    bleeds_mm2: Vec<f64>,
    truths: Vec<ReadingTruth>,
    /// Keys for the top of the job file.
    head: String,
}

impl<'p> PracticeVisit<'p> {
    /// Puts the faults of `request` into the machine; the job will stand in `folder`, which is made.
    ///
    /// # Errors
    /// [`AppError::Practice`] for a fault the engine cannot show, [`AppError::Engine`] for an engine
    /// that does not run, [`AppError::Unwritable`] for the folder.
    pub fn begin(
        request: &PracticeRequest<'p>,
        own: &Individual,
        folder: &Path,
    ) -> Result<Self, AppError> {
        let mut bench = Bench::new(&request.profile.profile, own, request.seed)?;
        for fault in request.faults {
            bench.put_in(fault)?;
        }
        files::make_folder(folder)?;
        Ok(Self {
            bench,
            profile_text: &request.profile.text,
            folder: folder.to_owned(),
            lines: String::new(),
            noted: Vec::new(),
            bleeds_mm2: Vec::new(),
            truths: Vec::new(),
            head: String::new(),
        })
    }

    /// The readings of a whole job, in the order of work.
    pub fn plan(&self) -> Vec<PracticePoint> {
        self.bench
            .points()
            .into_iter()
            .map(|p| PracticePoint {
                condition: p.condition,
                rpm: p.rpm,
                pinched: false,
            })
            .collect()
    }

    /// Takes one reading and writes its recording.
    ///
    /// # Errors
    /// [`AppError::Engine`] where nothing balances, [`AppError::Unwritable`] for the recording.
    pub fn take(&mut self, point: PracticePoint) -> Result<&ReadingTruth, AppError> {
        let at = Point {
            condition: point.condition,
            rpm: point.rpm,
        };
        let taken = self.bench.take(at, point.pinched)?;
        let name = files::recording_name(self.truths.len(), at);
        files::write_samples(&self.bench, &taken, &self.folder.join(&name))?;
        files::reading(&mut self.lines, &self.bench, at, &name, &taken);
        files::circumstances(&mut self.lines, point.pinched, &self.noted);
        self.noted.clear();
        if point.condition == Condition::Idle {
            self.bleeds_mm2 = self.bench.bleed_mm2();
        }
        self.truths.push(files::truth(at, name, &taken));
        Ok(&self.truths[self.truths.len() - 1])
    }

    /// Takes one reading if the engine can be held there; tells whether it could.
    ///
    /// With the throttle shut and too much air it runs faster than asked, with too little it dies. A
    /// mechanic leaves out what the engine does not do, and goes on.
    ///
    /// # Errors
    /// As for [`PracticeVisit::take`], but for an engine that finds no balance.
    pub fn take_if_held(&mut self, point: PracticePoint) -> Result<bool, AppError> {
        match self.take(point) {
            Ok(_) => Ok(true),
            Err(AppError::Engine(EngineError::NoBalance { .. })) => Ok(false),
            Err(other) => Err(other),
        }
    }

    /// Turns an adjuster: `noted` turns in the mechanic's mind, `made` at the screw; positive = more
    /// opening or area. A balance turn is noted with the next reading, a bleed by where it stands.
    ///
    /// # Errors
    /// [`AppError::Practice`] if the profile has no such adjuster.
    pub fn turn(&mut self, adjuster: &str, noted: f64, made: f64) -> Result<(), AppError> {
        let found = self.bench.profile.adjuster(adjuster).ok_or_else(|| {
            AppError::Practice(format!("the profile has no adjuster `{adjuster}`"))
        })?;
        self.bench.turn(&found, noted, made);
        if found.kind != AdjusterKind::Bleed {
            self.noted.push((found.name, noted));
        }
        Ok(())
    }

    /// Adds a line to the top of the job file, before its first table.
    pub fn head_line(&mut self, line: &str) {
        self.head.push_str(line);
        self.head.push('\n');
    }

    /// Moves the throttle sensor on its screws by `volts` [V]; its seal shows it.
    pub fn move_sensor(&mut self, volts: f64) {
        self.bench.sensor_shift_v += volts;
        self.bench.disturbed.push("sensor".to_owned());
    }

    /// The state of the machine and what every reading truly was.
    pub fn truth(&self) -> PracticeTruth {
        files::whole_truth(&self.bench, self.bleeds_mm2.clone(), self.truths.clone())
    }

    /// Writes `job.toml`, `profile.toml` and `truth.json` as they stand now.
    ///
    /// # Errors
    /// [`AppError::Unwritable`] for the folder.
    pub fn write(&self) -> Result<PracticeTruth, AppError> {
        let truth = self.truth();
        let job = files::head(&self.bench, &self.head) + &self.lines;
        files::write_folder(&self.folder, &job, self.profile_text, &truth)?;
        Ok(truth)
    }
}

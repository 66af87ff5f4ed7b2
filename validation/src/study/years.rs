//! A simulated shop over eight years: do trends hold, is tampering found, does the library help?
//!
//! Machines, distances, wear, tampering and the shop's own work are invented. Two ways: values drawn about
//! the truth with errors as the assessment states them (many machines), and values from readings that
//! went through the assessment (fewer). Wear grows by gamma steps, which the history's own model does not
//! know.

use std::fmt::Write as _;

use evenpull_app::AppError;

use super::on_all_cores;

mod library;
mod machine;
mod seen;

pub use library::{LibraryTrial, library_trial};
pub use machine::{Mix, YearsTrial, years_trial};
pub use seen::{Counted, Finds};

/// Machines of the direct kind to one that goes through the assessment.
const READ_EVERY: u64 = 10;

/// Machines to one family of the library's part.
const FAMILY_EVERY: u64 = 4;

/// A simulated shop.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct YearsTable {
    /// Values drawn with stated errors.
    pub drawn: Counted,
    /// Values from readings.
    pub read: Counted,
    /// The library.
    pub library: Vec<LibraryTrial>,
}

/// Which shop to simulate.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct YearsAsked {
    /// Machines; a tenth as many go by readings, and there are a quarter as many families.
    pub machines: u64,
    /// Which draw of them; another number is another shop.
    pub draw: u64,
    /// How they wear.
    pub mix: Mix,
}

/// Runs a shop.
///
/// # Errors
/// None so far; as for the other studies.
pub fn run_years(asked: &YearsAsked) -> Result<YearsTable, AppError> {
    let (machines, mix) = (asked.machines, &asked.mix);
    let from = 1_000_000 * asked.draw;
    let bank = machine::bank();
    let drawn = on_all_cores(machines, |seed| {
        Ok(years_trial(from + seed, mix, Some(&bank)))
    })?;
    let read = on_all_cores(machines.div_ceil(READ_EVERY), |seed| {
        Ok(years_trial(from + 50_000 + seed, mix, None))
    })?;
    let library = on_all_cores(machines.div_ceil(FAMILY_EVERY), |seed| {
        Ok(library_trial(from + seed))
    })?;
    Ok(YearsTable {
        drawn: drawn.into_iter().map(|t| t.counted).sum(),
        read: read.into_iter().map(|t| t.counted).sum(),
        library,
    })
}

impl YearsTable {
    /// The table as printed.
    pub fn text(&self) -> String {
        let mut out = String::new();
        for (what, c) in [
            ("values drawn with the stated errors", &self.drawn),
            ("values from readings", &self.read),
        ] {
            let _ = write!(out, "{what}\n{}", c.text());
        }
        let _ = write!(out, "{}", library::text(&self.library));
        out
    }
}

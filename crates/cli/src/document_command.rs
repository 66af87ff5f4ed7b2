//! `evenpull handover`, `paper` and their like: a document of a job into a file.

use std::io::{self, Write};
use std::sync::Arc;

use evenpull_app::{
    Access, AppError, Calendar, Chosen, CivilTime, DocumentFile, DocumentForm, DocumentKind,
    JobSource, Moment, Rates, Records, StoreError, block_on, folder_document, load_rates,
    system_clock, write_document,
};

use crate::args::{DecimalArg, DocumentArgs, EstimateArgs};
use crate::exit::Exit;
use crate::progress::steps;
use crate::records_command::data_folder;
use crate::run::CommandError;

pub(crate) fn run(kind: DocumentKind, args: &DocumentArgs) -> Result<Exit, CommandError> {
    write(kind, args, None)
}

/// The estimate, which takes the shop's rates as well.
pub(crate) fn estimate(args: &EstimateArgs) -> Result<Exit, CommandError> {
    let rates = match &args.rates {
        Some(path) => Some(load_rates(path)?),
        None => None,
    };
    write(DocumentKind::Estimate, &args.document, rates.as_ref())
}

fn write(
    kind: DocumentKind,
    args: &DocumentArgs,
    rates: Option<&Rates>,
) -> Result<Exit, CommandError> {
    let form = DocumentForm::of_file(&args.to, args.paper.into()).ok_or_else(|| {
        CommandError::Usage(format!(
            "`{}` ends neither in `.pdf` nor in `.html`: name the file by what it shall be",
            args.to.display()
        ))
    })?;
    let calendar = calendar();
    let chosen = Chosen {
        rates,
        pressure: args.unit,
        comma: args.decimal.map(|d| d == DecimalArg::Comma),
    };
    let file = match JobSource::of(&args.job) {
        JobSource::Path(path) => {
            let bar = steps("reading the job");
            let written = calendar(system_clock()());
            let file = folder_document(&path, kind, form, written, &chosen, &mut |done, of| {
                bar.set_length(of as u64);
                bar.set_position(done as u64);
            })?;
            bar.finish_and_clear();
            file
        }
        JobSource::Stored(id) => stored(id, (kind, form), args, &chosen, &calendar)?,
    };
    write_document(&file, &args.to)?;
    let mut out = io::stdout().lock();
    match file.version {
        Some(version) => writeln!(out, "{}: version {version}", args.to.display())?,
        None => writeln!(out, "{}", args.to.display())?,
    }
    Ok(Exit::Fine)
}

/// A document of a stored job; kept, unless another program has the records open.
fn stored(
    id: i64,
    (kind, form): (DocumentKind, DocumentForm),
    args: &DocumentArgs,
    chosen: &Chosen<'_>,
    calendar: &Calendar,
) -> Result<DocumentFile, CommandError> {
    let folder = data_folder(&args.data)?;
    let clock = system_clock();
    let holder = "`evenpull handover`";
    let file = block_on(async {
        // Looked at first: asking for a job must not start new records.
        let looking = Records::open(&folder, Access::Read, holder, clock.clone()).await?;
        looking.job_texts(id).await?;
        looking.close().await;
        let records = match Records::open(&folder, Access::Write, holder, clock.clone()).await {
            Err(AppError::Store(StoreError::InUse { .. } | StoreError::NotWritable { .. })) => {
                Records::open(&folder, Access::Read, holder, clock.clone()).await?
            }
            other => other?,
        };
        let done = records.document(id, kind, form, chosen, calendar).await;
        records.close().await;
        done
    })?;
    Ok(file)
}

/// Moments in the time of this place.
pub(crate) fn calendar() -> Calendar {
    Arc::new(|at: Moment| {
        let Ok(stamp) = jiff::Timestamp::from_millisecond(at.ms) else {
            return CivilTime::default();
        };
        let here = stamp.to_zoned(jiff::tz::TimeZone::system());
        let small = |n: i8| n.unsigned_abs();
        CivilTime {
            year: here.year().into(),
            month: small(here.month()),
            day: small(here.day()),
            hour: small(here.hour()),
            minute: small(here.minute()),
            offset_minutes: here.offset().seconds() / 60,
        }
    })
}

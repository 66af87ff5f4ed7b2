//! `evenpull export|import|backup|restore|check|salvage`.

use std::io::{self, Write};

use evenpull_app::{
    Access, AppError, BackupSummary, block_on, restore_records, salvage_records, system_clock,
};

use crate::exit::Exit;
use crate::records_args::{
    BackupArgs, CheckArgs, ExportArgs, ImportArgs, RestoreArgs, SalvageArgs,
};
use crate::records_command::{data_folder, with_records};
use crate::run::CommandError;

pub(crate) fn export(args: &ExportArgs) -> Result<Exit, CommandError> {
    with_records(&args.data, Access::Read, async |records| {
        records.export(args.job, &args.to, args.with_owner).await
    })?;
    let mut out = io::stdout().lock();
    writeln!(out, "job {} is written to {}", args.job, args.to.display())?;
    if !args.with_owner {
        writeln!(
            out,
            "name, contact and registration were left out; complaint, notes and pictures are as \
             they were entered"
        )?;
    }
    Ok(Exit::Fine)
}

pub(crate) fn import(args: &ImportArgs) -> Result<Exit, CommandError> {
    let done = with_records(&args.data, Access::Write, async |records| {
        records.import(&args.from, args.machine).await
    })?;
    writeln!(
        io::stdout().lock(),
        "{} readings, {} documents, machine {}; kept as job {}",
        done.readings,
        done.documents,
        done.machine_id,
        done.job_id
    )?;
    Ok(Exit::Fine)
}

pub(crate) fn backup(args: &BackupArgs) -> Result<Exit, CommandError> {
    let done = with_records(&args.data, Access::Read, async |records| {
        records.backup(&args.to).await
    })?;
    let mut out = io::stdout().lock();
    writeln!(
        out,
        "{}: {}; written, read again and compared",
        args.to.display(),
        what(&done)
    )?;
    writeln!(out, "keep it on another disk than the records")?;
    Ok(Exit::Fine)
}

pub(crate) fn restore(args: &RestoreArgs) -> Result<Exit, CommandError> {
    let folder = data_folder(&args.data)?;
    let done = block_on(restore_records(&args.from, &folder, args.overwrite))?;
    let mut out = io::stdout().lock();
    writeln!(out, "{}: {} restored", folder.display(), what(&done))?;
    if let Some(aside) = &done.replaced {
        writeln!(
            out,
            "the records that were there lie in {}",
            aside.display()
        )?;
    }
    Ok(Exit::Fine)
}

pub(crate) fn check(args: &CheckArgs) -> Result<Exit, CommandError> {
    let report = with_records(&args.data, Access::Read, async |records| {
        records.check().await
    })?;
    let mut out = io::stdout().lock();
    if args.json {
        let mut value = serde_json::to_value(&report)?;
        value["format"] = "evenpull.check/1".into();
        writeln!(out, "{value:#}")?;
    } else {
        writeln!(
            out,
            "everything was read: machines {}, jobs {}, readings {}, recordings {}, photos {}",
            report.machines, report.jobs, report.readings, report.recordings, report.photos
        )?;
        for problem in &report.problems {
            writeln!(out, "  wrong: {problem}")?;
        }
        for name in &report.unnamed_photos {
            writeln!(
                out,
                "  left over: photos/{name}, which nothing names; it may be deleted"
            )?;
        }
        if report.problems.is_empty() {
            writeln!(out, "all sound")?;
        } else {
            writeln!(
                out,
                "copy the data folder to another disk before anything else; then restore the \
                 latest backup into a new folder, or run `evenpull salvage NEW_FOLDER`"
            )?;
        }
    }
    Ok(if report.problems.is_empty() {
        Exit::Fine
    } else {
        Exit::Undetermined
    })
}

pub(crate) fn salvage(args: &SalvageArgs) -> Result<Exit, CommandError> {
    let folder = data_folder(&args.data)?;
    let clock = system_clock();
    let report = block_on(async {
        let done: Result<_, AppError> = salvage_records(&folder, &args.to, &clock).await;
        done
    })?;
    let mut out = io::stdout().lock();
    for table in &report.tables {
        let lost: Vec<String> = table
            .lost
            .iter()
            .map(|(first, last)| format!("{first} to {last}"))
            .collect();
        let lost = if lost.is_empty() {
            String::new()
        } else {
            format!(", not readable: numbers {}", lost.join(", "))
        };
        let left_out = match table.left_out {
            0 => String::new(),
            n => format!(", {n} left out that belong to something lost or are broken"),
        };
        writeln!(
            out,
            "  {:<12} {} kept{lost}{left_out}",
            table.table, table.kept
        )?;
    }
    writeln!(
        out,
        "  {:<12} {} kept, {} lost",
        "pictures", report.photos, report.photos_lost
    )?;
    writeln!(
        out,
        "{}: what could be read is in there; the damaged records were not changed. Compare with \
         your latest backup before you go on",
        args.to.display()
    )?;
    Ok(if report.complete() {
        Exit::Fine
    } else {
        Exit::Undetermined
    })
}

fn what(done: &BackupSummary) -> String {
    format!(
        "records of schema {}, {} photos, {:.1} MB",
        done.schema,
        done.photos,
        done.length_bytes as f64 / 1e6
    )
}

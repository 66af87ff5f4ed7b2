//! `evenpull history` and `evenpull library`.

use std::fmt::Write as _;
use std::io::{self, Write as _};

use clap::{Args, Subcommand};
use evenpull_app::{
    Access, AppError, HistoryAnswer, LibraryJob, LibraryView, RangeAnswer, SeriesAnswer,
};

use crate::exit::Exit;
use crate::paragraph::{entry, fixed, table};
use crate::records_args::DataArg;
use crate::records_command::with_records;
use crate::run::CommandError;

/// Arguments of `history`.
#[derive(Debug, Args)]
pub(crate) struct HistoryArgs {
    /// Number of the machine.
    pub(crate) machine: i64,
    #[command(flatten)]
    pub(crate) data: DataArg,
    /// Print the answer as `evenpull.history/1`.
    #[arg(long)]
    pub(crate) json: bool,
}

/// Arguments of `library`.
#[derive(Debug, Args)]
pub(crate) struct LibraryArgs {
    #[command(subcommand)]
    pub(crate) command: LibraryCommand,
    #[command(flatten)]
    pub(crate) data: DataArg,
}

/// What to do with the library.
#[derive(Debug, Subcommand)]
pub(crate) enum LibraryCommand {
    /// List the healthy jobs: which count, and why the others do not.
    List,
    /// Show what the machines of a profile have in common, and who is in it.
    Show {
        /// Name of the engine profile, as `library list` has it.
        profile: String,
        /// Print it as `evenpull.library/1`.
        #[arg(long)]
        json: bool,
    },
    /// Leave a job out.
    LeaveOut {
        /// Number of the job.
        job: i64,
        /// Why its readings are no example of a healthy machine.
        #[arg(long)]
        reason: String,
    },
    /// Take a job in again.
    TakeIn {
        /// Number of the job.
        job: i64,
    },
}

pub(crate) fn history(args: &HistoryArgs) -> Result<Exit, CommandError> {
    let answer = with_records(&args.data, Access::Read, async |records| {
        Ok(records.history(args.machine).await?.answer())
    })?;
    let mut out = io::stdout().lock();
    if args.json {
        serde_json::to_writer_pretty(&mut out, &answer)?;
        writeln!(out)?;
    } else {
        out.write_all(history_text(&answer).as_bytes())?;
    }
    Ok(Exit::Fine)
}

pub(crate) fn library(args: &LibraryArgs) -> Result<Exit, CommandError> {
    let access = match args.command {
        LibraryCommand::List | LibraryCommand::Show { .. } => Access::Read,
        LibraryCommand::LeaveOut { .. } | LibraryCommand::TakeIn { .. } => Access::Write,
    };
    let text = with_records(&args.data, access, async |records| match &args.command {
        LibraryCommand::List => Ok(list_text(&records.library().await?)),
        LibraryCommand::Show { profile, json } => {
            let view = records.library_of(profile).await?;
            if !json {
                return Ok(view_text(&view));
            }
            let text = serde_json::to_string_pretty(&view);
            text.map(|t| t + "\n")
                .map_err(|e| AppError::Json(e.to_string()))
        }
        LibraryCommand::LeaveOut { job, reason } => {
            records.leave_out(*job, reason).await?;
            Ok(format!("job {job} is left out of the library\n"))
        }
        LibraryCommand::TakeIn { job } => {
            records.take_in(*job).await?;
            let now = records.library().await?.into_iter().find(|j| j.job == *job);
            Ok(match now.map(|j| j.why_not) {
                Some(None) => format!("job {job} is in the library\n"),
                Some(Some(why)) => {
                    format!("job {job} is not left out any more; it does not count yet: {why}\n")
                }
                None => format!(
                    "job {job} is not left out any more; it does not count yet: its latest findings do not call the \
                     machine sound\n"
                ),
            })
        }
    })?;
    io::stdout().lock().write_all(text.as_bytes())?;
    Ok(Exit::Fine)
}

fn decimals(quantity: &str) -> usize {
    match quantity {
        q if q.ends_with("_v") => 3,
        q if q.ends_with("steps") => 0,
        q if q.ends_with("percent") || q.ends_with("kpa") => 1,
        _ => 2,
    }
}

fn number(value: Option<f64>, digits: usize) -> String {
    fixed(value.unwrap_or(f64::NAN), digits)
}

fn between(range: Option<RangeAnswer>, digits: usize) -> String {
    match range {
        None => "-".to_owned(),
        Some(r) => format!(
            "{} ({} to {})",
            number(r.value, digits),
            number(r.lo90, digits),
            r.hi90.map_or("open".to_owned(), |v| fixed(v, digits))
        ),
    }
}

fn history_text(answer: &HistoryAnswer) -> String {
    let mut out = format!("{}\n", answer.machine);
    if answer.series.is_empty() {
        out += &entry(
            "  ",
            "No history yet: it takes two visits with findings by this program. `evenpull assess` each job.",
        );
    } else {
        let head = [
            "quantity".to_owned(),
            "first".to_owned(),
            "last".to_owned(),
            format!("change per {}, 90 %", answer.rate_per),
            "limit".to_owned(),
            "reached at".to_owned(),
        ];
        let rows = answer.series.iter().map(series_row).collect();
        out += &table(&head, rows);
        out += &entry(
            "  ",
            "A limit is foreseen only where three visits carry a rate whose interval leaves zero out. Idle-valve \
             steps and depressions are those of the standard atmosphere.",
        );
    }
    if !answer.changes.is_empty() || !answer.moved.is_empty() {
        out += "\nWhat changed between visits\n";
        for c in &answer.changes {
            out += &entry(
                "  - ",
                &format!("{} ({:.0} %)", c.text, 100.0 * c.probability),
            );
        }
        for m in &answer.moved {
            out += &entry("  - ", &m.text);
        }
    }
    for notice in &answer.notices {
        out += &entry("  note: ", notice);
    }
    if !answer.without.is_empty() {
        let jobs: Vec<String> = answer.without.iter().map(i64::to_string).collect();
        let text = format!(
            "jobs without a place in the history, for want of findings by this program: {}",
            jobs.join(", ")
        );
        out += &entry("  note: ", &text);
    }
    out
}

fn series_row(s: &SeriesAnswer) -> Vec<String> {
    let digits = decimals(s.quantity);
    let value = |v: Option<&evenpull_app::DotAnswer>| number(v.and_then(|d| d.read.value), digits);
    let name = match s.part.as_str() {
        "" => s.quantity.to_owned(),
        part => format!("{} {part}", s.quantity),
    };
    let reached = match (s.limit_at_km, s.limit_in_days) {
        (Some(km), _) => format!("{} km", between(Some(km), 0)),
        (None, Some(days)) => format!("in {} days", between(Some(days), 0)),
        (None, None) => "-".to_owned(),
    };
    vec![
        name,
        value(s.visits.first()),
        value(s.visits.last()),
        between(s.rate, digits + 1),
        number(s.limit, digits),
        reached,
    ]
}

fn list_text(jobs: &[LibraryJob]) -> String {
    if jobs.is_empty() {
        return "no healthy jobs yet: the library grows from jobs whose findings name no cause, once they are \
                handed over or closed\n"
            .to_owned();
    }
    let head = ["job", "machine", "profile", "in the library"].map(str::to_owned);
    let rows = jobs.iter().map(|j| {
        vec![
            j.job.to_string(),
            j.machine.clone(),
            j.profile.clone(),
            j.why_not.clone().unwrap_or_else(|| "yes".to_owned()),
        ]
    });
    table(&head, rows.collect())
}

fn view_text(view: &LibraryView) -> String {
    let mut out = format!("{}: {} machines\n", view.profile, view.machines);
    if !view.values.is_empty() {
        let head = [
            "over the profile",
            "family",
            "+-",
            "between",
            "next",
            "without",
        ];
        let rows = view.values.iter().map(|v| {
            vec![
                v.words.to_owned(),
                fixed(v.mean, 3),
                fixed(v.mean_sd, 3),
                fixed(v.spread, 3),
                fixed(v.next_sd, 3),
                fixed(v.profile_sd, 3),
            ]
        });
        out += &table(&head.map(str::to_owned), rows.collect());
        out += &entry(
            "  ",
            "Mean of the family and its standard deviation, spread between machines, what is known of the next \
             machine with the library and without it. Many are known in combination only: what an answer gains \
             stands in its notices.",
        );
    }
    if let Some((mean, sd)) = view.closed_v {
        let _ = writeln!(
            out,
            "  closed sensor over the profile: {mean:+.3} V, next machine +-{sd:.3} V"
        );
    }
    if !view.sweep.is_empty() {
        let head = ["reference sweep", "deg over stop", "mm2", "+-", "machines"];
        let rows = view.sweep.iter().map(|p| {
            vec![
                p.body.clone(),
                fixed(p.over_stop_deg, 1),
                fixed(p.area_mm2, 2),
                fixed(p.next_sd_mm2, 2),
                p.machines.to_string(),
            ]
        });
        out += &table(&head.map(str::to_owned), rows.collect());
    }
    out + &list_text(&view.jobs)
}

//! `evenpull serve`.

use std::io::{self, Write};
use std::path::{Path, PathBuf};
use std::sync::Arc;

use evenpull_app::{Access, BenchStart, Records, default_data_folder, system_clock};
use evenpull_web::{Announcement, Server, Web, WebConfig, exercise, terminal_qr};

use crate::args::ServeArgs;
use crate::assess_command::now;
use crate::document_command::calendar;
use crate::exit::Exit;
use crate::run::CommandError;

/// Engine of the first exercise.
const PROFILE: &str = "heron-270";

pub(crate) fn run(args: &ServeArgs) -> Result<Exit, CommandError> {
    // Any number does: it draws the first exercise.
    let seed = jiff::Timestamp::now().as_microsecond().unsigned_abs();
    let folder = args.data.clone().or_else(default_data_folder);
    let folder = folder.ok_or_else(|| {
        CommandError::Usage(
            "the system names no place for data; give a folder with `--data`".into(),
        )
    })?;
    serve(&Offer {
        port: args.port,
        lan: args.lan,
        ports: args.serial.clone(),
        folder: &folder,
        bench: exercise(PROFILE, seed)?,
    })
}

/// What is served, and where.
pub(crate) struct Offer<'a> {
    pub(crate) port: u16,
    pub(crate) lan: bool,
    /// Serial ports that boards are looked for on; empty looks at all of them.
    pub(crate) ports: Vec<PathBuf>,
    /// Folder of the records.
    pub(crate) folder: &'a Path,
    /// Engine of the first exercise.
    pub(crate) bench: BenchStart,
}

/// Serves until the process is told to end; the bench starts with the engine given.
pub(crate) fn serve(offer: &Offer<'_>) -> Result<Exit, CommandError> {
    let server = Server::bind(offer.port, offer.lan)?;
    let holder = "evenpull serve";
    let opening = Records::open(offer.folder, Access::Write, holder, system_clock());
    let records = server.block_on(opening)?;
    for notice in records.notices() {
        drop(writeln!(io::stderr().lock(), "evenpull: {}", notice.text));
    }
    // Held until the end: dropping it removes the folder.
    let work = tempfile::tempdir()?;
    let web = Web::new(WebConfig {
        hosts: server.hosts().to_vec(),
        address: server.address().to_owned(),
        clock: system_clock(),
        ports: offer.ports.clone(),
        bench: offer.bench.clone(),
        records: Some(records),
        when: Arc::new(when),
        calendar: calendar(),
        work: work.path().to_owned(),
        now: Arc::new(now),
        announce: Arc::new(|what| tell(&what)),
    });
    server.block_on(web.remember())?;
    invite(&web, offer.lan)?;
    server.run(web)?;
    Ok(Exit::Fine)
}

/// A moment [ms since 1970 UTC] in the time of this place.
fn when(ms: i64) -> String {
    let Ok(at) = jiff::Timestamp::from_millisecond(ms) else {
        return String::new();
    };
    let here = at.to_zoned(jiff::tz::TimeZone::system());
    here.strftime("%Y-%m-%d %H:%M").to_string()
}

/// Prints how the first device is paired: the address to standard output, so that a script can
/// take it, the rest to standard error.
fn invite(web: &Web, lan: bool) -> Result<(), CommandError> {
    let address = web.pairing_address();
    let mut stderr = io::stderr().lock();
    if lan && let Some(picture) = terminal_qr(&address) {
        writeln!(stderr, "{picture}")?;
    }
    writeln!(
        stderr,
        "open this address on the device that shall be used{}, or type the code {} there; \
         Ctrl-C ends the server",
        if lan {
            " (or point its camera at the picture)"
        } else {
            ""
        },
        web.pairing_code()
    )?;
    drop(stderr);
    let mut stdout = io::stdout().lock();
    writeln!(stdout, "{address}")?;
    stdout.flush()?;
    Ok(())
}

/// Tells at the terminal what the server has to say. A closed terminal leaves nobody to tell.
fn tell(what: &Announcement) {
    let text = match what {
        Announcement::Code(code) => format!("code for the next device: {code}"),
        Announcement::Paired => "a device was paired".to_owned(),
        Announcement::Locked { seconds } => format!(
            "the code was tried too often and thrown away; the next try is heard in {seconds} s"
        ),
        Announcement::Fault { number, text } => {
            format!("program fault #{number}, please report it: {text}")
        }
        Announcement::Trouble(text) => text.clone(),
        _ => return,
    };
    drop(writeln!(io::stderr().lock(), "evenpull: {text}"));
}

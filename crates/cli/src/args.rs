//! What the command line takes.

use std::path::PathBuf;

use clap::{Args, CommandFactory, Parser, Subcommand, ValueEnum};
use evenpull_app::{Condition, Fault, GAUGE_UNITS, Paper, Pinch, PressureUnit, parse_decimal};

use crate::records_args::{
    BackupArgs, CheckArgs, DataArg, ExportArgs, ImportArgs, RecordsArgs, RestoreArgs, SalvageArgs,
};
use crate::years_command::{HistoryArgs, LibraryArgs};

/// Reads how evenly the cylinders of an engine breathe, finds what was disturbed or is worn, and
/// says what to turn and what to leave sealed.
#[derive(Debug, Parser)]
#[command(name = "evenpull", version, max_term_width = 100)]
#[command(
    after_help = "Exit codes: 0 answered, 1 answered with a refusal or \"undetermined\", \
                        2 bad input, 3 program fault."
)]
pub struct Cli {
    /// What to do.
    #[command(subcommand)]
    pub(crate) command: Command,
}

/// The commands.
#[derive(Debug, Subcommand)]
pub(crate) enum Command {
    /// Show an invented job from end to end, try the advice, then open the bench with that engine.
    Demo(DemoArgs),
    /// Assess a job: causes with their evidence, what to turn, what to leave sealed.
    Assess(AssessArgs),
    /// Write the handover of a job: what was asked, found, done and declined, before and after, seals,
    /// next check.
    Handover(DocumentArgs),
    /// Write the inspection of a used machine: seals, measured state, wear, what could not be checked.
    Inspection(DocumentArgs),
    /// Write the estimate: the shop's lines at its own rate, repair against replacement.
    Estimate(EstimateArgs),
    /// Write the job card to fill in by hand.
    JobCard(DocumentArgs),
    /// Write the page for owners: why sealed parts stay sealed, in this engine's figures.
    WhySealed(DocumentArgs),
    /// Read one recording: speed, depression, through-area and drawn air of each cylinder.
    Read(ReadArgs),
    /// Listen to sensors while the engine runs: a board on a serial port or the network, a recording
    /// played again, the practice engine. Readings are accepted once they are steady.
    Listen(ListenArgs),
    /// Make a job with the practice engine: recordings of an engine with known faults.
    Practice(PracticeArgs),
    /// Serve the pages of the shop: to this machine alone, or to its network.
    Serve(ServeArgs),
    /// Engine profiles: check a file, list the embedded ones, show one.
    #[command(subcommand)]
    Profile(ProfileCommand),
    /// Records of the workshop: machines, owners, jobs, readings, and what was found and done.
    Records(RecordsArgs),
    /// The years of a machine: wear with a forecast, and what was changed between visits.
    History(HistoryArgs),
    /// The shop's library: what its healthy machines of one profile have in common.
    Library(LibraryArgs),
    /// Write a stored job as a folder or archive that stands by itself.
    Export(ExportArgs),
    /// Take a job into the records, from a folder or an archive.
    Import(ImportArgs),
    /// Write all records into one file, while work goes on, and read it again.
    Backup(BackupArgs),
    /// Put the records of a backup into a data folder.
    Restore(RestoreArgs),
    /// Read all records and compare them with what was stored.
    Check(CheckArgs),
    /// Take over what can be read of damaged records into a new data folder.
    Salvage(SalvageArgs),
}

/// Arguments of `demo`.
#[derive(Debug, Args)]
pub(crate) struct DemoArgs {
    /// Folder to keep the invented job and its page in; without it nothing is kept.
    #[arg(long, value_name = "DIR")]
    pub(crate) out: Option<PathBuf>,
    /// End after the job instead of opening the bench with the practice engine; always so when
    /// standard output is no terminal.
    #[arg(long)]
    pub(crate) once: bool,
}

/// Arguments of `assess`.
#[derive(Debug, Args)]
pub(crate) struct AssessArgs {
    /// Job: a folder with `job.toml`, that file, or the number of a stored job.
    pub(crate) job: PathBuf,
    /// Job of a healthy machine of the same kind, named like the job; its sweep tells what castings of
    /// this kind are like. May be given more than once.
    #[arg(long, value_name = "JOB")]
    pub(crate) reference: Vec<PathBuf>,
    #[command(flatten)]
    pub(crate) data: DataArg,
    /// Print the answer as `evenpull.assess/1`.
    #[arg(long)]
    pub(crate) json: bool,
    /// Folder to write `assessment.html` and `assessment.json` into; made if it does not exist.
    #[arg(long, value_name = "DIR")]
    pub(crate) out: Option<PathBuf>,
}

/// Arguments of `handover` and the other documents.
#[derive(Debug, Args)]
pub(crate) struct DocumentArgs {
    /// Job: a folder with `job.toml`, that file, or the number of a stored job.
    pub(crate) job: PathBuf,
    /// File to write, `.pdf` or `.html`.
    #[arg(long, value_name = "FILE")]
    pub(crate) to: PathBuf,
    /// Sheet.
    #[arg(long, default_value = "a4")]
    pub(crate) paper: PaperArg,
    /// Unit of pressure: kPa, mbar, hPa, mmHg, cmHg, inHg, inH2O, psi; else as the shop has set it for
    /// a stored job, kPa for a folder.
    #[arg(long, value_name = "UNIT", value_parser = gauge_unit)]
    pub(crate) unit: Option<PressureUnit>,
    /// Decimal sign; else as the shop has set it for a stored job, the point for a folder.
    #[arg(long, value_name = "SIGN")]
    pub(crate) decimal: Option<DecimalArg>,
    #[command(flatten)]
    pub(crate) data: DataArg,
}

/// Decimal signs, as words of the command line.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(crate) enum DecimalArg {
    /// 1.5
    Point,
    /// 1,5
    Comma,
}

/// A unit that gauges show.
fn gauge_unit(word: &str) -> Result<PressureUnit, String> {
    let known = || GAUGE_UNITS.map(PressureUnit::name).join(", ");
    word.parse()
        .ok()
        .filter(|unit| GAUGE_UNITS.contains(unit))
        .ok_or_else(|| format!("use one of {}", known()))
}

/// Arguments of `estimate`.
#[derive(Debug, Args)]
pub(crate) struct EstimateArgs {
    #[command(flatten)]
    pub(crate) document: DocumentArgs,
    /// File with the shop's rate and the lines of this estimate (`evenpull.rates/1`).
    ///
    /// Lines with `way = "repair"` and lines with `way = "replacement"` are summed apart and
    /// compared. Without the file the amounts stay blank, to be filled in by hand; what is said of the
    /// wear and how long a part will last is the same.
    #[arg(long, value_name = "FILE")]
    pub(crate) rates: Option<PathBuf>,
}

/// Sheets, as words of the command line.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(crate) enum PaperArg {
    /// 210 mm x 297 mm.
    A4,
    /// 8.5 in x 11 in.
    Letter,
}

impl From<PaperArg> for Paper {
    fn from(arg: PaperArg) -> Self {
        match arg {
            PaperArg::A4 => Self::A4,
            PaperArg::Letter => Self::Letter,
        }
    }
}

/// Arguments of `read`.
#[derive(Debug, Args)]
pub(crate) struct ReadArgs {
    /// Recording, or `-` for standard input.
    pub(crate) recording: PathBuf,
    /// Engine profile: path of a file, or name of an embedded profile.
    #[arg(long)]
    pub(crate) profile: String,
    /// File with a `[layout]` section as in a job; without it the layout is found.
    #[arg(long)]
    pub(crate) layout: Option<PathBuf>,
    /// Print the answer as `evenpull.read/1`.
    #[arg(long)]
    pub(crate) json: bool,
    /// What the engine did; it chooses between the refill exponents of the profile.
    #[arg(long)]
    pub(crate) condition: Option<ConditionArg>,
    /// Air, sensors and hoses.
    #[command(flatten)]
    pub(crate) air: AirArgs,
    /// The hoses were swapped for this recording: on a twin side to side, on more bodies each on to the next one, the
    /// last to the first.
    #[arg(long)]
    pub(crate) swapped: bool,
}

/// Air, sensors and hoses of a reading.
#[derive(Debug, Args)]
pub(crate) struct AirArgs {
    /// Ambient absolute pressure [kPa].
    #[arg(long, value_name = "KPA", value_parser = ambient_kpa)]
    pub(crate) ambient_kpa: Option<f64>,
    /// Ambient temperature [C].
    #[arg(long, value_name = "C", value_parser = ambient_c, allow_negative_numbers = true)]
    pub(crate) ambient_c: Option<f64>,
    /// What each sensor read with the engine off [kPa], such as `left=99.3;right=99.8`.
    #[arg(long, value_name = "BODY=KPA", value_delimiter = ';', value_parser = key_off)]
    pub(crate) key_off: Vec<(String, f64)>,
    /// Hose between stub and sensor: length [m], bore [mm], dead volume [cc], such as
    /// `0.25x4x0.6`.
    #[arg(long, value_name = "M x MM x CC", value_parser = hose)]
    pub(crate) hose: Option<HoseArg>,
    /// What was pinched shut.
    #[arg(long, value_delimiter = ',')]
    pub(crate) pinched: Vec<PinchArg>,
}

/// Arguments of `listen`.
#[derive(Debug, Args)]
pub(crate) struct ListenArgs {
    /// Engine profile: path of a file, or name of an embedded profile.
    #[arg(long)]
    pub(crate) profile: String,
    /// Serial port of the board; may stand several times. None looks at every port.
    #[arg(long, value_name = "PORT", conflicts_with_all = ["network", "replay", "practice"])]
    pub(crate) serial: Vec<PathBuf>,
    /// Board on the network.
    #[arg(long, value_name = "ADDRESS:PORT", conflicts_with_all = ["replay", "practice"])]
    pub(crate) network: Option<String>,
    /// Recording to play at the speed it was taken.
    #[arg(long, value_name = "RECORDING", conflicts_with = "practice")]
    pub(crate) replay: Option<PathBuf>,
    /// The practice engine, with faults by their cause codes or none.
    #[arg(long, value_name = "CODE", num_args = 0..)]
    pub(crate) practice: Option<Vec<Fault>>,
    /// Seed of what the practice engine leaves to chance.
    #[arg(long, default_value_t = 1)]
    pub(crate) seed: u64,
    /// What is read; it sets the band of the speed.
    #[arg(long, default_value = "idle")]
    pub(crate) condition: ConditionArg,
    /// Air, sensors and hoses.
    #[command(flatten)]
    pub(crate) air: AirArgs,
    /// End after so many accepted readings.
    #[arg(long, default_value_t = 1)]
    pub(crate) readings: usize,
    /// End after so many seconds, whatever was accepted.
    #[arg(long, value_name = "S", default_value_t = 600.0)]
    pub(crate) seconds: f64,
    /// Print the accepted readings as a list of `evenpull.read/1`.
    #[arg(long)]
    pub(crate) json: bool,
    /// Folder to write the accepted recordings into; made if it does not exist.
    #[arg(long, value_name = "DIR")]
    pub(crate) out: Option<PathBuf>,
}

/// Arguments of `practice`.
#[derive(Debug, Args)]
pub(crate) struct PracticeArgs {
    /// Fault by its cause code, `code` or `code:body`; may stand several times. None: healthy.
    #[arg(long, value_name = "CODE")]
    pub(crate) fault: Vec<Fault>,
    /// Folder to write the job into; made if it does not exist.
    #[arg(long, value_name = "DIR")]
    pub(crate) out: PathBuf,
    /// Engine profile: path of a file, or name of an embedded profile.
    #[arg(long, default_value = "heron-270")]
    pub(crate) profile: String,
    /// Seed of what is left to chance.
    #[arg(long, default_value_t = 1)]
    pub(crate) seed: u64,
}

/// Arguments of `serve`.
#[derive(Debug, Args)]
pub(crate) struct ServeArgs {
    /// Folder of the records; made if it does not exist.
    #[arg(long, value_name = "DIR")]
    pub(crate) data: Option<PathBuf>,
    /// Serve to the network of the shop as well, to paired devices; shows a picture to point a
    /// phone at.
    #[arg(long)]
    pub(crate) lan: bool,
    /// Look for boards on this serial port; may stand several times. Without: on all of them.
    #[arg(long, value_name = "PORT")]
    pub(crate) serial: Vec<PathBuf>,
    /// Port; 0 takes a free one.
    #[arg(long, default_value_t = 8087)]
    pub(crate) port: u16,
}

/// What to do with profiles.
#[derive(Debug, Subcommand)]
pub(crate) enum ProfileCommand {
    /// Read a profile and report every problem in it.
    Check {
        /// Path of a profile file, or name of an embedded profile.
        profile: String,
    },
    /// List the embedded profiles.
    List,
    /// Print the text of a profile, to start an own one from.
    Show {
        /// Name of an embedded profile, or path of a profile file.
        profile: String,
    },
}

/// Conditions as words of the command line.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(crate) enum ConditionArg {
    /// Idling, bleeds as they stand.
    Idle,
    /// Idling, every bleed shut.
    IdleBleedsShut,
    /// Steady between idle and hold.
    Sweep,
    /// Steady in the hold band.
    Hold,
}

impl From<ConditionArg> for Condition {
    fn from(arg: ConditionArg) -> Self {
        match arg {
            ConditionArg::Idle => Self::Idle,
            ConditionArg::IdleBleedsShut => Self::IdleBleedsShut,
            ConditionArg::Sweep => Self::Sweep,
            ConditionArg::Hold => Self::Hold,
        }
    }
}

/// What can be pinched, as words of the command line.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(crate) enum PinchArg {
    /// The hoses of the idle valve.
    #[value(name = "idle_valve")]
    IdleValve,
    /// The balance pipe.
    #[value(name = "balance_pipe")]
    BalancePipe,
}

impl From<PinchArg> for Pinch {
    fn from(arg: PinchArg) -> Self {
        match arg {
            PinchArg::IdleValve => Self::IdleValve,
            PinchArg::BalancePipe => Self::BalancePipe,
        }
    }
}

/// A hose as typed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct HoseArg {
    pub(crate) length_m: f64,
    pub(crate) bore_mm: f64,
    pub(crate) dead_volume_cc: f64,
}

/// The command line as clap sees it, for documents made from it.
pub fn command() -> clap::Command {
    Cli::command()
}

/// A number in a range, with decimal point or comma.
fn ranged(text: &str, min: f64, max: f64, unit: &str) -> Result<f64, String> {
    let v = parse_decimal(text).map_err(|e| e.to_string())?;
    if v < min || v > max {
        return Err(format!(
            "{v} {unit} is outside {min} to {max} {unit}; check the unit and the point"
        ));
    }
    Ok(v)
}

fn ambient_kpa(text: &str) -> Result<f64, String> {
    ranged(text, 50.0, 115.0, "kPa")
}

fn ambient_c(text: &str) -> Result<f64, String> {
    ranged(text, -40.0, 60.0, "C")
}

fn key_off(text: &str) -> Result<(String, f64), String> {
    let (body, value) = text
        .split_once('=')
        .ok_or_else(|| "write BODY=KPA, such as `left=99.3`".to_owned())?;
    Ok((body.trim().to_owned(), ranged(value, 40.0, 130.0, "kPa")?))
}

pub(crate) fn hose(text: &str) -> Result<HoseArg, String> {
    let parts: Vec<&str> = text.split('x').collect();
    let [length, bore, dead] = parts.as_slice() else {
        return Err("write length [m] x bore [mm] x dead volume [cc], such as `0.25x4x0.6`".into());
    };
    Ok(HoseArg {
        length_m: ranged(length, 0.01, 5.0, "m")?,
        bore_mm: ranged(bore, 0.5, 15.0, "mm")?,
        dead_volume_cc: ranged(dead, 0.0, 100.0, "cc")?,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn hoses_and_zeros_are_typed_with_point_or_comma() {
        let h = hose("0,25x4x0.6").unwrap();
        assert_eq!((h.length_m, h.bore_mm, h.dead_volume_cc), (0.25, 4.0, 0.6));
        assert!(hose("0.25x4").unwrap_err().contains("such as"));
        assert!(
            hose("25x4x0.6")
                .unwrap_err()
                .contains("outside 0.01 to 5 m")
        );
        assert_eq!(key_off("left=99,3").unwrap(), ("left".to_owned(), 99.3));
        assert!(key_off("left").unwrap_err().contains("BODY=KPA"));
        assert!(
            ambient_kpa("1013")
                .unwrap_err()
                .contains("outside 50 to 115 kPa")
        );
    }
}

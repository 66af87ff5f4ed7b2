//! What the commands of the records take.

use std::path::PathBuf;

use clap::{Args, Subcommand};

use crate::args::{ConditionArg, PinchArg};

/// Where the records lie.
#[derive(Debug, Args)]
pub(crate) struct DataArg {
    /// Data folder of the records; else `EVENPULL_DATA`, else the user's place for programs' data.
    #[arg(long, value_name = "DIR", global = true)]
    pub(crate) data: Option<PathBuf>,
}

/// Arguments of `records`.
#[derive(Debug, Args)]
pub(crate) struct RecordsArgs {
    #[command(subcommand)]
    pub(crate) command: RecordsCommand,
    #[command(flatten)]
    pub(crate) data: DataArg,
}

/// What to do with the records.
#[derive(Debug, Subcommand)]
pub(crate) enum RecordsCommand {
    /// List the machines.
    Machines {
        /// Only those whose name or registration holds this.
        word: Option<String>,
    },
    /// Enter a machine.
    AddMachine {
        /// Name in the shop's words.
        name: String,
        /// Engine profile: path of a file, or name of an embedded profile.
        #[arg(long)]
        profile: String,
        /// Registration; deleted with the owner.
        #[arg(long, default_value = "")]
        registration: String,
        /// Number of the owner.
        #[arg(long)]
        owner: Option<i64>,
    },
    /// Correct the name or registration of a machine; what stood there stays on record.
    CorrectMachine {
        /// Number.
        machine: i64,
        /// Name in the shop's words.
        #[arg(long)]
        name: Option<String>,
        /// Registration; deleted with the owner.
        #[arg(long)]
        registration: Option<String>,
    },
    /// List the owners, the one whose retention date comes first at the head.
    Owners,
    /// Enter an owner, apart from everything technical.
    AddOwner {
        /// Name.
        name: String,
        /// Last day the data may be kept, YYYY-MM-DD.
        #[arg(long, value_name = "DATE")]
        retain_until: String,
        /// Telephone, post or mail.
        #[arg(long, default_value = "")]
        contact: String,
        /// Consent to photos and road test, and the like.
        #[arg(long, default_value = "")]
        note: String,
    },
    /// Correct an owner; what stood there stays on record as long as the owner does.
    CorrectOwner {
        /// Number.
        owner: i64,
        /// Name.
        #[arg(long)]
        name: Option<String>,
        /// Last day the data may be kept, YYYY-MM-DD.
        #[arg(long, value_name = "DATE")]
        retain_until: Option<String>,
        /// Telephone, post or mail.
        #[arg(long)]
        contact: Option<String>,
        /// Consent to photos and road test, and the like.
        #[arg(long)]
        note: Option<String>,
    },
    /// Delete an owner; everything technical stays. Backups made before still hold the owner.
    DeleteOwner {
        /// Number.
        owner: i64,
    },
    /// Note that a machine was sold: another owner from a day on. Jobs before stay with the owner before.
    SellMachine {
        /// Number of the machine.
        machine: i64,
        /// First day of the next owner, YYYY-MM-DD.
        #[arg(long, value_name = "DATE")]
        on: String,
        /// Number of the next owner, if known.
        #[arg(long)]
        owner: Option<i64>,
        /// Registration from then on; deleted with the next owner.
        #[arg(long, default_value = "")]
        registration: String,
    },
    /// List the sales of a machine, each with the owner before it.
    Sales {
        /// Number of the machine.
        machine: i64,
    },
    /// List the jobs, the latest first.
    Jobs {
        /// Only those whose machine or complaint holds this.
        word: Option<String>,
        /// Only those of one machine.
        #[arg(long)]
        machine: Option<i64>,
        /// Only those that are not closed.
        #[arg(long)]
        open: bool,
        /// Only numbers below this, for the next page.
        #[arg(long, value_name = "JOB")]
        before: Option<i64>,
        /// At most so many.
        #[arg(long, default_value_t = 50)]
        limit: u32,
    },
    /// Book a job in.
    AddJob(AddJobArgs),
    /// Correct the booking of a job; what stood there stays on record.
    CorrectJob(CorrectJobArgs),
    /// Show everything on record about a job.
    Show {
        /// Number.
        job: i64,
        /// Print it as JSON, `evenpull.job-record/1`.
        #[arg(long)]
        json: bool,
    },
    /// Enter a reading: gauges, a recording, or both.
    AddReading(AddReadingArgs),
    /// Take a reading out of account; it stays on record with the reason.
    WithdrawReading {
        /// Number of the reading.
        reading: i64,
        /// Why it does not count.
        #[arg(long)]
        reason: String,
    },
    /// Note a check: a key of `[checks]` in a job file and its value.
    NoteCheck {
        /// Number of the job.
        job: i64,
        /// Key, such as `cable_slack`.
        name: String,
        /// Value, as in the job file, such as `true` or `{ left = 0.02, right = 0.05 }`.
        value: String,
    },
    /// Note a seal: intact, disturbed, or cannot see.
    NoteSeal {
        /// Number of the job.
        job: i64,
        /// Sealed part, such as `stop.left`.
        part: String,
        /// State.
        #[arg(value_parser = ["intact", "disturbed", "cannot see"])]
        state: String,
        /// As fitted by the shop; else as found.
        #[arg(long)]
        fitted: bool,
    },
    /// Note a turn of an adjuster, positive for more opening or area.
    NoteTurn {
        /// Number of the job.
        job: i64,
        /// Adjuster, such as `bleed.left`.
        adjuster: String,
        /// Turns.
        #[arg(allow_negative_numbers = true, value_parser = decimal)]
        turns: f64,
        /// Really so many turns, where the program asked.
        #[arg(long)]
        sure: bool,
    },
    /// Take back a turn that was noted by mistake; it stays on record.
    WithdrawTurn {
        /// Number of the turn.
        turn: i64,
    },
    /// Write down why a sealed part must be turned; it is then allowed in the baseline stage.
    Override {
        /// Number of the job.
        job: i64,
        /// Sealed part.
        adjuster: String,
        /// Reason, at least four words.
        #[arg(long)]
        reason: String,
    },
    /// Note a step of the order of work as done.
    NoteStep {
        /// Number of the job.
        job: i64,
        /// Step, such as `warm-up`; a wrong one lists them.
        step: String,
        /// Not done, or undone.
        #[arg(long)]
        undone: bool,
        /// Remark.
        #[arg(long, default_value = "")]
        note: String,
    },
    /// Put a job into a stage; a wrong one lists them.
    SetStage {
        /// Number of the job.
        job: i64,
        /// Stage, such as `tune`.
        stage: String,
    },
    /// Write down what was asked, found, done, declined or not checked, for the documents.
    NoteRemark {
        /// Number of the job.
        job: i64,
        /// `asked`, `found`, `done`, `declined`, `not-checked` or `next-check`.
        #[arg(long)]
        topic: String,
        /// The text.
        text: String,
    },
    /// Leave a remark out of the documents to come; it stays on record.
    WithdrawRemark {
        /// Number of the remark.
        remark: i64,
    },
    /// Close a job.
    Close {
        /// Number of the job.
        job: i64,
        /// Open it again.
        #[arg(long)]
        reopen: bool,
    },
    /// Keep a photo, cleaned of place, time and device.
    AddPhoto {
        /// Number of the job.
        job: i64,
        /// Picture (JPEG, PNG or WebP).
        file: PathBuf,
        /// What it shows.
        #[arg(long, default_value = "")]
        caption: String,
    },
}

/// What is read off when a machine comes in.
#[derive(Debug, Args)]
pub(crate) struct BookedReadings {
    /// Odometer [km].
    #[arg(long, value_name = "KM")]
    pub(crate) odometer_km: Option<i64>,
    /// Barometer at the bench [kPa].
    #[arg(long, value_name = "KPA", value_parser = decimal)]
    pub(crate) ambient_kpa: Option<f64>,
    /// Temperature at the bench [C].
    #[arg(long, value_name = "C", value_parser = decimal, allow_negative_numbers = true)]
    pub(crate) ambient_c: Option<f64>,
    /// Really so low an odometer, where the program asked.
    #[arg(long)]
    pub(crate) sure: bool,
}

/// Arguments of `records add-job`.
#[derive(Debug, Args)]
pub(crate) struct AddJobArgs {
    /// Number of the machine.
    pub(crate) machine: i64,
    /// What the owner complains about.
    #[arg(long, default_value = "")]
    pub(crate) complaint: String,
    #[command(flatten)]
    pub(crate) read: BookedReadings,
    /// File with the `[layout]` of the recordings to come.
    #[arg(long, value_name = "FILE")]
    pub(crate) layout: Option<PathBuf>,
}

/// Arguments of `records correct-job`; what is left out stays as it is.
#[derive(Debug, Args)]
pub(crate) struct CorrectJobArgs {
    /// Number of the job.
    pub(crate) job: i64,
    /// What the owner complains about.
    #[arg(long)]
    pub(crate) complaint: Option<String>,
    #[command(flatten)]
    pub(crate) read: BookedReadings,
}

/// Arguments of `records add-reading`.
#[derive(Debug, Args)]
pub(crate) struct AddReadingArgs {
    /// Number of the job.
    pub(crate) job: i64,
    /// What the engine did.
    #[arg(long)]
    pub(crate) condition: ConditionArg,
    /// Depression of each body, such as `left=34,5;right=35`.
    #[arg(long, value_name = "BODY=VALUE", value_delimiter = ';', value_parser = named)]
    pub(crate) gauge: Vec<(String, f64)>,
    /// Unit of the gauges.
    #[arg(long, default_value = "kPa")]
    pub(crate) unit: String,
    /// Recording.
    #[arg(long, value_name = "FILE")]
    pub(crate) recording: Option<PathBuf>,
    /// Engine speed as shown [1/min].
    #[arg(long, value_parser = decimal)]
    pub(crate) rpm: Option<f64>,
    /// Raw throttle-sensor volts [V].
    #[arg(long, value_name = "V", value_parser = decimal)]
    pub(crate) sensor_v: Option<f64>,
    /// Opening the ECU shows [deg above closed].
    #[arg(long, value_name = "DEG", value_parser = decimal, allow_negative_numbers = true)]
    pub(crate) ecu_opening_deg: Option<f64>,
    /// Idle valve [steps].
    #[arg(long, value_name = "STEPS", value_parser = decimal)]
    pub(crate) idle_valve_steps: Option<f64>,
    /// Engine temperature [C].
    #[arg(long, value_name = "C", value_parser = decimal, allow_negative_numbers = true)]
    pub(crate) engine_c: Option<f64>,
    /// Turns of each bleed from its seat, such as `left=0,5;right=0,5`.
    #[arg(long, value_name = "BODY=TURNS", value_delimiter = ';', value_parser = named)]
    pub(crate) bleed_turns: Vec<(String, f64)>,
    /// Hose between stub and sensor: length [m], bore [mm], dead volume [cc], such as `0.25x4x0.6`.
    #[arg(long, value_name = "M x MM x CC", value_parser = crate::args::hose)]
    pub(crate) hose: Option<crate::args::HoseArg>,
    /// Hoses or gauges were swapped: on a twin side to side, on more bodies each on to the next one, the last to the first.
    #[arg(long)]
    pub(crate) swapped: bool,
    /// What was pinched shut.
    #[arg(long, value_delimiter = ',')]
    pub(crate) pinched: Vec<PinchArg>,
    /// What was repaired or replaced before it.
    #[arg(long, value_name = "WORDS")]
    pub(crate) repaired: Option<String>,
}

/// Arguments of `export`.
#[derive(Debug, Args)]
pub(crate) struct ExportArgs {
    /// Number of the job.
    pub(crate) job: i64,
    /// New folder, or a file that ends in `.zip`.
    #[arg(long, value_name = "PATH")]
    pub(crate) to: PathBuf,
    /// With name, contact and registration; without this they stay out.
    #[arg(long)]
    pub(crate) with_owner: bool,
    #[command(flatten)]
    pub(crate) data: DataArg,
}

/// Arguments of `import`.
#[derive(Debug, Args)]
pub(crate) struct ImportArgs {
    /// Job: a folder with `job.toml`, or a `.zip` of one.
    pub(crate) from: PathBuf,
    /// Number of the machine it belongs to; without it a new one is entered.
    #[arg(long)]
    pub(crate) machine: Option<i64>,
    #[command(flatten)]
    pub(crate) data: DataArg,
}

/// Arguments of `backup`.
#[derive(Debug, Args)]
pub(crate) struct BackupArgs {
    /// File to write; it must not exist.
    pub(crate) to: PathBuf,
    #[command(flatten)]
    pub(crate) data: DataArg,
}

/// Arguments of `restore`.
#[derive(Debug, Args)]
pub(crate) struct RestoreArgs {
    /// Backup.
    pub(crate) from: PathBuf,
    /// Replace records that are there; they are kept aside in the same folder.
    #[arg(long)]
    pub(crate) overwrite: bool,
    #[command(flatten)]
    pub(crate) data: DataArg,
}

/// Arguments of `check`.
#[derive(Debug, Args)]
pub(crate) struct CheckArgs {
    /// Print the report as JSON, `evenpull.check/1`.
    #[arg(long)]
    pub(crate) json: bool,
    #[command(flatten)]
    pub(crate) data: DataArg,
}

/// Arguments of `salvage`.
#[derive(Debug, Args)]
pub(crate) struct SalvageArgs {
    /// New data folder for what can be read.
    pub(crate) to: PathBuf,
    #[command(flatten)]
    pub(crate) data: DataArg,
}

fn decimal(text: &str) -> Result<f64, String> {
    evenpull_app::parse_decimal(text).map_err(|e| e.to_string())
}

fn named(text: &str) -> Result<(String, f64), String> {
    let (body, value) = text
        .split_once('=')
        .ok_or_else(|| "write BODY=VALUE, such as `left=34.5`".to_owned())?;
    Ok((body.trim().to_owned(), decimal(value)?))
}

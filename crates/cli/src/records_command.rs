//! `evenpull records`.

use std::io::{self, Write};
use std::path::{Path, PathBuf};

use evenpull_app::{
    Access, AppError, Booking, Buyer, Fragment, GaugeEntry, HoseData, JobFilter, MachineBooking,
    NewJob, NewMachine, NewOwner, NewPhoto, ReadingEntry, RecordingEntry, Records, RemarkTopic,
    Sale, SealMoment, SealState, Stage, Step, block_on, day, default_data_folder, load_profile,
    system_clock,
};

use crate::document_command::calendar;
use crate::exit::Exit;
use crate::records_args::{
    AddJobArgs, AddReadingArgs, BookedReadings, DataArg, RecordsArgs, RecordsCommand,
};
use crate::records_text::{job_lines, job_text, machine_lines, owner_lines, sale_lines};
use crate::run::CommandError;

pub(crate) fn run(args: &RecordsArgs) -> Result<Exit, CommandError> {
    let access = if looks_only(&args.command) {
        Access::Read
    } else {
        Access::Write
    };
    let text = with_records(&args.data, access, async |records| {
        if access == Access::Read {
            look(records, &args.command).await
        } else {
            enter(records, &args.command).await
        }
    })?;
    io::stdout().lock().write_all(text.as_bytes())?;
    Ok(Exit::Fine)
}

/// The data folder: as given, else where records lie by default.
pub(crate) fn data_folder(data: &DataArg) -> Result<PathBuf, CommandError> {
    data.data
        .clone()
        .or_else(default_data_folder)
        .ok_or_else(|| {
            CommandError::Usage(
                "no place for the records is known: name one with `--data`".to_owned(),
            )
        })
}

/// Opens the records, tells what opening found, and closes them in good order whatever happens.
pub(crate) fn with_records<T>(
    data: &DataArg,
    access: Access,
    work: impl AsyncFnOnce(&Records) -> Result<T, AppError>,
) -> Result<T, CommandError> {
    let folder = data_folder(data)?;
    let done = block_on(async {
        let records = Records::open(&folder, access, "`evenpull`", system_clock()).await?;
        for notice in records.notices() {
            // A closed standard error leaves nobody to tell.
            drop(writeln!(io::stderr(), "note: {}", notice.text));
        }
        let done = work(&records).await;
        records.close().await;
        done
    })?;
    Ok(done)
}

fn looks_only(command: &RecordsCommand) -> bool {
    matches!(
        command,
        RecordsCommand::Machines { .. }
            | RecordsCommand::Owners
            | RecordsCommand::Sales { .. }
            | RecordsCommand::Jobs { .. }
            | RecordsCommand::Show { .. }
    )
}

async fn look(records: &Records, command: &RecordsCommand) -> Result<String, AppError> {
    match command {
        RecordsCommand::Machines { word } => {
            let word = word.as_deref().unwrap_or_default();
            Ok(machine_lines(&records.machines(word, i64::MAX, 500).await?))
        }
        RecordsCommand::Owners => Ok(owner_lines(&records.owners().await?)),
        RecordsCommand::Sales { machine } => {
            records.machine(*machine).await?;
            Ok(sale_lines(&records.sales(*machine).await?))
        }
        RecordsCommand::Jobs {
            word,
            machine,
            open,
            before,
            limit,
        } => {
            let filter = JobFilter {
                text: word.clone().unwrap_or_default(),
                machine_id: *machine,
                open_only: *open,
                before: before.unwrap_or(i64::MAX),
                limit: *limit,
            };
            Ok(job_lines(&records.jobs(&filter).await?))
        }
        RecordsCommand::Show { job, json } => {
            let record = records.job(*job).await?;
            if !json {
                return Ok(job_text(&record));
            }
            let mut value =
                serde_json::to_value(&record).map_err(|e| AppError::Json(e.to_string()))?;
            value["format"] = "evenpull.job-record/1".into();
            Ok(format!("{value:#}\n"))
        }
        // Every other command writes.
        _ => Ok(String::new()),
    }
}

async fn enter(records: &Records, command: &RecordsCommand) -> Result<String, AppError> {
    match command {
        RecordsCommand::AddMachine {
            name,
            profile,
            registration,
            owner,
        } => {
            let new = NewMachine {
                name: name.clone(),
                registration: registration.clone(),
                profile_toml: load_profile(profile)?.text,
                owner_id: *owner,
            };
            Ok(kept("machine", records.add_machine(&new).await?))
        }
        RecordsCommand::AddOwner {
            name,
            retain_until,
            contact,
            note,
        } => {
            let new = NewOwner {
                name: name.clone(),
                contact: contact.clone(),
                note: note.clone(),
                retain_until: retain_until.clone(),
            };
            not_past(retain_until)?;
            Ok(kept("owner", records.add_owner(&new).await?))
        }
        RecordsCommand::DeleteOwner { owner } => {
            records.delete_owner(*owner).await?;
            Ok(format!(
                "owner {owner} is deleted; backups made before still hold the name, so delete \
                 those as well when it must be gone\n"
            ))
        }
        RecordsCommand::SellMachine {
            machine,
            on,
            owner,
            registration,
        } => {
            let sale = Sale {
                sold_on: on.clone(),
                registration: registration.clone(),
                buyer: owner.map_or(Buyer::Unknown, Buyer::OnRecord),
            };
            let id = records.sell_machine(*machine, &sale, &calendar()).await?;
            Ok(kept("sale", id))
        }
        RecordsCommand::AddJob(args) => {
            not_lower(records, args.machine, i64::MAX, &args.read).await?;
            Ok(kept("job", records.add_job(&new_job(args)?).await?))
        }
        RecordsCommand::AddReading(args) => {
            let entry = reading(args)?;
            records.check_recording(args.job, &entry).await?;
            Ok(kept(
                "reading",
                records.add_reading(args.job, &entry).await?,
            ))
        }
        RecordsCommand::WithdrawReading { reading, reason } => {
            records.withdraw_reading(*reading, reason).await?;
            Ok(format!("reading {reading} no longer counts\n"))
        }
        RecordsCommand::WithdrawRemark { remark } => {
            records.withdraw_remark(*remark).await?;
            Ok(format!("remark {remark} is left out from now on\n"))
        }
        RecordsCommand::WithdrawTurn { turn } => {
            records.withdraw_adjustment(*turn).await?;
            Ok(format!("turn {turn} is taken back\n"))
        }
        RecordsCommand::CorrectJob(_)
        | RecordsCommand::CorrectMachine { .. }
        | RecordsCommand::CorrectOwner { .. } => correct(records, command).await,
        other => note(records, other).await,
    }
}

async fn correct(records: &Records, command: &RecordsCommand) -> Result<String, AppError> {
    match command {
        RecordsCommand::CorrectJob(args) => {
            let stood = records.booking(args.job).await?;
            if args.read.odometer_km != stood.odometer_km {
                let machine = records.job(args.job).await?.line.machine_id;
                not_lower(records, machine, args.job, &args.read).await?;
            }
            let right = Booking {
                complaint: args.complaint.clone().unwrap_or(stood.complaint),
                odometer_km: args.read.odometer_km.or(stood.odometer_km),
                pressure_kpa: args.read.ambient_kpa.or(stood.pressure_kpa),
                temperature_c: args.read.ambient_c.or(stood.temperature_c),
            };
            records.correct_booking(args.job, &right).await?;
            Ok(format!("job {} is corrected\n", args.job))
        }
        RecordsCommand::CorrectMachine {
            machine,
            name,
            registration,
        } => {
            let stood = records.machine(*machine).await?.data;
            let right = MachineBooking {
                name: name.clone().unwrap_or(stood.name),
                registration: registration.clone().unwrap_or(stood.registration),
                owner: None,
            };
            records.correct_machine(*machine, &right).await?;
            Ok(format!("machine {machine} is corrected\n"))
        }
        RecordsCommand::CorrectOwner {
            owner,
            name,
            retain_until,
            contact,
            note,
        } => {
            if let Some(day) = retain_until {
                not_past(day)?;
            }
            let stood = records.owner(*owner).await?.data;
            let right = NewOwner {
                name: name.clone().unwrap_or(stood.name),
                contact: contact.clone().unwrap_or(stood.contact),
                note: note.clone().unwrap_or(stood.note),
                retain_until: retain_until.clone().unwrap_or(stood.retain_until),
            };
            records.correct_owner(*owner, &right).await?;
            Ok(format!("owner {owner} is corrected\n"))
        }
        // Every other command is answered elsewhere.
        _ => Ok(String::new()),
    }
}

/// Asks about an odometer below that of a visit before `before_job`.
async fn not_lower(
    records: &Records,
    machine: i64,
    before_job: i64,
    read: &BookedReadings,
) -> Result<(), AppError> {
    let Some(km) = read.odometer_km.filter(|_| !read.sure) else {
        return Ok(());
    };
    match records.odometer_doubt(machine, before_job, km).await? {
        None => Ok(()),
        Some(doubt) => Err(AppError::LowOdometer {
            km,
            stood: doubt.km,
            on: calendar()(doubt.booked).text(),
            job: doubt.job_id,
        }),
    }
}

/// Refuses a last day for an owner's data that is over; what is no day at all is refused by the records.
fn not_past(text: &str) -> Result<(), AppError> {
    let today = jiff::Zoned::now().strftime("%Y-%m-%d").to_string();
    if day(text).is_some() && text < today.as_str() {
        return Err(AppError::PastDay {
            text: text.to_owned(),
            today,
        });
    }
    Ok(())
}

async fn note(records: &Records, command: &RecordsCommand) -> Result<String, AppError> {
    match command {
        RecordsCommand::NoteRemark { job, topic, text } => {
            let known = RemarkTopic::ALL.map(RemarkTopic::as_str);
            let topic = word(topic, "topic", RemarkTopic::from_word, &known)?;
            let id = records.record_remark(*job, topic, text).await?;
            Ok(kept("remark", id))
        }
        RecordsCommand::NoteCheck { job, name, value } => {
            let id = records.record_check(*job, name, value).await?;
            Ok(kept("check", id))
        }
        RecordsCommand::NoteSeal {
            job,
            part,
            state,
            fitted,
        } => {
            let moment = if *fitted {
                SealMoment::Fitted
            } else {
                SealMoment::Found
            };
            let state = seal_state(state);
            Ok(kept(
                "seal",
                records.record_seal(*job, moment, part, state).await?,
            ))
        }
        RecordsCommand::NoteTurn {
            job,
            adjuster,
            turns,
            sure,
        } => {
            if !sure && let Some(doubt) = records.turn_doubt(*job, adjuster, *turns).await? {
                return Err(AppError::DoubtfulTurn {
                    adjuster: adjuster.clone(),
                    turns: *turns,
                    doubt,
                });
            }
            let id = records.record_adjustment(*job, adjuster, *turns).await?;
            Ok(kept("turn", id))
        }
        RecordsCommand::Override {
            job,
            adjuster,
            reason,
        } => {
            let id = records.record_override(*job, adjuster, reason).await?;
            Ok(kept("override", id))
        }
        RecordsCommand::NoteStep {
            job,
            step,
            undone,
            note,
        } => {
            let step = word(step, "step", Step::from_word, &Step::ALL.map(Step::as_str))?;
            let id = records.record_step(*job, step, !undone, note).await?;
            Ok(kept("step", id))
        }
        RecordsCommand::SetStage { job, stage } => {
            let words = Stage::ALL.map(Stage::as_str);
            let stage = word(stage, "stage", Stage::from_word, &words)?;
            records.set_stage(*job, stage).await?;
            Ok(format!("job {job} is in the stage {}\n", stage.as_str()))
        }
        RecordsCommand::Close { job, reopen } => {
            records.set_closed(*job, !reopen).await?;
            let state = if *reopen { "open again" } else { "closed" };
            Ok(format!("job {job} is {state}\n"))
        }
        RecordsCommand::AddPhoto { job, file, caption } => {
            let new = NewPhoto {
                name: file.display().to_string(),
                bytes: evenpull_app::read_bytes(file)?,
                caption: caption.clone(),
            };
            Ok(kept("photo", records.add_photo(*job, new).await?))
        }
        // The commands that look are answered elsewhere.
        _ => Ok(String::new()),
    }
}

/// The number stands last, so that a script can take it.
fn kept(what: &str, id: i64) -> String {
    format!("kept as {what} {id}\n")
}

fn word<T>(
    text: &str,
    what: &str,
    read: impl Fn(&str) -> Option<T>,
    known: &[&str],
) -> Result<T, AppError> {
    read(text).ok_or_else(|| AppError::UnknownWord {
        what: what.to_owned(),
        word: text.to_owned(),
        known: known.join(", "),
    })
}

/// The arguments allow these words alone.
fn seal_state(word: &str) -> SealState {
    match word {
        "intact" => SealState::Intact,
        "disturbed" => SealState::Disturbed,
        _ => SealState::CannotSee,
    }
}

fn new_job(args: &AddJobArgs) -> Result<NewJob, AppError> {
    let mut head = String::new();
    if args.read.ambient_kpa.is_some() || args.read.ambient_c.is_some() {
        let mut ambient = Fragment::new();
        ambient
            .maybe("pressure_kpa", args.read.ambient_kpa)
            .maybe("temperature_c", args.read.ambient_c);
        head.push_str("[ambient]\n");
        head.push_str(ambient.as_str());
    }
    if let Some(path) = &args.layout {
        head.push_str(&String::from_utf8_lossy(&evenpull_app::read_bytes(path)?));
    }
    Ok(NewJob {
        machine_id: args.machine,
        complaint: args.complaint.clone(),
        odometer_km: args.read.odometer_km,
        head_toml: head,
    })
}

fn reading(args: &AddReadingArgs) -> Result<ReadingEntry, AppError> {
    let gauge = (!args.gauge.is_empty()).then(|| GaugeEntry {
        values: args.gauge.clone(),
        unit: args.unit.clone(),
    });
    let recording = match &args.recording {
        Some(path) => Some(recording(path)?),
        None => None,
    };
    Ok(ReadingEntry {
        gauge,
        recording,
        rpm: args.rpm,
        sensor_v: args.sensor_v,
        ecu_opening_deg: args.ecu_opening_deg,
        idle_valve_steps: args.idle_valve_steps,
        engine_c: args.engine_c,
        bleed_turns: args.bleed_turns.clone(),
        hose: args.hose.map(|h| HoseData {
            length_m: h.length_m,
            bore_mm: h.bore_mm,
            dead_volume_cc: h.dead_volume_cc,
        }),
        swapped: args.swapped,
        pinched: args.pinched.iter().map(|p| (*p).into()).collect(),
        repaired: args
            .repaired
            .clone()
            .filter(|words| !words.trim().is_empty()),
        ..ReadingEntry::new(args.condition.into())
    })
}

fn recording(path: &Path) -> Result<RecordingEntry, AppError> {
    let name = path.file_name().unwrap_or(path.as_os_str());
    Ok(RecordingEntry {
        file_name: name.to_string_lossy().into_owned(),
        bytes: evenpull_app::read_bytes(path)?,
    })
}

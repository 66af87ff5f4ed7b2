//! `evenpull read`.

use std::io::{self, Write};

use evenpull_app::{
    AmbientData, CycleReading, HoseData, Layout, PerBody, Pinch, Profile, ReadRequest, Source,
    load_layout, load_profile, read_answer, read_recording,
};

use crate::args::{AirArgs, ReadArgs};
use crate::exit::Exit;
use crate::progress::bar_for;
use crate::read_text::read_text;
use crate::run::CommandError;

pub(crate) fn run(args: &ReadArgs) -> Result<Exit, CommandError> {
    let profile = load_profile(&args.profile)?.profile;
    let layout = match &args.layout {
        Some(path) => load_layout(path, &profile)?,
        None => Layout::default(),
    };
    let (ambient, said) = ambient(&args.air, &profile)?;
    let source = if args.recording.as_os_str() == "-" {
        Source::StandardInput
    } else {
        Source::File(args.recording.clone())
    };
    let pinched: Vec<Pinch> = args.air.pinched.iter().map(|&p| p.into()).collect();
    let bar = bar_for(&source);
    let request = ReadRequest {
        source,
        profile: &profile,
        layout: &layout,
        ambient: &ambient,
        condition: args.condition.map(Into::into),
        hose: args.air.hose.map(|h| HoseData {
            length_m: h.length_m,
            bore_mm: h.bore_mm,
            dead_volume_cc: h.dead_volume_cc,
        }),
        swapped: args.swapped,
        pinched: &pinched,
    };
    let outcome = read_recording(&request, &mut |bytes| bar.set_position(bytes))?;
    bar.finish_and_clear();
    let mut stderr = io::stderr().lock();
    for line in &outcome.assumed {
        writeln!(stderr, "layout: {line}")?;
    }
    for line in &said {
        writeln!(stderr, "assumed: {line}")?;
    }
    let mut out = io::stdout().lock();
    if args.json {
        serde_json::to_writer_pretty(&mut out, &read_answer(&outcome.reading))?;
        writeln!(out)?;
    } else {
        out.write_all(read_text(&outcome, &profile).as_bytes())?;
    }
    Ok(exit(&outcome.reading))
}

/// An area refused on a body is a refusal.
fn exit(reading: &CycleReading) -> Exit {
    if reading
        .channels
        .iter()
        .all(|c| c.through_area_mm2.is_some())
    {
        Exit::Fine
    } else {
        Exit::Undetermined
    }
}

/// Ambient air from the flags, and what had to be assumed.
pub(crate) fn ambient(
    args: &AirArgs,
    profile: &Profile,
) -> Result<(AmbientData, Vec<String>), CommandError> {
    let mut assumed = Vec::new();
    let pressure_kpa = args.ambient_kpa.unwrap_or_else(|| {
        assumed.push(
            "ambient 101.325 kPa; every depression and area rests on it, give --ambient-kpa"
                .to_owned(),
        );
        101.325
    });
    let temperature_c = args.ambient_c.unwrap_or_else(|| {
        assumed.push("20 C; 5 C is 1 % of drawn air, give --ambient-c".to_owned());
        20.0
    });
    let mut zeros = vec![None; profile.bodies().len()];
    for (body, kpa) in &args.key_off {
        let Some(i) = profile.body_index(body) else {
            return Err(CommandError::Usage(format!(
                "--key-off: the profile has no body `{body}`\n  remedy: use {}",
                profile.bodies().join(", ")
            )));
        };
        zeros[i] = Some(*kpa);
    }
    if zeros.iter().any(Option::is_none) {
        assumed.push("sensors not zeroed; give --key-off for every body".to_owned());
    }
    if args.hose.is_none() {
        assumed.push("sensors on the stubs without a hose; give --hose otherwise".to_owned());
    }
    let ambient = AmbientData {
        pressure_kpa,
        pressure_measured: args.ambient_kpa.is_some(),
        temperature_c,
        temperature_measured: args.ambient_c.is_some(),
        humidity_percent: 0.0,
        key_off_kpa: Some(PerBody::new(zeros)),
    };
    Ok((ambient, assumed))
}

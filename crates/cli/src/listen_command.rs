//! `evenpull listen`.

use std::io::{self, IsTerminal, Write};
use std::path::Path;
use std::sync::Arc;

use evenpull_app::{
    Heard, HoseData, Layout, ListenUntil, LiveReading, LiveRequest, LiveSource, LiveView,
    LoadedProfile, listen, load_profile,
};

use crate::args::ListenArgs;
use crate::exit::Exit;
use crate::read_command::ambient;
use crate::run::CommandError;

pub(crate) fn run(args: &ListenArgs) -> Result<Exit, CommandError> {
    let profile = load_profile(&args.profile)?;
    let (ambient, said) = ambient(&args.air, &profile.profile)?;
    let request = LiveRequest {
        source: source(args),
        ambient,
        condition: args.condition.into(),
        hose: args.air.hose.map(|h| HoseData {
            length_m: h.length_m,
            bore_mm: h.bore_mm,
            dead_volume_cc: h.dead_volume_cc,
        }),
        pinched: args.air.pinched.iter().map(|&p| p.into()).collect(),
        profile: Arc::new(profile),
    };
    let practice = matches!(request.source, LiveSource::Practice { .. });
    let mut stderr = io::stderr();
    for line in said.iter().filter(|_| !practice) {
        writeln!(stderr, "assumed: {line}")?;
    }
    let profile = Arc::clone(&request.profile);
    let until = ListenUntil {
        readings: args.readings,
        seconds: args.seconds,
    };
    let mut line = Line::default();
    let readings = listen(request, until, &mut |heard| {
        match heard {
            Heard::View(view) => line.show(&view)?,
            Heard::Zero(kpa) => line.say(&format!("sensors zeroed: {}", list(&profile, &kpa)))?,
            Heard::Reading(reading) => line.say(&told(&reading))?,
            _ => {}
        }
        Ok::<(), CommandError>(())
    })?;
    line.say("")?;
    if let Some(folder) = &args.out {
        keep(folder, &readings)?;
    }
    if args.json {
        let answers: Vec<_> = readings.iter().map(LiveReading::answer).collect();
        let mut out = io::stdout().lock();
        serde_json::to_writer_pretty(&mut out, &answers)?;
        writeln!(out)?;
    }
    Ok(if readings.len() < args.readings {
        Exit::Undetermined
    } else {
        Exit::Fine
    })
}

fn source(args: &ListenArgs) -> LiveSource {
    if let Some(address) = &args.network {
        return LiveSource::Network {
            address: address.clone(),
        };
    }
    if let Some(path) = &args.replay {
        return LiveSource::Replay {
            path: path.clone(),
            layout: Layout::default(),
            again: false,
        };
    }
    if let Some(faults) = &args.practice {
        return LiveSource::Practice {
            air: None,
            faults: faults.clone(),
            seed: args.seed,
        };
    }
    LiveSource::Serial {
        ports: args.serial.clone(),
    }
}

/// Writes each reading's recording into `folder`, named by its number.
fn keep(folder: &Path, readings: &[LiveReading]) -> Result<(), CommandError> {
    for reading in readings {
        let name = format!("{:02}_{}.csv", reading.number, reading.condition.as_str());
        reading.write(&folder.join(name))?;
    }
    Ok(())
}

fn list(profile: &LoadedProfile, kpa: &[f64]) -> String {
    let bodies = profile.profile.bodies().iter().zip(kpa);
    let each: Vec<String> = bodies.map(|(b, v)| format!("{b} {v:.2} kPa")).collect();
    each.join(", ")
}

/// An accepted reading in a line for each body.
fn told(reading: &LiveReading) -> String {
    let r = &reading.reading;
    let mut text = format!(
        "reading {}: {:.0} rpm over {} cycles",
        reading.number, r.rpm.value, r.cycles
    );
    for c in &r.channels {
        text.push_str(&format!("\n  {}: {:.1} kPa", c.body, c.mean_depression_kpa));
        if let Some(a) = c.through_area_mm2 {
            text.push_str(&format!(", {:.2} +-{:.2} mm2", a.value, a.sd));
        }
    }
    for n in &r.notices {
        text.push_str(&format!("\n  - {}", n.text));
    }
    text
}

/// The running line on standard error: rewritten in place on a terminal, else only when what is
/// missing changes.
#[derive(Default)]
struct Line {
    shown: String,
    wide: usize,
}

impl Line {
    fn show(&mut self, view: &LiveView) -> io::Result<()> {
        let state = state(view);
        if !io::stderr().is_terminal() {
            if state != self.shown {
                writeln!(io::stderr(), "{state}")?;
                self.shown = state;
            }
            return Ok(());
        }
        let text = format!("{}{state}", numbers(view));
        let wide = text.chars().count();
        let gap = self.wide.saturating_sub(wide);
        self.wide = wide;
        let mut stderr = io::stderr();
        write!(stderr, "\r{text}{:gap$}", "")?;
        stderr.flush()
    }

    /// A line of its own.
    fn say(&mut self, text: &str) -> io::Result<()> {
        if self.wide > 0 {
            writeln!(io::stderr())?;
            self.wide = 0;
        }
        if text.is_empty() {
            return Ok(());
        }
        writeln!(io::stderr(), "{text}")
    }
}

fn numbers(view: &LiveView) -> String {
    let mut text = view.rpm.map_or(String::new(), |r| format!("{r:5.0} rpm  "));
    for b in &view.bodies {
        if let Some(d) = b.depression_kpa {
            text.push_str(&format!("{} {d:.1}  ", b.body));
        }
    }
    if let Some(d) = view.difference_kpa {
        text.push_str(&format!("apart {d:.1} kPa  "));
    }
    text
}

/// Connection and what is missing, without numbers that change by themselves.
fn state(view: &LiveView) -> String {
    if view.link.state != "connected" {
        return format!("{}: {}", view.link.state, view.link.text);
    }
    let missing = view.progress.missing.iter();
    let words: Vec<&str> = missing
        .map(|m| match m.code {
            "cycles" => "counting cycles",
            "too-slow" => "too slow",
            "too-fast" => "too fast",
            "unsteady" => "speed not steady",
            "drifting" => "speed drifts",
            _ => m.text.as_str(),
        })
        .collect();
    let p = &view.progress;
    match (&p.refused, words.is_empty()) {
        (Some(why), _) => why.clone(),
        (None, true) if p.armed => "steady".to_owned(),
        (None, true) => "accepted".to_owned(),
        (None, false) => words.join(", "),
    }
}

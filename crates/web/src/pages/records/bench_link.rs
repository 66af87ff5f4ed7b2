//! The bench set up for a job: what is read, and the readings kept in the job as they are taken.

use std::net::IpAddr;
use std::path::PathBuf;
use std::sync::Arc;

use axum::extract::{Path, State};
use axum::response::Redirect;
use evenpull_app::{
    Advice, BenchSource, BenchStart, HoseData, Job, Layout, LiveSource, LoadedProfile, Operation,
    Profile, SensorSource,
};

use super::findings::whole;
use super::stored::{Stored, records, stored};
use crate::pages::aside::{aside, problem};
use crate::pages::{chosen_faults, seed};
use crate::posted::Posted;
use crate::problem::Problem;
use crate::state::Web;

/// Sets the bench up for a job: sensors, a recording or the practice engine.
pub(crate) async fn job_bench(
    State(web): State<Web>,
    Path(id): Path<i64>,
    form: Posted,
) -> Result<Redirect, Problem> {
    let job = stored(&web, id).await?;
    let texts = records(&web)?.job_texts(id).await;
    let texts = texts.map_err(|e| problem(&web, &e))?;
    let head = Job::draft_from_toml("job", &texts.job_toml, &job.profile);
    let head = head.map_err(|e| problem(&web, &e.into()))?;
    let source = source(&web, &job, &head, &form).await?;
    let start = BenchStart {
        machine: job.record.line.machine.clone(),
        profile: Arc::new(LoadedProfile {
            profile: job.profile,
            text: texts.profile_toml,
            origin: String::new(),
        }),
        source,
    };
    let there = web.clone();
    let file = form.file("replay").map(|f| f.name.clone());
    let passing = match &start.source {
        BenchSource::Sensors(sensors) => match &sensors.live {
            LiveSource::Replay { path, .. } => Some(path.clone()),
            _ => None,
        },
        _ => None,
    };
    aside(move || {
        there.set_bench(&start, Some(id)).map_err(|e| {
            let named = match &passing {
                Some(path) => {
                    let stored = there.texts().at("readings.stored").to_owned();
                    e.naming(path, file.as_ref().unwrap_or(&stored))
                }
                None => e,
            };
            problem(&there, &named)
        })
    })
    .await?;
    Ok(Redirect::to("/bench"))
}

async fn source(
    web: &Web,
    job: &Stored,
    head: &Job,
    form: &Posted,
) -> Result<BenchSource, Problem> {
    let (live, keep) = match form.text("source") {
        "practice" => {
            let seed = seed(form)?;
            return Ok(BenchSource::Practice {
                faults: chosen_faults(form, seed)?,
                seed,
                air: Some(head.ambient.clone()),
            });
        }
        "serial" => {
            let ports = web.ports().to_vec();
            (LiveSource::Serial { ports }, true)
        }
        "network" => {
            let address = board_address(form.text("address"));
            let address = address.ok_or_else(|| {
                let right = "the board's address in the shop's own network and its port, \
                             such as `192.168.1.50:7070`";
                form.unknown("address", right)
            })?;
            (LiveSource::Network { address }, true)
        }
        "replay" => replay(web, job, head, form).await?,
        _ => return Err(form.unknown("source", "serial, network, replay, practice")),
    };
    Ok(BenchSource::Sensors(Box::new(SensorSource {
        live,
        ambient: head.ambient.clone(),
        hose: hose(form)?,
        bleed_turns: bleed_turns(form, &job.profile)?,
        keep,
    })))
}

/// A numeric address in a network of the shop's own. The program must not be made to call anybody
/// else, also not by a name.
fn board_address(typed: &str) -> Option<String> {
    let address: std::net::SocketAddr = typed.parse().ok()?;
    let own = match address.ip() {
        IpAddr::V4(ip) => ip.is_private() || ip.is_loopback() || ip.is_link_local(),
        IpAddr::V6(ip) => ip.is_loopback() || ip.is_unique_local() || ip.is_unicast_link_local(),
    };
    (own && address.port() != 0).then(|| address.to_string())
}

/// A recording to be played: one of this job, or a file. True if its readings are new.
async fn replay(
    web: &Web,
    job: &Stored,
    head: &Job,
    form: &Posted,
) -> Result<(LiveSource, bool), Problem> {
    let (bytes, layout, new) = if let Some(file) = form.file("replay") {
        // A file from elsewhere need not look like the others of the job.
        (file.bytes.to_vec(), Layout::default(), true)
    } else {
        let word = form.text("reading");
        let of_job = |id: &i64| job.record.readings.iter().any(|r| r.id == *id);
        let id: i64 = word
            .parse()
            .ok()
            .filter(of_job)
            .ok_or_else(|| Problem::Input(web.texts().at("readings.no_replay").to_owned()))?;
        let found = records(web)?.recording(id).await;
        let found = found.map_err(|e| problem(web, &e))?;
        (found.bytes, head.layout.clone(), false)
    };
    let path = web.work_folder().with_extension("recording");
    let target = path.clone();
    let fault = web.clone();
    aside(move || write_passing(&fault, &target, &bytes)).await?;
    let source = LiveSource::Replay {
        path,
        layout,
        again: false,
    };
    Ok((source, new))
}

fn write_passing(web: &Web, path: &PathBuf, bytes: &[u8]) -> Result<(), Problem> {
    std::fs::write(path, bytes).map_err(|e| web.fault(format!("{}: {e}", path.display())))
}

/// Hose between stub and sensor, as typed.
pub(super) fn hose(form: &Posted) -> Result<Option<HoseData>, Problem> {
    let length = form.maybe_number("hose_length_m")?;
    let bore = form.maybe_number("hose_bore_mm")?;
    let dead_cc = form.maybe_number("hose_dead_cc")?;
    match (length, bore) {
        (Some(length_m), Some(bore_mm)) => Ok(Some(HoseData {
            length_m,
            bore_mm,
            dead_volume_cc: dead_cc.unwrap_or(0.0),
        })),
        (None, None) if dead_cc.is_none() => Ok(None),
        (None, _) => Err(form.refused(
            "readings.hose_half",
            &[("field", &form.label("hose_length_m"))],
        )),
        (Some(_), None) => Err(form.refused(
            "readings.hose_half",
            &[("field", &form.label("hose_bore_mm"))],
        )),
    }
}

/// Bleeds of every body, or none where one was not counted.
fn bleed_turns(form: &Posted, profile: &Profile) -> Result<Vec<f64>, Problem> {
    let mut turns = Vec::new();
    for body in profile.bodies() {
        match form.maybe_number(&format!("bleed.{body}"))? {
            Some(t) => turns.push(t),
            None => return Ok(Vec::new()),
        }
    }
    Ok(turns)
}

/// Ends the session of the bench; the ports are free again.
pub(crate) async fn bench_leave(
    State(web): State<Web>,
    _form: Posted,
) -> Result<Redirect, Problem> {
    let job = web.bench_job();
    aside(move || {
        web.leave_bench();
        Ok(())
    })
    .await?;
    Ok(Redirect::to(&job.map_or_else(
        || "/bench".to_owned(),
        |id| format!("/jobs/{id}/readings"),
    )))
}

/// Follows a step of the job's advice on the bench, with the count-down.
pub(crate) async fn job_follow(
    State(web): State<Web>,
    Path(id): Path<i64>,
    form: Posted,
) -> Result<Redirect, Problem> {
    let word = form.text("follow").to_owned();
    let step: usize = word
        .parse()
        .map_err(|_| Problem::Input(format!("`follow` = `{word}`: 0, 1, 2 ...")))?;
    let shown = stored(&web, id).await?.found(&web).await?;
    let found = whole(&web, id).await?;
    let asked = shown.and_then(|s| s.advice.into_iter().nth(step));
    if asked.as_ref().map(turn_of) != found.assessment.advice.get(step).map(turn_of) {
        // Computed anew after a change, they ask for something else than the page said.
        return Err(Problem::Closed(web.texts().at("work.stale").to_owned()));
    }
    if web.bench_job() != Some(id) {
        return Err(Problem::Closed(
            web.texts().at("readings.other_bench").to_owned(),
        ));
    }
    aside(move || {
        web.at_bench(|bench| {
            bench.keep(found.assessment.clone(), found.page.clone());
            bench.operate(&Operation::Follow(step))
        })
        .map_err(|e| problem(&web, &e))
    })
    .await?;
    Ok(Redirect::to("/bench"))
}

/// What a step turns, to a hundredth: as the pages say it.
fn turn_of(step: &Advice) -> (&str, &str, Option<i64>) {
    let hundredths = step.turns.map(|t| (t.value * 100.0).round() as i64);
    (&step.adjuster, &step.way, hundredths)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_board_is_called_in_the_own_network_only() {
        for own in [
            "192.168.1.50:7070",
            "10.0.0.2:80",
            "127.0.0.1:9",
            "[fe80::1]:7070",
        ] {
            assert!(board_address(own).is_some(), "{own}");
        }
        for other in [
            "example.org:80",
            "8.8.8.8:53",
            "192.168.1.50",
            "192.168.1.50:0",
            "localhost:80",
            "",
        ] {
            assert!(board_address(other).is_none(), "{other}");
        }
    }
}

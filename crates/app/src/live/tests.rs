use std::time::{Duration, Instant};

use evenpull_trace::{LayoutHint, analyse, import};

use super::*;
use crate::profiles::load_profile;

fn request(source: LiveSource) -> LiveRequest {
    let profile = load_profile("heron-270").unwrap();
    let text = "format = \"evenpull.job/1\"\nprofile = \"p\"\n[[reading]]\ncondition = \"idle\"\n\
                recording = \"r\"\n";
    let job = evenpull_job::Job::from_toml("j", text, &profile.profile).unwrap();
    LiveRequest {
        source,
        profile: Arc::new(profile),
        ambient: job.ambient,
        condition: Condition::Idle,
        hose: None,
        pinched: Vec::new(),
    }
}

fn open(fault: &str) -> LiveSession {
    let faults = vec![fault.parse().unwrap()];
    LiveSession::open(request(LiveSource::Practice {
        faults,
        seed: 3,
        air: None,
    }))
    .unwrap()
}

/// Waits until `done` says so; the view then.
fn until(session: &LiveSession, seconds: u64, done: impl Fn(&LiveView) -> bool) -> LiveView {
    let start = Instant::now();
    loop {
        let view = session.view();
        if done(&view) {
            return view;
        }
        assert!(start.elapsed() < Duration::from_secs(seconds), "{view:#?}");
        std::thread::sleep(Duration::from_millis(20));
    }
}

/// From the engine off to an accepted reading, in real time, with a fault that the seed alone knows.
#[test]
fn a_practice_session_reads_itself() {
    let mut session = open("stub-leak:left");
    until(&session, 20, |v| v.samples > 3_000);
    let zeros = session.take_zero().unwrap();
    let ambient_kpa = session.request().ambient.pressure_kpa;
    assert!(
        zeros.iter().all(|z| (z - ambient_kpa).abs() < 0.02),
        "{zeros:?}"
    );
    assert!(session.accept_now().is_err());
    session.start_engine().unwrap();
    let view = until(&session, 90, |v| v.accepted > 0);
    let reading = session.accepted(view.accepted).unwrap();
    assert_eq!(reading.condition, Condition::Idle);
    let d: Vec<f64> = reading
        .reading
        .channels
        .iter()
        .map(|c| c.mean_depression_kpa)
        .collect();
    // A leak of 1 to 3 mm2 lowers its side by kilopascals.
    assert!(d[1] - d[0] > 1.5, "{d:?}");
    assert!(session.hidden_faults()[0].starts_with("stub-leak: left"));
    let bodies = session.request().profile.profile.bodies().to_vec();
    let hint = LayoutHint::default();
    let again = import(
        reading.text.as_bytes(),
        "again",
        &hint,
        &bodies,
        &mut |_| {},
    )
    .unwrap();
    let again = analyse(&again, &expect_of(&session, &reading)).unwrap();
    // By their text: a value that is not there is NaN, which equals nothing.
    assert_eq!(format!("{again:?}"), format!("{:?}", reading.reading));
}

/// The setup that a stored reading would get from its job: ambient, hose and engine-off readings.
fn expect_of(session: &LiveSession, reading: &LiveReading) -> evenpull_trace::Setup {
    let mut request = session.request().clone();
    let printed = |kpa: f64| format!("{kpa:.3}").parse().unwrap();
    let key_off = reading.key_off_kpa.iter().map(|k| k.map(printed));
    request.ambient.key_off_kpa = Some(PerBody::new(key_off.collect()));
    let setup = expect(&request).setup;
    assert!(setup.bodies[0].hose.is_some());
    setup
}

#[test]
fn screws_are_those_of_the_machine() {
    let session = open("none");
    session.turn("bleed.left", 0.25).unwrap();
    session.turn("stop.right", -0.1).unwrap();
    for (name, turns) in [
        ("no such screw", 0.1),
        ("sensor", 0.1),
        ("bleed.left", f64::NAN),
    ] {
        let error = session.turn(name, turns).unwrap_err().to_string();
        assert!(error.contains("remedy"), "{error}");
    }
    assert!(session.turn("bleed.left", 1e9).is_err());
}

#[test]
fn a_view_goes_to_json_without_numbers_that_are_none() {
    let session = open("none");
    until(&session, 20, |v| v.samples > 100);
    let json = serde_json::to_value(session.view()).unwrap();
    assert_eq!(json["format"], "evenpull.live/1");
    assert_eq!(json["rpm"], serde_json::Value::Null);
    assert_eq!(json["progress"]["missing"][0]["code"], "not-running");
    assert_eq!(json["practice"]["running"], false);
}

/// What firing intervals can show is told while the engine runs, and never of hoses that sit right; where
/// the intervals are equal it is said that they cannot show it. The practice engine crosses the hoses of
/// twins alone; other orders are those of the recordings' own tests.
#[test]
fn crossed_hoses_are_seen_where_the_firing_intervals_can_show_them() {
    const RUN: Duration = Duration::from_secs(15);
    for (name, can_tell) in [
        ("heron-270", true),
        ("avocet-180", true),
        ("dipper-triple", true),
        ("siskin-four", true),
        ("curlew-vee-four", true),
        ("plover-360", false),
    ] {
        let profile = Arc::new(load_profile(name).unwrap());
        let session = |faults: Vec<Fault>| {
            let source = LiveSource::Practice {
                faults,
                seed: 7,
                air: None,
            };
            let session = LiveSession::open(LiveRequest {
                profile: Arc::clone(&profile),
                ..request(source)
            });
            let session = session.unwrap();
            session.start_engine().unwrap();
            session
        };
        let right = session(Vec::new());
        let twin = profile.profile.bodies().len() == 2;
        let crossed = twin.then(|| session(vec!["crossed-hoses".parse().unwrap()]));
        let start = Instant::now();
        let (mut told, mut said) = (None, false);
        while start.elapsed() < RUN {
            let view = right.view();
            assert!(view.crossed.is_empty(), "{name}: {:?}", view.crossed);
            said |= view.notices.iter().any(|n| n.code == "hoses-unchecked");
            let shown = crossed.as_ref().map(LiveSession::view);
            if told.is_none() && shown.is_some_and(|view| !view.crossed.is_empty()) {
                told = Some(start.elapsed());
            }
            std::thread::sleep(Duration::from_millis(20));
        }
        println!("{name}: told after {told:?}");
        let wanted = (can_tell && twin, !can_tell);
        assert_eq!((told.is_some(), said), wanted, "{name}");
    }
}

/// A recording of the examples, played, shows what `read` says about it; the rest are told apart.
#[test]
fn recordings_and_addresses_are_sources() {
    let job = concat!(env!("CARGO_MANIFEST_DIR"), "/../../examples/jobs/healthy");
    let loaded = crate::load_job(std::path::Path::new(job)).unwrap();
    let index = (0..loaded.job.readings.len())
        .find(|&i| loaded.job.readings[i].condition == Condition::Idle)
        .unwrap();
    let read = crate::job_request(&loaded, index).unwrap();
    let crate::recording::Source::File(path) = read.source.clone() else {
        panic!("{read:?}")
    };
    let want = crate::read_recording(&read, &mut |_| {}).unwrap().reading;
    let mut request = request(LiveSource::Replay {
        path,
        layout: loaded.job.layout.clone(),
        again: true,
    });
    request.profile = Arc::new(LoadedProfile {
        profile: loaded.profile.clone(),
        text: String::new(),
        origin: "example".to_owned(),
    });
    request.ambient = loaded.job.ambient.clone();
    request.hose = read.hose;
    let session = LiveSession::open(request.clone()).unwrap();
    let view = until(&session, 30, |v| {
        v.bodies.iter().all(|b| b.through_area_mm2.is_some())
    });
    for (b, c) in view.bodies.iter().zip(&want.channels) {
        // The last moment against the whole recording: idle wanders by less than a kilopascal.
        let shown = b.depression_kpa.unwrap();
        assert!((shown - c.mean_depression_kpa).abs() < 1.0, "{shown} {c:?}");
    }
    for source in [
        LiveSource::Network {
            address: "nowhere".to_owned(),
        },
        LiveSource::Replay {
            path: PathBuf::from("no such file"),
            layout: Layout::default(),
            again: false,
        },
    ] {
        let refused = LiveSession::open(LiveRequest {
            source,
            ..request.clone()
        });
        assert!(refused.unwrap_err().to_string().contains("remedy"));
    }
    let waiting = LiveSession::open(LiveRequest {
        source: LiveSource::Serial {
            ports: vec![PathBuf::from("/nowhere/port")],
        },
        ..request
    });
    let waiting = waiting.unwrap();
    let view = until(&waiting, 10, |v| v.link.text.contains("/nowhere/port"));
    assert_eq!(view.link.state, "searching");
    assert!(waiting.start_engine().is_err());
}

/// At a job the practice engine runs in the job's air; what it reads with the engine off is that barometer.
#[test]
fn a_practice_engine_runs_in_the_air_it_is_given() {
    let given = AmbientData {
        pressure_kpa: 98.63,
        pressure_measured: true,
        temperature_c: 12.0,
        temperature_measured: true,
        humidity_percent: 40.0,
        key_off_kpa: None,
    };
    let source = LiveSource::Practice {
        faults: Vec::new(),
        seed: 3,
        air: Some(given),
    };
    let mut session = LiveSession::open(request(source)).unwrap();
    let air = &session.request().ambient;
    assert_eq!((air.pressure_kpa, air.temperature_c), (98.63, 12.0));
    until(&session, 20, |v| v.samples > 3_000);
    for kpa in session.take_zero().unwrap() {
        assert!((kpa - 98.63).abs() < 0.2, "{kpa} kPa");
    }
}

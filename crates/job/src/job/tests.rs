use super::*;
use crate::profile::Profile;

const PROFILE: &str = include_str!("../../../../examples/jobs/stub-leak/profile.toml");
const OPEN: &str = include_str!("../../../../examples/jobs/stub-leak/job.toml");
const COUNTS: &str = include_str!("../../../../examples/jobs/balance-off/job.toml");
const SCOPE: &str = include_str!("../../../../examples/jobs/stop-turned-in/job.toml");

fn profile() -> Profile {
    Profile::from_toml("profile.toml", PROFILE).unwrap()
}

fn read(text: &str) -> Result<Job, crate::FileErrors> {
    Job::from_toml("job.toml", text, &profile())
}

/// A small typed job with the given extra lines at the top and in the reading.
fn small(top: &str, reading: &str) -> String {
    format!(
        "format = \"evenpull.job/1\"\nprofile = \"profile.toml\"\nmachine = \"m\"\n{top}\n\
         [[reading]]\ncondition = \"hold\"\n{reading}\n"
    )
}

const GAUGE: &str = "gauge = { left = 33.0, right = 34, unit = \"kPa\" }";

#[test]
fn open_job_is_read_key_by_key() {
    let job = read(OPEN).unwrap();
    assert_eq!(job.machine, "Dunlin 1060");
    assert_eq!(job.ambient.pressure_kpa, 98.38);
    assert_eq!(job.ambient.temperature_c, 17.7);
    assert_eq!(
        job.ambient.key_off_kpa.as_ref().unwrap().all().unwrap(),
        [98.38, 98.38]
    );
    assert_eq!(job.seal("stop.left"), Some(SealState::Intact));
    assert_eq!(job.readings.len(), 7);
    let r = &job.readings[0];
    assert_eq!(r.condition, Condition::IdleBleedsShut);
    assert_eq!(r.recording.as_deref(), Some("00_idle-bleeds-shut_1250.csv"));
    assert_eq!((r.sensor_v, r.ecu_opening_deg), (Some(0.553), Some(-0.05)));
    assert_eq!((r.idle_valve_steps, r.engine_c), (Some(28.0), Some(76.0)));
    let hose = r.hose.unwrap();
    assert_eq!(
        (hose.length_m, hose.bore_mm, hose.dead_volume_cc),
        (0.25, 4.0, 0.6)
    );
    assert_eq!(r.bleed_turns.as_ref().unwrap().all().unwrap(), [0.0, 0.0]);
    let gauge = r.gauge.as_ref().unwrap().depression_kpa.all().unwrap();
    assert!((gauge[0] - 47.2).abs() < 1e-9 && (gauge[1] - 35.4).abs() < 1e-9);
    assert_eq!(
        job.layout.pressure.as_ref().unwrap().get(0).unwrap().column,
        ColumnRef::Name("left_kpa".to_owned())
    );
    assert!(job.notices.is_empty(), "{:?}", job.notices);
    assert_eq!(
        Job::profile_ref("job.toml", OPEN).unwrap().name,
        "profile.toml"
    );
}

#[test]
fn layouts_of_counts_and_volts() {
    let job = read(COUNTS).unwrap();
    assert_eq!(job.layout.time, Some(ColumnRef::Index(1)));
    assert_eq!(job.layout.time_unit, Some(TimeUnit::Microseconds));
    let right = job.layout.pressure.as_ref().unwrap().get(1).unwrap();
    assert_eq!(right.column, ColumnRef::Index(3));
    assert_eq!(
        right.unit,
        SampleUnit::Counts {
            full_scale: 4095.0,
            k1_per_kpa: 0.009,
            k2: -0.095
        }
    );
    let job = read(SCOPE).unwrap();
    let left = job.layout.pressure.as_ref().unwrap().get(0).unwrap();
    assert_eq!(left.column, ColumnRef::Name("Channel B".to_owned()));
    assert!(matches!(left.unit, SampleUnit::Volts { supply_v, .. } if supply_v == 5.0));
}

#[test]
fn every_other_key_of_the_contract() {
    let top = "notes = [\"came in on a trailer\"]\n[ambient]\nheight_m = 1000\n\
               humidity_percent = 60\n[layout]\nsample_rate_hz = 1000\ndelimiter = \";\"\n\
               decimal = \",\"\n[checks]\nspindle_play_mm = { left = 0.02, right = \"0,12\" }\n\
               stub_spray = { left = \"change\", right = \"no change\" }\n\
               leak_down_percent = { left = 4, right = 5 }\n\
               compression_kpa = { left = 1150, right = 1180 }\nlid_off = \"no change\"\n\
               clearances = { left = { inlet_mm = [0.1, 0.11], exhaust_thou = 6 } }\n";
    let reading = "gauge = { left = \"330,5\", right = 331, unit = \"mbar\" }\nrpm = 3750\n\
                   swapped = true\npinched = [\"idle_valve\", \"balance_pipe\"]\n\
                   jet = { body = \"right\", bore_mm = 1.2 }\nlambda = { left = 1.1 }\n\
                   adjusted = { adjuster = \"stop.left\", turns = -0.25 }\nrepaired = \"stub of left\"";
    let job = read(&small(top, reading)).unwrap();
    // ISO 2533 at 1000 m: 89874.5629 Pa.
    assert!((job.ambient.pressure_kpa - 89.874_562_9).abs() < 1e-6);
    assert!(!job.ambient.pressure_measured);
    let r = &job.readings[0];
    let gauge = r.gauge.as_ref().unwrap().depression_kpa.all().unwrap();
    assert!((gauge[0] - 33.05).abs() < 1e-9, "{gauge:?}");
    assert!(r.swapped);
    assert_eq!(r.repaired.as_deref(), Some("stub of left"));
    assert_eq!(r.pinched, [Pinch::IdleValve, Pinch::BalancePipe]);
    assert_eq!(
        r.jet,
        Some(JetData {
            body: 1,
            bore_mm: 1.2
        })
    );
    assert_eq!(r.lambda.as_ref().unwrap().get(0), Some(&1.1));
    assert_eq!(r.adjusted[0].turns, -0.25);
    assert!(
        job.notices
            .iter()
            .any(|n| n.code == "sealed-part-turned" && n.text.contains("stop.left")),
        "{:?}",
        job.notices
    );
    assert_eq!(job.layout.decimal, Some(','));
    assert_eq!(job.notes, ["came in on a trailer"]);
    let checks = &job.checks;
    assert_eq!(checks.spindle_play_mm.as_ref().unwrap().get(1), Some(&0.12));
    assert_eq!(
        checks.stub_spray.as_ref().unwrap().get(0),
        Some(&SprayResult::Change)
    );
    assert_eq!(checks.lid_off, Some(SprayResult::NoChange));
    let left = checks.clearances.as_ref().unwrap().get(0).unwrap();
    assert_eq!(left.inlet_mm, [0.1, 0.11]);
    assert!((left.exhaust_mm[0] - 0.1524).abs() < 1e-12);
}

#[test]
fn each_bad_job_is_refused_with_place_and_remedy() {
    let g = GAUGE;
    let cases: Vec<(String, &str, &str)> = vec![
        (
            small("sealz = 1", g),
            "unknown key `sealz`",
            "did you mean `seals`?",
        ),
        (
            small("", &format!("{g}\nrecoding = \"x\"")),
            "unknown key",
            "did you mean `recording`?",
        ),
        (
            small("", "gauge = { left = 120, right = 33, unit = \"kPa\" }"),
            "above the ambient",
            "check the unit",
        ),
        (
            small("", "gauge = { left = -3, right = 33, unit = \"kPa\" }"),
            "negative",
            "without a sign",
        ),
        (
            small("", "gauge = { left = 3, right = 33, unit = \"metres\" }"),
            "no unit of pressure",
            "kPa",
        ),
        (
            small("", "gauge = { left = 3, unit = \"kPa\" }"),
            "no gauge value for right",
            "one value per body",
        ),
        (
            small(
                "",
                "gauge = { left = 3, middle = 4, right = 3, unit = \"kPa\" }",
            ),
            "no body named `middle`",
            "left",
        ),
        (
            small("", &format!("{g}\nrpm = 40000")),
            "40000 1/min is outside",
            "check the unit",
        ),
        (small("", &format!("{g}\nrpm = nan")), "NaN", "finite"),
        (
            small("", &format!("{g}\nrpm = \"fast\"")),
            "the text \"fast\"",
            "a number alone",
        ),
        (
            small(
                "",
                &format!("{g}\njet = {{ body = \"port\", bore_mm = 1 }}"),
            ),
            "no body named `port`",
            "left",
        ),
        (
            small("", &format!("{g}\nidle_valve_steps = 300")),
            "has 200",
            "steps from shut",
        ),
        (
            small(
                "",
                &format!("{g}\nadjusted = {{ adjuster = \"ballance screw\", turns = 1 }}"),
            ),
            "no adjuster",
            "did you mean `balance screw`?",
        ),
        (
            small("", &format!("{g}\npinched = [\"idle_vlve\"]")),
            "not known here",
            "did you mean `idle_valve`?",
        ),
        (
            small("", "sensor_v = 0.5"),
            "neither `recording` nor `gauge`",
            "recording =",
        ),
        (
            small("[ambient]\npressure_kpa = 100\nheight_m = 50", g),
            "both given",
            "take `height_m` out",
        ),
        (
            small("[ambient]\npressure_kpa = 1000", g),
            "outside 50 to 115",
            "check the unit",
        ),
        (
            small(
                "[ambient]\npressure_kpa = 100\nkey_off_kpa = { left = 60 }",
                g,
            ),
            "engine off",
            "wrongly scaled",
        ),
        (
            small("[seals]\n\"stop.middle\" = \"intact\"", g),
            "no sealed part",
            "stop.left",
        ),
        (
            small("[seals]\n\"stop.left\" = \"fine\"", g),
            "\"fine\"",
            "intact",
        ),
        (
            small(
                "[layout.pressure]\nleft = { column = 2, unit = \"kPa\", k1 = 0.009 }",
                g,
            ),
            "`k1` clashes",
            "take `k1` out",
        ),
        (
            small("[layout.pressure]\nleft = { column = 2, unit = \"V\" }", g),
            "is missing",
            "k1 = 0.009",
        ),
        (
            small("[layout]\ntime_unit = \"ms\"", g),
            "without a `time` column",
            "time = 1",
        ),
        (
            small("[layout]\ndelimiter = \",\"\ndecimal = \",\"", g),
            "both separator",
            "look at the file",
        ),
        (
            small("", &g.replace("gauge", "gauge = 1\ngauge")),
            "TOML",
            "once",
        ),
        (
            "format = \"evenpull.job/1\"\nprofile = \"p\"".to_owned(),
            "is missing",
            "[[reading]]",
        ),
        ("reading = [[[".to_owned(), "TOML", "marked place"),
    ];
    for (text, problem, remedy) in cases {
        let e = match read(&text) {
            Ok(job) => panic!("should be refused for `{problem}`, got {job:?}"),
            Err(e) => e,
        };
        let hit = e
            .problems()
            .iter()
            .any(|p| p.problem.contains(problem) && p.remedy.contains(remedy) && p.line >= 1);
        assert!(hit, "wanted `{problem}` / `{remedy}` in:\n{e}");
    }
}

#[test]
fn bleeds_shut_contradicts_an_open_bleed() {
    let text = small(
        "",
        &format!("{GAUGE}\nbleed_turns = {{ left = 0.5, right = 0 }}"),
    )
    .replace("\"hold\"", "\"idle-bleeds-shut\"");
    assert!(
        read(&text)
            .unwrap_err()
            .to_string()
            .contains("bleed is open")
    );
}

#[test]
fn place_of_a_gauge_value_is_exact() {
    let text = small("", "gauge = { left = 120, right = 33, unit = \"kPa\" }");
    let e = read(&text).unwrap_err();
    let p = &e.problems()[0];
    let line = text.lines().nth(p.line - 1).unwrap();
    assert_eq!(&line[p.column - 1..p.column - 1 + p.width], "120");
    assert_eq!(p.key, "reading[1].gauge.left");
}

#[test]
fn missing_ambient_is_assumed_with_a_notice() {
    let job = read(&small("", GAUGE)).unwrap();
    assert_eq!(job.ambient.pressure_kpa, 101.325);
    assert!(job.notices.iter().any(|n| n.code == "ambient-assumed"));
}

proptest::proptest! {
    /// Any text is answered, never a panic.
    #[test]
    fn prop_no_text_panics(text in "\\PC{0,200}") {
        let _answer = read(&text);
    }

    /// A damaged job is answered, never a panic, and every problem lies inside the text.
    #[test]
    fn prop_damage_is_placed(at in 0usize..4000, with in "[ -~\n]{0,6}") {
        let at = at.min(OPEN.len());
        let end = (at + 3).min(OPEN.len());
        let text = format!("{}{with}{}", &OPEN[..at], &OPEN[end..]);
        if let Err(e) = read(&text) {
            for p in e.problems() {
                proptest::prop_assert!(p.line <= text.lines().count() + 1);
            }
        }
    }
}

#[test]
fn a_job_file_serves_as_a_layout() {
    let profile = Profile::from_toml("p", crate::builtin()[0].toml).unwrap();
    let text =
        "format = \"evenpull.job/1\"\nprofile = \"p\"\nmachine = \"m\"\n[layout]\ntime = \"t\"\n";
    let layout = Layout::from_toml("job.toml", text, &profile).unwrap();
    assert_eq!(layout.time, Some(ColumnRef::Name("t".to_owned())));
    // Without the format every key must be one of a layout.
    let stray = Layout::from_toml("l", "machine = \"m\"\n[layout]\ntime = \"t\"\n", &profile);
    assert!(stray.is_err());
}

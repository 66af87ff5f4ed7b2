use super::*;

const OPEN: &str = include_str!("../../../../examples/jobs/balance-off/profile.toml");
const ONE_WAY: &str =
    include_str!("../../../../examples/jobs/follower-stop-in-one-way/profile.toml");

fn refused(text: &str) -> crate::FileErrors {
    Profile::from_toml("p.toml", text).expect_err("the profile should be refused")
}

#[test]
fn open_profile_is_read_key_by_key() {
    let p = Profile::from_toml("profile.toml", OPEN).unwrap();
    assert_eq!(p.bodies(), ["left", "right"]);
    assert_eq!(p.engine.displacement_cc, 530.0);
    assert_eq!(p.engine.compression_ratio, 10.0);
    assert_eq!(p.engine.rod_to_crank, 3.6);
    assert_eq!(p.engine.intake_start_deg, [0.0, 270.0]);
    assert_eq!(p.engine.idle_rpm, 1250.0);
    assert_eq!(p.engine.idle_tolerance_rpm, 50.0);
    assert_eq!(p.engine.hold_rpm, [3500.0, 4000.0]);
    assert_eq!(p.engine.warm_c, 60.0);
    assert_eq!(p.engine.inlet_opens_btdc_deg, 12.0);
    assert_eq!(p.engine.inlet_closes_abdc_deg, 52.0);
    assert_eq!(p.engine.exhaust_opens_bbdc_deg, 50.0);
    assert_eq!(p.engine.exhaust_closes_atdc_deg, 18.0);
    assert_eq!((p.body.bore_mm, p.body.spindle_mm), (46.0, 9.0));
    assert_eq!((p.body.shut_angle_deg, p.body.runner_cc), (6.0, 260.0));
    assert_eq!(p.body.stop_opening_deg, 2.2);
    assert_eq!(p.body.discharge.at(0.1), 0.75);
    let bleed = p.bleed.unwrap();
    assert_eq!((bleed.area_mm2_per_turn, bleed.max_turns), (2.0, 2.0));
    let valve = p.idle_valve.unwrap();
    assert_eq!((valve.steps, valve.area_mm2_per_step), (200, 0.06));
    let sensor = p.sensor.unwrap();
    assert_eq!((sensor.body, sensor.volts_per_deg), (1, 0.0472));
    assert_eq!(sensor.volts_at_stop, 0.556);
    assert_eq!((p.tolerance.good_kpa, p.tolerance.act_kpa), (1.0, 2.5));
    let [c] = p.couplings.as_slice() else {
        panic!("one coupling expected, got {:?}", p.couplings);
    };
    assert_eq!((c.driver, c.driven.as_slice()), (1, [0].as_slice()));
    assert_eq!((c.law, c.deg_per_turn), (CouplingLaw::Rigid, 0.9));
    assert_eq!(c.adjuster, "balance screw");
    // The file leaves out stop, passages, clearances and refill, and no other key.
    assert_eq!(p.assumed.len(), 4, "{:?}", p.assumed);
}

#[test]
fn coupling_law_follows_the_file() {
    let p = Profile::from_toml("profile.toml", ONE_WAY).unwrap();
    assert_eq!(p.couplings[0].law, CouplingLaw::OneWay);
}

#[test]
fn embedded_profiles_are_read_without_a_doubt() {
    for b in builtin() {
        let p = Profile::from_toml(b.id, b.toml).unwrap_or_else(|e| panic!("{}:\n{e}", b.id));
        assert!(p.name.contains("invented"), "{}", p.name);
        let n = p.bodies().len();
        let stops = p
            .adjusters()
            .into_iter()
            .filter(|a| a.kind == AdjusterKind::Stop);
        if p.one_shaft() {
            let stops: Vec<Adjuster> = stops.collect();
            assert_eq!(stops.len(), 1, "{}: one spindle, one stop", b.id);
            assert_eq!(stops[0].bodies, p.bodies(), "{}", b.id);
            continue;
        }
        assert_eq!(stops.count(), n, "{}", b.id);
        assert_eq!(
            p.couplings.len(),
            n - 1,
            "{}: n bodies need n - 1 links",
            b.id
        );
    }
}

#[test]
fn short_profile_takes_marked_defaults() {
    let text = "format = \"evenpull.profile/1\"\nname = \"x\"\n[engine]\ncylinders = [\"one\"]\n\
                displacement_cc = 400\n[body]\nbore_mm = \"38,5\"\n";
    let p = Profile::from_toml("p.toml", text).unwrap();
    assert_eq!(p.body.bore_mm, 38.5, "decimal comma in a text");
    assert_eq!(p.body.runner_cc, 200.0);
    assert_eq!(p.engine.intake_start_deg, [0.0]);
    assert_eq!(p.stop_deg_per_turn, 1.8);
    assert!((p.clearances.inlet_mm - 0.1016).abs() < 1e-12);
    let all: Vec<&str> = p.assumed.iter().map(|n| n.text.as_str()).collect();
    assert!(
        all.iter()
            .any(|t| t.contains("engine.warm_c") && t.contains("60 C") && t.contains("practice")),
        "{all:?}"
    );
}

#[test]
fn discharge_table_is_in_degrees() {
    let text = OPEN.replace("discharge = 0.75", "discharge = [[0, 0.6], [10, 0.8]]");
    let p = Profile::from_toml("p.toml", &text).unwrap();
    let halfway = p.body.discharge.at(5f64.to_radians());
    assert!((halfway - 0.7).abs() < 1e-12, "{halfway}");
}

#[test]
fn unknown_key_names_line_column_and_neighbour() {
    let e = refused(&OPEN.replace("warm_c", "warn_c"));
    let p = &e.problems()[0];
    let line = 1 + OPEN.lines().position(|l| l.starts_with("warm_c")).unwrap();
    assert_eq!((p.line, p.column), (line, 1));
    assert_eq!(p.key, "engine.warn_c");
    assert!(
        p.remedy.starts_with("did you mean `warm_c`?"),
        "{}",
        p.remedy
    );
}

#[test]
fn all_problems_are_reported_at_once() {
    let text = OPEN
        .replace("displacement_cc = 530.0", "displacement_cc = 5.3")
        .replace("bore_mm = 46.0", "bore_mm = nan")
        .replace("coupling = \"rigid\"", "coupling = \"stiff\"")
        .replace("follows = \"left\"", "follows = \"port\"");
    let e = refused(&text);
    let keys: Vec<&str> = e.problems().iter().map(|p| p.key.as_str()).collect();
    assert_eq!(
        keys,
        [
            "engine.displacement_cc",
            "body.bore_mm",
            "balance.follows",
            "balance.coupling"
        ]
    );
    let shown = e.to_string();
    assert!(shown.contains("5.3 cc is outside 20 to 2000 cc"), "{shown}");
    assert!(shown.contains("displacement_cc = 5.3"), "excerpt: {shown}");
}

#[test]
fn each_bad_profile_is_refused_with_a_reason() {
    let cases = [
        ("", "empty"),
        ("format = \"evenpull.profile/1\n", "TOML"),
        (
            &OPEN.replace("profile/1", "profile/9"),
            "evenpull.profile/1",
        ),
        (&OPEN.replace("[0.0, 270.0]", "[0.0]"), "1 values"),
        (
            &OPEN.replace("[3500.0, 4000.0]", "[4000.0, 3500.0]"),
            "does not rise",
        ),
        (
            &OPEN.replace("good_kpa = 1.0", "good_kpa = 3.0"),
            "above act_kpa",
        ),
        (&OPEN.replace("steps = 200", "steps = 20.5"), "whole number"),
        (
            &OPEN.replace("[\"left\", \"right\"]", "[\"left\", \"left\"]"),
            "twice",
        ),
        (&OPEN.replace("bore_mm = 46.0", ""), "is missing"),
        (
            &OPEN.replace("bore_mm = 46.0", "bore_mm = true"),
            "found `true`",
        ),
    ];
    for (text, wanted) in cases {
        let e = refused(text).to_string();
        assert!(e.contains(wanted), "wanted `{wanted}` in:\n{e}");
    }
}

#[test]
fn linkage_graph_refuses_rings_and_strangers() {
    let triple = builtin().iter().find(|b| b.id == "dipper-triple").unwrap();
    let ring = triple.toml.replace(
        "driver = \"2\"\ndriven = \"3\"",
        "driver = \"1\"\ndriven = \"2\"",
    );
    assert!(refused(&ring).to_string().contains("ring"));
    let strange = triple.toml.replace("driven = \"3\"", "driven = \"5\"");
    assert!(refused(&strange).to_string().contains("no body named `5`"));
    let both = format!("{}\n[balance]\nfollows = \"1\"\n", triple.toml);
    assert!(refused(&both).to_string().contains("both"));
}

#[test]
fn adjusters_name_the_sealed_parts() {
    let p = Profile::from_toml("profile.toml", OPEN).unwrap();
    let names: Vec<String> = p.adjusters().into_iter().map(|a| a.name).collect();
    assert_eq!(
        names,
        [
            "balance screw",
            "bleed.left",
            "bleed.right",
            "stop.left",
            "stop.right",
            "link.left",
            "link.right",
            "sensor"
        ]
    );
    let stop = p.adjuster("stop.left").unwrap();
    assert!(stop.kind.is_sealed());
    assert_eq!((stop.way(0.5), stop.way(-0.5)), ("in", "out"));
    let screw = p.adjuster("balance screw").unwrap();
    assert_eq!(screw.way(0.1), "the way that opens the left plate");
    assert_eq!(screw.per_turn, PerTurn::OpeningDeg(0.9));
}

//! The whole set of adjusters at once, on practice engines of every linkage of the trade.

#![expect(clippy::unwrap_used, reason = "a test fails by panicking")]

use evenpull_app::{
    Assessment, Individual, LoadedProfile, PracticePoint, PracticeRequest, PracticeVisit, assess,
    load_profile,
};
use evenpull_diagnose::CauseCode;
use evenpull_job::{AdjusterKind, Condition, Profile};

/// Errors put into the links, in the order of the couplings [deg]: 2 to 4 kPa each at hold.
const LINK_DEG: [f64; 3] = [0.4, -0.35, 0.3];

/// A built-in profile with part of its text changed.
fn profile(name: &str, changes: &[(&str, &str)]) -> LoadedProfile {
    let mut loaded = load_profile(name).unwrap();
    for (from, to) in changes {
        assert!(loaded.text.contains(from), "`{from}` in {name}");
        loaded.text = loaded.text.replace(from, to);
    }
    loaded.profile = Profile::from_toml("profile.toml", &loaded.text).unwrap();
    loaded
}

/// Reads idle with bleeds shut, idle and hold.
fn read(visit: &mut PracticeVisit<'_>) -> f64 {
    let plan: Vec<PracticePoint> = visit
        .plan()
        .into_iter()
        .filter(|p| p.condition != Condition::Sweep)
        .collect();
    for point in plan {
        visit.take(point).unwrap();
    }
    let truth = visit.write().unwrap();
    let hold = truth
        .readings
        .iter()
        .rfind(|r| r.condition == "hold")
        .unwrap();
    let high = hold
        .mean_depression_kpa
        .iter()
        .copied()
        .fold(f64::MIN, f64::max);
    high - hold
        .mean_depression_kpa
        .iter()
        .copied()
        .fold(f64::MAX, f64::min)
}

/// Adjusters of one kind in the order in which they are advised, with signed turns.
fn advised(found: &Assessment, profile: &Profile, kind: AdjusterKind) -> Vec<(String, f64)> {
    found
        .advice
        .iter()
        .filter_map(|a| {
            let adjuster = profile.adjuster(&a.adjuster).filter(|x| x.kind == kind)?;
            let turns = a.turns?.value;
            let sign = if a.way == adjuster.less { -1.0 } else { 1.0 };
            Some((adjuster.name, sign * turns))
        })
        .collect()
}

/// All links off: each screw is named once, drivers before what they drive, the right way, and turned
/// so the hold is good (1 kPa) after that one round.
#[track_caller]
fn one_round(loaded: &LoadedProfile, order: &[&str]) {
    let profile = &loaded.profile;
    let mut own = Individual::none(profile);
    for (c, coupling) in profile.couplings.iter().enumerate() {
        for &b in &coupling.driven {
            own.link_deg[b] += LINK_DEG[c];
        }
    }
    let folder = tempfile::tempdir().unwrap();
    let request = PracticeRequest {
        profile: loaded,
        faults: &[],
        seed: 11,
    };
    let mut visit = PracticeVisit::begin(&request, &own, folder.path()).unwrap();
    let before_kpa = read(&mut visit);
    let found = assess(folder.path(), &mut |_, _| {}).unwrap().assessment;
    let turns = advised(&found, profile, AdjusterKind::Balance);
    let names: Vec<&str> = turns.iter().map(|(name, _)| name.as_str()).collect();
    assert_eq!(names, order, "{:#?}", found.advice);
    for (name, turns) in &turns {
        visit.turn(name, *turns, *turns).unwrap();
    }
    let after_kpa = read(&mut visit);
    assert!(
        before_kpa > 2.0 && after_kpa < 1.0,
        "{before_kpa} -> {after_kpa}: {turns:?}"
    );
}

#[test]
fn linked_twin() {
    one_round(&profile("heron-270", &[]), &["balance screw"]);
}

/// Two cables lift each plate by itself, as a follower with lost motion is lifted.
#[test]
fn two_cable_twin() {
    one_round(
        &profile("plover-360", &[("\"rigid\"", "\"one-way\"")]),
        &["balance screw"],
    );
}

#[test]
fn triple_with_a_fixed_reference() {
    one_round(&profile("dipper-triple", &[]), &["screw 1", "screw 3"]);
}

#[test]
fn four_in_pairs() {
    one_round(
        &profile("siskin-four", &[]),
        &["screw 1-2", "centre screw", "screw 3-4"],
    );
}

#[test]
fn four_with_a_reference_body() {
    let changes = [
        (
            "driver = \"3\"\ndriven = \"4\"",
            "driver = \"2\"\ndriven = \"4\"",
        ),
        ("screw 1-2", "screw 1"),
        ("screw 3-4", "screw 4"),
        ("centre screw", "screw 3"),
    ];
    one_round(
        &profile("siskin-four", &changes),
        &["screw 1", "screw 4", "screw 3"],
    );
}

/// Bank to bank comes first: its screw carries the whole rear bank along.
#[test]
fn vee_four() {
    one_round(
        &profile("curlew-vee-four", &[]),
        &["front screw", "bank screw", "rear screw"],
    );
}

/// One spindle: bleeds are all there is to turn, one stop is all there is to leave.
#[test]
fn one_shaft_is_levelled_by_its_bleeds() {
    let loaded = profile("bunting-shaft", &[]);
    let folder = tempfile::tempdir().unwrap();
    let request = PracticeRequest {
        profile: &loaded,
        faults: &[],
        seed: 12,
    };
    let own = Individual::none(&loaded.profile);
    let mut visit = PracticeVisit::begin(&request, &own, folder.path()).unwrap();
    visit.turn("bleed.right", 0.8, 0.8).unwrap();
    read(&mut visit);
    let found = assess(folder.path(), &mut |_, _| {}).unwrap().assessment;
    assert_eq!(advised(&found, &loaded.profile, AdjusterKind::Balance), []);
    let bleeds = advised(&found, &loaded.profile, AdjusterKind::Bleed);
    let moved: f64 = bleeds
        .iter()
        .map(|(name, t)| if name == "bleed.right" { -t } else { *t })
        .sum();
    assert!((moved - 0.8).abs() < 0.2, "{:#?}", found.advice);
    let stops: Vec<&String> = found
        .leave_sealed
        .iter()
        .filter(|s| s.starts_with("stop"))
        .collect();
    assert_eq!(stops, ["stop.left"]);
}

/// A plate twisted on the spindle stands apart everywhere; no screw is turned against it.
#[test]
fn a_plate_twisted_on_its_shaft_is_named_and_not_levelled_away() {
    let loaded = profile("bunting-shaft", &[]);
    let mut own = Individual::none(&loaded.profile);
    own.link_deg[1] = 0.5;
    let folder = tempfile::tempdir().unwrap();
    let request = PracticeRequest {
        profile: &loaded,
        faults: &[],
        seed: 13,
    };
    let mut visit = PracticeVisit::begin(&request, &own, folder.path()).unwrap();
    for point in visit.plan() {
        visit.take(point).unwrap();
    }
    visit.write().unwrap();
    let found = assess(folder.path(), &mut |_, _| {}).unwrap().assessment;
    let first = &found.causes[0];
    assert_eq!(
        (first.code, first.body.as_deref()),
        (CauseCode::LinkAltered, Some("right"))
    );
    assert!(
        found.advice.iter().all(|a| a.turns.is_none()),
        "{:#?}",
        found.advice
    );
    assert!(
        found.advice.iter().any(|a| a.adjuster == "plate of right"),
        "{:#?}",
        found.advice
    );
}

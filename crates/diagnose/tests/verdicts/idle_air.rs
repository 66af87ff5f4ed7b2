//! Faults of what feeds or holds all bodies together.

use evenpull_diagnose::{CauseCode, ReadingKind};

use crate::bench::{PutIn, make};
use crate::leading;

#[test]
fn a_stuck_idle_valve_is_told_by_speed_and_steps() {
    for (place, code) in [
        (0.7, CauseCode::IdleValveStuckOpen),
        (0.9, CauseCode::IdleValveStuckOpen),
        (0.02, CauseCode::IdleValveStuckShut),
    ] {
        let a = make(&PutIn {
            stuck: Some(place),
            ..PutIn::default()
        })
        .assess();
        assert!(leading(&a).0.contains(&code), "{place}: {:?}", a.causes);
        assert!(!a.undetermined, "{place}: {:?} {:?}", a.causes, a.notices);
        assert!(!a.causes[0].evidence_for.is_empty());
    }
}

#[test]
fn a_split_idle_hose_or_a_stuck_valve_are_parted_by_the_hoses() {
    let a = make(&PutIn {
        hose_mm2: 8.0,
        ..PutIn::default()
    })
    .assess();
    assert!(
        leading(&a).0.contains(&CauseCode::IdleAirHose),
        "{:?}",
        a.causes
    );
    if leading(&a).0.len() > 1 {
        let kind = a.next_reading.expect("a test").kind;
        assert!(
            [ReadingKind::IdleHoses, ReadingKind::PinchIdleValve].contains(&kind),
            "{kind:?}"
        );
    }
}

#[test]
fn a_bleed_that_does_not_answer_is_blocked() {
    for (b, body) in [(0, "left"), (1, "right")] {
        let mut ln_bleed = [0.0; 2];
        ln_bleed[b] = -6.0;
        let a = make(&PutIn {
            ln_bleed,
            ..PutIn::default()
        })
        .assess();
        let (members, on) = leading(&a);
        assert_eq!(members, [CauseCode::BleedBlocked], "{:?}", a.causes);
        assert_eq!(on, Some(body));
        assert!(!a.undetermined);
    }
}

/// Both act alike on every pressure under a rigid rod; the look at the cable and the seals decide.
#[test]
fn a_tight_cable_holds_the_plates_open_where_it_was_seen_to() {
    let tight = PutIn {
        stop_deg: [-0.3, 0.4],
        checks: "cable_slack = false".to_owned(),
        ..PutIn::default()
    };
    let a = make(&tight).assess();
    assert_eq!(a.causes[0].code, CauseCode::CableTight, "{:?}", a.causes);
    let slack = make(&PutIn {
        checks: "cable_slack = true".to_owned(),
        ..tight
    })
    .assess();
    assert!(
        !leading(&slack).0.contains(&CauseCode::CableTight),
        "{:?}",
        slack.causes
    );
}

#[test]
fn volts_that_scatter_while_the_areas_grow_are_a_worn_track() {
    let a = make(&PutIn {
        volts_sd: 0.05,
        ..PutIn::default()
    })
    .assess();
    assert_eq!(leading(&a).0, [CauseCode::SensorWorn], "{:?}", a.causes);
    let snaps = make(&PutIn {
        checks: "snap_shut_v = [0.556, 0.612, 0.548, 0.566, 0.59]".to_owned(),
        ..PutIn::default()
    })
    .assess();
    assert_eq!(
        leading(&snaps).0,
        [CauseCode::SensorWorn],
        "{:?}",
        snaps.causes
    );
}

#[test]
fn sound_machines_are_not_called_any_of_them() {
    let codes = [
        CauseCode::IdleValveStuckOpen,
        CauseCode::IdleValveStuckShut,
        CauseCode::IdleAirHose,
        CauseCode::BleedBlocked,
        CauseCode::CableTight,
        CauseCode::SensorWorn,
    ];
    for seed in 20..26 {
        let a = make(&PutIn {
            seed,
            ..PutIn::default()
        })
        .assess();
        let sum: f64 = a
            .causes
            .iter()
            .filter(|c| c.members.iter().any(|m| codes.contains(m)))
            .map(|c| c.probability)
            .sum();
        assert!(sum < 0.05, "{seed}: {:?}", a.causes);
    }
}

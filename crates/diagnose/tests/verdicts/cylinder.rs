//! Causes that leave the through-areas alone, by the checks and lambda.

use evenpull_diagnose::{Assessment, CauseCode};

use crate::bench::{PutIn, make};
use crate::leading;

fn with_checks(checks: &str) -> PutIn {
    PutIn {
        checks: checks.to_owned(),
        ..PutIn::default()
    }
}

fn probability(a: &Assessment, code: CauseCode) -> f64 {
    a.causes
        .iter()
        .filter(|c| c.members.contains(&code))
        .map(|c| c.probability)
        .sum()
}

const CYLINDER: [CauseCode; 6] = [
    CauseCode::ValveTight,
    CauseCode::ValveLoose,
    CauseCode::CompressionLow,
    CauseCode::SparkWeak,
    CauseCode::InjectorUnequal,
    CauseCode::FilterBlocked,
];

#[test]
fn what_nobody_looked_at_is_not_claimed() {
    let a = make(&PutIn::default()).assess();
    for code in CYLINDER {
        assert!(probability(&a, code) == 0.0, "{code:?}: {:?}", a.causes);
    }
}

#[test]
fn checks_within_their_limits_leave_a_sound_machine_sound() {
    let put = PutIn {
        lambda: Some([0.98, 0.97]),
        ..with_checks(
            "compression_kpa = { left = 1150, right = 1120 }\n\
             leak_down_percent = { left = 5, right = 7 }\nlid_off = \"no change\"\n\
             clearances.left = { inlet_thou = [4, 4.5], exhaust_thou = [6, 5.5] }\n\
             clearances.right = { inlet_thou = [3.5, 4], exhaust_thou = [6, 6] }",
        )
    };
    let a = make(&put).assess();
    assert_eq!(leading(&a).0, [CauseCode::None], "{:?}", a.causes);
    assert!(
        !a.undetermined && a.causes[0].probability > 0.85,
        "{:?}",
        a.causes
    );
}

#[test]
fn each_check_outside_its_limits_names_its_cause_and_body() {
    let cases: [(&str, CauseCode, &str); 5] = [
        (
            "clearances.left = { inlet_thou = [4, 1.5], exhaust_thou = [6, 6] }",
            CauseCode::ValveTight,
            "left",
        ),
        (
            "clearances.right = { inlet_thou = [4, 4], exhaust_thou = [6, 9] }",
            CauseCode::ValveLoose,
            "right",
        ),
        (
            "compression_kpa = { left = 1150, right = 850 }",
            CauseCode::CompressionLow,
            "right",
        ),
        (
            "leak_down_percent = { left = 24, right = 6 }\ncompression_kpa = { left = 960, right = 1120 }",
            CauseCode::CompressionLow,
            "left",
        ),
        (
            "leak_down_percent = { left = 24, right = 6 }\n\
             clearances.left = { inlet_thou = [4, 4], exhaust_thou = [6, 2] }",
            CauseCode::ValveTight,
            "left",
        ),
    ];
    for (checks, code, body) in cases {
        let a = make(&with_checks(checks)).assess();
        let (members, on) = leading(&a);
        assert!(members.contains(&code), "{checks}: {:?}", a.causes);
        assert_eq!(on, Some(body), "{checks}");
        assert!(!a.undetermined, "{checks}: {:?}", a.causes);
    }
}

#[test]
fn low_compression_with_good_clearances_is_no_tight_valve() {
    let a = make(&with_checks(
        "compression_kpa = { left = 800, right = 1120 }\nleak_down_percent = { left = 30, right = 5 }\n\
         clearances.left = { inlet_thou = [4, 4], exhaust_thou = [6, 6] }",
    ))
    .assess();
    assert_eq!(leading(&a).0, [CauseCode::CompressionLow], "{:?}", a.causes);
    let open = make(&with_checks(
        "compression_kpa = { left = 800, right = 1120 }",
    ))
    .assess();
    assert!(
        leading(&open).0.contains(&CauseCode::ValveTight),
        "clearances unknown: {:?}",
        open.causes
    );
}

#[test]
fn a_leak_and_low_compression_stand_beside_each_other() {
    let put = PutIn {
        leak_mm2: [2.4, 0.35],
        ..with_checks("compression_kpa = { left = 1150, right = 850 }")
    };
    let a = make(&put).assess();
    assert!(probability(&a, CauseCode::StubLeak) > 0.9, "{:?}", a.causes);
    assert!(
        probability(&a, CauseCode::CompressionLow) > 0.9,
        "{:?}",
        a.causes
    );
}

/// Fuelled alike, a pipe is leaner by what more air its body draws; only what is left over is the
/// injector's or the spark's.
#[test]
fn lambda_is_held_against_the_air() {
    let even = PutIn {
        lambda: Some([1.12, 0.95]),
        ..PutIn::default()
    };
    let a = make(&even).assess();
    let (members, _) = leading(&a);
    assert!(
        members.contains(&CauseCode::InjectorUnequal),
        "{:?}",
        a.causes
    );
    assert!(
        members.contains(&CauseCode::SparkWeak),
        "lean may be misfire: {:?}",
        a.causes
    );
    // A leak of 4 mm2 at hold draws some 7 % more air on its side by the filling model.
    let leaking = PutIn {
        leak_mm2: [4.4, 0.35],
        lambda: Some([1.03, 0.96]),
        ..PutIn::default()
    };
    let a = make(&leaking).assess();
    assert!(
        probability(&a, CauseCode::InjectorUnequal) < 0.1,
        "{:?}",
        a.causes
    );
}

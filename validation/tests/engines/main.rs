//! The analysis on recordings of engines it has never seen, made by the crank-resolved engine and
//! its sensor chain: other sizes, firing orders, valve timings, hoses, rates, converters.
//!
//! Printed with `--nocapture`: per class the bias and spread of area and air ratios, the largest
//! error, the stated sd and the errors over it.

mod fourier;
mod stand;

use std::sync::atomic::{AtomicUsize, Ordering};

use stand::{Class, Errors, measure};

/// Recordings per class.
const SEEDS: u64 = 3;

/// Doubts that are true of these recordings and cost nothing.
const TRUE_DOUBTS: [&str; 3] = ["few-cycles", "hoses-unchecked", "hose-unknown"];

fn classes() -> Vec<Class> {
    let (idle, hold) = (Class::idle, Class::hold);
    let long = Some((1.0, 4e-3, 1e-6));
    let mid = Some((0.5, 3e-3, 1e-6));
    let short = Some((0.1, 4e-3, 0.5e-6));
    vec![
        idle("idle"),
        hold("hold"),
        Class {
            hose: None,
            ..hold("hold no hose")
        },
        Class {
            rate_hz: 500.0,
            ..idle("idle 500 Hz")
        },
        Class {
            rate_hz: 5000.0,
            ..idle("idle 5 kHz")
        },
        Class {
            rate_hz: 2000.0,
            ..hold("hold 2 kHz")
        },
        Class {
            rate_hz: 5000.0,
            ..hold("hold 5 kHz")
        },
        Class {
            bits: 10,
            ..idle("idle 10 bit")
        },
        Class {
            bits: 10,
            ..hold("hold 10 bit")
        },
        Class {
            hose: short,
            ..idle("idle 0.1 m")
        },
        Class {
            hose: short,
            ..hold("hold 0.1 m")
        },
        Class {
            hose: mid,
            ..idle("idle 0.5 m 3 mm")
        },
        Class {
            hose: long,
            ..idle("idle 1 m")
        },
        Class {
            columns: true,
            ..idle("idle gas")
        },
        Class {
            columns: true,
            ..hold("hold gas")
        },
        Class {
            displacement_cc: 350.0,
            runner_cc: 150.0,
            area_mm2: 5.5,
            columns: true,
            ..idle("350 idle gas")
        },
        Class {
            displacement_cc: 350.0,
            runner_cc: 150.0,
            area_mm2: 18.0,
            columns: true,
            ..hold("350 hold gas")
        },
        Class {
            displacement_cc: 700.0,
            runner_cc: 420.0,
            area_mm2: 11.0,
            ..idle("700 idle")
        },
        Class {
            displacement_cc: 700.0,
            runner_cc: 420.0,
            area_mm2: 36.0,
            columns: true,
            ..hold("700 hold gas")
        },
        Class {
            timing_deg: (30.0, 70.0),
            columns: true,
            ..idle("wide timing idle gas")
        },
        Class {
            timing_deg: (30.0, 70.0),
            columns: true,
            ..hold("wide timing hold")
        },
        Class {
            timing_deg: (0.0, 35.0),
            ..idle("mild timing idle")
        },
        Class {
            timing_deg: (0.0, 35.0),
            ..hold("mild timing hold")
        },
        Class {
            starts_deg: vec![0.0, 180.0],
            ..idle("180 idle")
        },
        Class {
            starts_deg: vec![0.0, 180.0],
            ..hold("180 hold")
        },
        Class {
            starts_deg: vec![0.0, 360.0],
            ..idle("360 idle")
        },
        Class {
            starts_deg: vec![0.0, 360.0],
            ..hold("360 hold")
        },
        Class {
            starts_deg: vec![0.0, 240.0, 480.0],
            ..idle("triple idle")
        },
        Class {
            starts_deg: vec![0.0, 240.0, 480.0],
            ..hold("triple hold")
        },
        Class {
            starts_deg: vec![0.0, 540.0, 180.0, 360.0],
            ..idle("four idle")
        },
        Class {
            starts_deg: vec![0.0, 540.0, 180.0, 360.0],
            ..hold("four hold")
        },
        Class {
            rpm: 800.0,
            area_mm2: 6.0,
            columns: true,
            ..idle("slow idle 800 gas")
        },
        Class {
            rpm: 1800.0,
            area_mm2: 12.0,
            ..idle("fast idle 1800")
        },
        Class {
            rpm: 5000.0,
            area_mm2: 36.0,
            rate_hz: 2000.0,
            ..hold("5000")
        },
    ]
}

/// Measures all classes on the cores of a small machine and prints them.
#[expect(
    clippy::print_stdout,
    reason = "the table is what these tests are read for"
)]
fn results(classes: &[Class]) -> Vec<Errors> {
    let next = AtomicUsize::new(0);
    let mut found: Vec<(usize, Errors)> = std::thread::scope(|scope| {
        let work = || {
            let mut mine = Vec::new();
            loop {
                let i = next.fetch_add(1, Ordering::Relaxed);
                let Some(class) = classes.get(i) else { break };
                let mut errors = Errors::default();
                for seed in 0..SEEDS {
                    errors.add(&measure(class, 100 * i as u64 + seed));
                }
                mine.push((i, errors));
            }
            mine
        };
        let threads: Vec<_> = (0..2).map(|_| scope.spawn(work)).collect();
        threads
            .into_iter()
            .flat_map(|t| t.join().expect("no panic"))
            .collect()
    });
    found.sort_by_key(|(i, _)| *i);
    for (class, (_, errors)) in classes.iter().zip(&found) {
        println!("{:22} {}", class.name, errors.line());
    }
    found.into_iter().map(|(_, e)| e).collect()
}

fn root_mean_square(values: impl Iterator<Item = f64>) -> f64 {
    let (n, sum) = values.fold((0, 0.0), |(n, s), v| (n + 1, s + v * v));
    (sum / f64::from(n)).sqrt()
}

/// The limits of the open jobs, on all these engines together: area ratio within 0.5 %, air within
/// 0.7 % in 95 of 100, none beyond 1.2 %, speed within 0.5 %; nothing refused, no false notice.
///
/// Errors over stated sd: at most 1.25 as for the open jobs; at least 0.4, because the hose of these
/// recordings is exactly the one described, which no shop's is, and its share of the sd idles.
#[test]
fn other_engines_read_as_well() {
    let classes = classes();
    let all = results(&classes);
    let (mut area, mut air) = (Vec::new(), Vec::new());
    for (class, e) in classes.iter().zip(&all) {
        assert_eq!(e.refused, 0, "{}: refused {:?}", class.name, e.codes);
        for code in e.codes.keys() {
            assert!(
                TRUE_DOUBTS.contains(&code.as_str()),
                "{}: {code}",
                class.name
            );
        }
        assert!(
            e.rpm.iter().all(|x| x.abs() < 0.005),
            "{}: speed",
            class.name
        );
        // The drift of the sensor's zero is part of what is seen: three deviations and 0.1 kPa.
        assert!(
            e.depression.iter().all(|x| x.abs() < 0.61),
            "{}",
            class.name
        );
        area.extend_from_slice(&e.area);
        air.extend_from_slice(&e.air);
    }
    for (what, errors, limit) in [("area", &area, 0.005), ("air", &air, 0.007)] {
        let within = errors.iter().filter(|x| x.0.abs() <= limit).count() as f64;
        let share = within / errors.len() as f64;
        let largest = errors.iter().fold(0.0_f64, |m, x| m.max(x.0.abs()));
        let z = root_mean_square(errors.iter().map(|x| x.0 / x.1));
        println!(
            "{what}: {:.1} % within {limit}, max {largest:.4}, z {z:.2}, n {}",
            100.0 * share,
            errors.len()
        );
        assert!(share >= 0.95, "{what}: {share}");
        assert!(largest <= 0.012, "{what}: {largest}");
        assert!((0.4..=1.25).contains(&z), "{what}: {z}");
    }
}

/// Balance pipes of 0.5 to 4 mm2 at idle and 2 to 4 mm2 at the hold, of which the analysis is told
/// nothing: every reading flagged, and either refused or right within three of its own sd.
#[test]
fn a_balance_pipe_is_flagged() {
    let (idle, hold) = (Class::idle, Class::hold);
    let classes = vec![
        Class {
            pipe_mm2: 0.5,
            ..idle("idle pipe 0.5")
        },
        Class {
            pipe_mm2: 1.0,
            ..idle("idle pipe 1")
        },
        Class {
            pipe_mm2: 1.0,
            columns: true,
            ..idle("idle pipe 1 gas")
        },
        Class {
            pipe_mm2: 1.0,
            starts_deg: vec![0.0, 360.0],
            ..idle("idle pipe 1 at 360")
        },
        Class {
            pipe_mm2: 1.0,
            starts_deg: vec![0.0, 240.0, 480.0],
            ..idle("idle pipe 1 triple")
        },
        Class {
            pipe_mm2: 2.0,
            ..idle("idle pipe 2")
        },
        Class {
            pipe_mm2: 4.0,
            ..idle("idle pipe 4")
        },
        Class {
            pipe_mm2: 2.0,
            ..hold("hold pipe 2")
        },
        Class {
            pipe_mm2: 4.0,
            ..hold("hold pipe 4")
        },
        Class {
            passage_mm2: 4.0,
            ..idle("idle chamber 4")
        },
        Class {
            passage_mm2: 12.0,
            ..idle("idle chamber 12")
        },
    ];
    for (class, e) in classes.iter().zip(results(&classes)) {
        let readings = SEEDS as usize * class.starts_deg.len();
        assert_eq!(e.codes.get("cross-flow"), Some(&readings), "{}", class.name);
        for (error, sd) in e.area.iter().chain(&e.air) {
            assert!(error.abs() < 3.0 * sd, "{}: {error} {sd}", class.name);
        }
    }
}

/// Pipes below what can be seen: not corrected, but the stated sd knows what cannot be excluded.
#[test]
fn a_pipe_too_small_to_see_widens() {
    let (idle, hold) = (Class::idle, Class::hold);
    let classes = vec![
        Class {
            pipe_mm2: 0.1,
            ..idle("idle pipe 0.1")
        },
        Class {
            pipe_mm2: 0.25,
            ..idle("idle pipe 0.25")
        },
        Class {
            pipe_mm2: 0.25,
            ..hold("hold pipe 0.25")
        },
        Class {
            pipe_mm2: 0.5,
            ..hold("hold pipe 0.5")
        },
        Class {
            pipe_mm2: 1.0,
            ..hold("hold pipe 1")
        },
    ];
    for (class, e) in classes.iter().zip(results(&classes)) {
        let z = root_mean_square(e.area.iter().map(|x| x.0 / x.1));
        assert!(z < 1.25, "{}: {z}", class.name);
    }
}

/// Idle-air chambers that the profile owns up to: flagged, and right within three of the widened sd,
/// also where the traces cannot show them.
#[test]
fn a_known_open_chamber_is_flagged_and_widened() {
    let (idle, hold) = (Class::idle, Class::hold);
    let known = |class: Class| Class {
        known: true,
        ..class
    };
    let four = vec![0.0, 540.0, 180.0, 360.0];
    let classes: Vec<Class> = vec![
        known(Class {
            passage_mm2: 0.5,
            ..idle("idle chamber 0.5")
        }),
        known(Class {
            passage_mm2: 1.0,
            ..idle("idle chamber 1")
        }),
        known(Class {
            passage_mm2: 2.0,
            ..idle("idle chamber 2")
        }),
        known(Class {
            passage_mm2: 4.0,
            starts_deg: four,
            ..idle("four chamber 4")
        }),
        known(Class {
            passage_mm2: 2.0,
            ..hold("hold chamber 2")
        }),
        known(Class {
            passage_mm2: 4.0,
            ..hold("hold chamber 4")
        }),
        known(Class {
            passage_mm2: 12.0,
            ..hold("hold chamber 12")
        }),
    ];
    for (class, e) in classes.iter().zip(results(&classes)) {
        let readings = SEEDS as usize * class.starts_deg.len();
        assert_eq!(e.codes.get("cross-flow"), Some(&readings), "{}", class.name);
        for (error, sd) in &e.area {
            assert!(error.abs() < 3.0 * sd, "{}: {error} {sd}", class.name);
        }
    }
}

/// Known failure: an idle-air chamber of 2 to 4 mm2 that nobody told of looks like ringing, with
/// errors far beyond the stated sd. Asserted to still fail, so that a cure is noticed.
#[test]
fn an_untold_chamber_of_2_mm2_still_goes_unseen() {
    let classes = vec![Class {
        passage_mm2: 2.0,
        ..Class::idle("idle chamber 2 untold")
    }];
    let e = &results(&classes)[0];
    assert_eq!(e.codes.get("cross-flow"), None);
    let z = root_mean_square(e.area.iter().map(|x| x.0 / x.1));
    assert!(
        z > 3.0,
        "cured: {z}; take it off the list in validation/README.md"
    );
}

/// Refills over before they can be timed, and a hose that rings past the sensor's range: refused
/// with the reason, never a number.
#[test]
fn what_cannot_be_read_is_refused() {
    let hold = Class::hold;
    let classes = vec![
        Class {
            rpm: 2000.0,
            area_mm2: 60.0,
            ..hold("large opening 2000")
        },
        Class {
            hose: Some((1.0, 4e-3, 1e-6)),
            rate_hz: 5000.0,
            ..hold("hold 1 m hose")
        },
    ];
    let all = results(&classes);
    for (e, code) in all.iter().zip(["refill-over-early", "range-exceeded"]) {
        assert_eq!(e.refused, 2 * SEEDS as usize, "{:?}", e.codes);
        assert_eq!(
            e.codes.get(code),
            Some(&(2 * SEEDS as usize)),
            "{:?}",
            e.codes
        );
    }
}

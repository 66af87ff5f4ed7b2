//! Recordings that carry no reading, half a reading or a doubtful one.

use evenpull_trace::{AnalyseError, CycleReading, Setup, analyse};

use crate::synthetic::Made;

fn codes(r: &CycleReading) -> Vec<String> {
    r.notices.iter().map(|n| n.code.to_string()).collect()
}

fn has(r: &CycleReading, code: &str) -> bool {
    codes(r).iter().any(|c| c == code)
}

fn read(made: &Made) -> Result<CycleReading, AnalyseError> {
    analyse(&made.recording(), &made.setup())
}

#[test]
fn a_dead_channel_leaves_the_other_alone() {
    let made = Made::twin();
    let mut recording = made.recording();
    recording.channels[1].p_pa.fill(99_000.0);
    let r = analyse(&recording, &made.setup()).unwrap();
    assert!(has(&r, "channel-dead"), "{:?}", codes(&r));
    assert!(r.channels[0].through_area_mm2.is_some());
    assert_eq!(r.channels[1].through_area_mm2, None);
    assert!((r.channels[1].mean_depression_kpa - 1.0).abs() < 1e-9);
}

#[test]
fn all_dead_missing_short_and_coarse_are_told_apart() {
    let made = Made::twin();
    let mut recording = made.recording();
    for c in &mut recording.channels {
        c.p_pa.fill(99_000.0);
    }
    let dead = analyse(&recording, &made.setup()).unwrap_err();
    assert!(matches!(dead, AnalyseError::AllDead { .. }), "{dead}");

    let mut setup: Setup = made.setup();
    setup.bodies[1].body = "elsewhere".to_owned();
    let missing = analyse(&made.recording(), &setup).unwrap_err();
    assert!(missing.to_string().contains("elsewhere"), "{missing}");

    let short = read(&Made {
        duration_s: 0.35,
        ..Made::twin()
    })
    .unwrap_err();
    assert!(
        matches!(
            short,
            AnalyseError::TooShort { .. } | AnalyseError::NoCycle { .. }
        ),
        "{short}"
    );

    let coarse = read(&Made {
        rate_hz: 100.0,
        ..Made::twin()
    })
    .unwrap_err();
    assert!(matches!(coarse, AnalyseError::TooCoarse { .. }), "{coarse}");
}

#[test]
fn pressures_that_cannot_be_are_refused() {
    let made = Made::twin();
    let mut setup = made.setup();
    setup.p0_pa *= 0.4;
    let e = analyse(&made.recording(), &setup).unwrap_err();
    assert!(matches!(e, AnalyseError::Implausible { .. }), "{e}");
}

#[test]
fn a_recording_of_no_samples_is_no_panic() {
    let made = Made {
        duration_s: 0.0,
        ..Made::twin()
    };
    assert!(read(&made).is_err());
    let mut recording = made.recording();
    recording.segments.clear();
    assert!(analyse(&recording, &made.setup()).is_err());
    let unreadable = Made::twin();
    let mut recording = unreadable.recording();
    for c in &mut recording.channels {
        c.p_pa.fill(f32::NAN);
    }
    assert!(analyse(&recording, &unreadable.setup()).is_err());
}

#[test]
fn few_cycles_and_no_zero_are_said() {
    let made = Made {
        duration_s: 3.0,
        ..Made::twin()
    };
    let mut setup = made.setup();
    let with = analyse(&made.recording(), &setup).unwrap();
    assert!(has(&with, "few-cycles"));
    setup.bodies[0].zero_pa = None;
    let without = analyse(&made.recording(), &setup).unwrap();
    assert!(has(&without, "not-zeroed"));
    let sd = |r: &CycleReading| r.channels[0].through_area_mm2.unwrap().sd;
    assert!(sd(&without) > 3.0 * sd(&with));
}

/// Speed rising by a tenth over the recording: the samples are taken ever further apart.
#[test]
fn an_unsteady_run_is_said() {
    let made = Made::twin();
    let mut recording = made.recording();
    let n = recording.samples();
    for c in &mut recording.channels {
        let old = c.p_pa.clone();
        for (i, p) in c.p_pa.iter_mut().enumerate() {
            let x = i as f64 / n as f64;
            // The crank turns a tenth slower at the start than at the end.
            let at = (0.9 * x + 0.05 * x * x) * n as f64;
            *p = old[(at as usize).min(n - 1)];
        }
    }
    let r = analyse(&recording, &made.setup()).unwrap();
    assert!(has(&r, "unsteady-rpm"), "{:?}", codes(&r));
}

/// One cycle in ten breathes a fifth less deep: odd cycles, and still the rate of the rest.
#[test]
fn odd_cycles_are_said_and_do_not_count() {
    let made = Made {
        duration_s: 20.0,
        ..Made::twin()
    };
    let clean = read(&made).unwrap();
    let mut recording = made.recording();
    let per_cycle = 100;
    for (i, p) in recording.channels[0].p_pa.iter_mut().enumerate() {
        // From intake start to intake start, so that the odd breath has its own refill.
        if (i / per_cycle) % 10 == 3 {
            *p += 0.2 * (1e5 - *p);
        } else {
            // A touch of scatter, without which no scale for "odd" exists.
            *p += 20.0 * ((i / per_cycle) % 7) as f32;
        }
    }
    let r = analyse(&recording, &made.setup()).unwrap();
    assert!(has(&r, "misfire-like"), "{:?}", codes(&r));
    let k = |r: &CycleReading| r.channels[0].refill_rate_per_s.value;
    assert!(
        (k(&r) / k(&clean) - 1.0).abs() < 0.01,
        "{} {}",
        k(&r),
        k(&clean)
    );
}

#[test]
fn samples_held_at_the_end_of_the_range_cost_the_values() {
    let made = Made::twin();
    let mut recording = made.recording();
    let floor = 35_000.0;
    for c in &mut recording.channels {
        for p in &mut c.p_pa {
            if *p < floor {
                *p = floor;
                c.clipped += 1;
            }
        }
    }
    let r = analyse(&recording, &made.setup()).unwrap();
    assert!(
        has(&r, "clipped") && has(&r, "range-exceeded"),
        "{:?}",
        codes(&r)
    );
    assert!(r.channels.iter().all(|c| c.through_area_mm2.is_none()));
}

/// A refill that is over in a few samples gives no rate.
#[test]
fn a_refill_over_too_early_is_refused() {
    let mut made = Made::twin();
    for b in &mut made.bodies {
        b.k_per_s = 60.0;
    }
    let r = read(&made).unwrap();
    assert!(has(&r, "refill-over-early"), "{:?}", codes(&r));
    assert!(r.channels.iter().all(|c| c.through_area_mm2.is_none()));
}

//! The open example jobs: three layouts, against what the simulator says it put in.

use std::fs::File;
use std::path::PathBuf;

use evenpull_trace::{ChannelHint, ChannelUnit, ColumnRef, LayoutHint, Recording, import};

use crate::support::bodies;

fn open(job: &str, file: &str, hint: &LayoutHint) -> Recording {
    let path = PathBuf::from(env!("CARGO_MANIFEST_DIR"))
        .join("../../examples/jobs")
        .join(job)
        .join(file);
    let reader = File::open(&path).unwrap_or_else(|e| panic!("{}: {e}", path.display()));
    import(reader, file, hint, &bodies(), &mut |_| {}).expect("open jobs import")
}

fn mean_kpa(recording: &Recording, channel: usize) -> f64 {
    let seen = recording.channels[channel]
        .p_pa
        .iter()
        .filter(|p| p.is_finite());
    let (sum, n) = seen.fold((0.0, 0), |(sum, n), p| (sum + f64::from(*p), n + 1));
    sum / f64::from(n) / 1e3
}

/// Source: `truth.json` of each job (`mean_depression_kpa` of the first reading) and the ambient
/// pressure of its `job.toml`. Tolerance 0.4 kPa: six seconds hold 62.5 cycles, and half a cycle
/// of +-30 kPa over 62 moves the mean by up to 0.3 kPa; the converter's step is 0.03 kPa.
#[test]
fn val_means_of_the_open_jobs() {
    let crossed = |swap: bool| {
        let channel = |body: &str, name: &str| ChannelHint {
            body: body.to_owned(),
            column: Some(ColumnRef::Name(name.to_owned())),
            unit: Some(ChannelUnit::Volts {
                sensor: None,
                supply_v: Some(5.0),
            }),
        };
        let pressure = vec![channel("left", "Channel B"), channel("right", "Channel A")];
        LayoutHint {
            pressure: if swap { pressure } else { Vec::new() },
            ..LayoutHint::default()
        }
    };
    for (job, ambient_kpa, depression_kpa, swap) in [
        ("balance-off", 99.34, [41.063, 42.933], false),
        ("healthy", 96.64, [40.040, 40.413], false),
        ("stop-turned-in", 97.16, [40.453, 40.461], true),
    ] {
        let r = open(job, "00_idle-bleeds-shut_1250.csv", &crossed(swap));
        for (k, want) in depression_kpa.into_iter().enumerate() {
            let got = ambient_kpa - mean_kpa(&r, k);
            assert!((got - want).abs() < 0.4, "{job} {k}: {got} against {want}");
        }
    }
}

#[test]
fn three_layouts_are_found_by_themselves() {
    let nothing = LayoutHint::default();
    let r = open("healthy", "06_hold_3800.csv", &nothing);
    assert_eq!(
        (r.samples(), r.segments.len(), r.notices.len()),
        (6000, 1, 0)
    );
    assert!((f64::from(r.channels[0].p_pa[0]) / 1e3 - 93.376).abs() < 1e-3);

    // Line 301 is broken and line 302 empty; the counter rolls over.
    let r = open("balance-off", "00_idle-bleeds-shut_1250.csv", &nothing);
    assert_eq!((r.samples(), r.segments.len()), (6000, 1));
    assert!((r.dt_s - 1e-3).abs() < 1e-9);
    let blank: Vec<usize> = (0..6000)
        .filter(|&i| r.channels[0].p_pa[i].is_nan())
        .collect();
    assert_eq!(blank, [299, 300]);
    // Counts 2938 and 1812 of 4095 in the first row: P = (c / 4095 + 0.095) / 0.009.
    for (k, counts) in [2938.0, 1812.0].into_iter().enumerate() {
        let want_pa = (counts / 4095.0 + 0.095) / 0.009 * 1e3;
        assert!((f64::from(r.channels[k].p_pa[0]) - want_pa).abs() < 0.01);
    }

    // Line 201 is overloaded in channel A.
    let r = open("stop-turned-in", "00_idle-bleeds-shut_1250.csv", &nothing);
    assert_eq!((r.samples(), r.segments.len()), (12_000, 1));
    assert_eq!((r.channels[0].clipped, r.channels[1].clipped), (1, 0));
    assert!(r.channels[0].p_pa[197].is_nan());
}

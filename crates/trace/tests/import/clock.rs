//! Time stamps: spacing, roll-over, gaps, repeats, disorder, jitter.

use crate::support::{assert_follows, bare, codes, rows, take};
use evenpull_trace::{LayoutHint, TimeUnit};

/// Reproducible scatter in -1..1 (the finaliser of the splitmix generator).
fn scatter(i: usize) -> f64 {
    let mut x = (i as u64 + 1).wrapping_mul(0x9e37_79b9_7f4a_7c15);
    x = (x ^ (x >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    x = (x ^ (x >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    ((x ^ (x >> 31)) >> 11) as f64 / (1_u64 << 52) as f64 - 1.0
}

#[test]
fn stamps_coarser_than_the_spacing() {
    // Milliseconds printed at 3, 1.7, 0.99 and 0.667 kHz.
    for hz in [3000.0, 1700.0, 990.0, 667.0] {
        let file = rows(6000, ",", |i| format!("{}", (i as f64 * 1e3 / hz).floor()));
        let r = bare(format!("t_ms,left_kpa,right_kpa\n{file}")).unwrap();
        // One stamp's resolution over the length of the file, with room for the regression.
        let tolerance = 1e-3 / 6000.0;
        assert!(
            (r.dt_s - 1.0 / hz).abs() < tolerance,
            "{hz} Hz: {}",
            1.0 / r.dt_s
        );
        assert_eq!((r.samples(), r.segments.len()), (6000, 1), "{hz}");
        assert_follows(&r.channels[0].p_pa, 0, 0, 0.6);
    }
}

#[test]
fn counters_roll_over() {
    let modulus = 1_u64 << 32;
    for (step, start, unit) in [
        (500_u64, modulus - 700_000, "us"),
        (1, modulus - 1500, "ms"),
        (1, 65_536 - 1000, "ms"),
    ] {
        let wrap = if start < 65_536 { 65_536 } else { modulus };
        let file = rows(4000, ",", |i| {
            format!("{}", (start + i as u64 * step) % wrap)
        });
        let r = bare(format!("t_{unit},left_kpa,right_kpa\n{file}")).unwrap();
        assert_eq!((r.samples(), r.segments.len()), (4000, 1), "{unit} {start}");
        assert!(
            r.assumed.iter().any(|a| a.contains("rolled over 1 times")),
            "{:?}",
            r.assumed
        );
        assert_follows(&r.channels[1].p_pa, 1, 0, 0.6);
    }
    // 16 bit of microseconds at 2 kHz: 38 times in five seconds.
    let file = rows(5000, ",", |i| format!("{}", i * 500 % 65_536));
    let r = bare(format!("t_us,left_kpa,right_kpa\n{file}")).unwrap();
    assert!((r.dt_s - 5e-4).abs() < 1e-9 && r.segments.len() == 1);
    // Microseconds printed as seconds.
    let file = rows(4000, ",", |i| {
        format!("{:.6}", (4294.0 + i as f64 * 5e-4) % 4_294.967_296)
    });
    let r = bare(format!("time_s,left_kpa,right_kpa\n{file}")).unwrap();
    assert_eq!((r.samples(), r.segments.len()), (4000, 1));
}

#[test]
fn long_gap_starts_a_segment_short_gap_is_blanked() {
    let jump = |i: usize| i + if i >= 1000 { 2 } else { 0 } + if i >= 3000 { 250 } else { 0 };
    let file = rows(5000, ",", |i| format!("{:.4}", jump(i) as f64 * 5e-4));
    let r = bare(format!("time_s,left_kpa,right_kpa\n{file}")).unwrap();
    let got: Vec<(usize, usize)> = r.segments.iter().map(|s| (s.first, s.len)).collect();
    assert_eq!(got, [(0, 3002), (3002, 2000)]);
    assert!((r.segments[1].t0_s - 3252.0 * 5e-4).abs() < 1e-9);
    assert!(
        r.channels
            .iter()
            .all(|c| c.p_pa[1000].is_nan() && c.p_pa[1001].is_nan())
    );
    assert_follows(&r.channels[0].p_pa[1002..3002], 0, 1000, 0.6);
    assert_follows(&r.channels[0].p_pa[3002..], 0, 3000, 0.6);
    assert!((r.dt_s - 5e-4).abs() < 1e-9);
    let lost = r.notices.iter().find(|n| n.code == "lost-samples").unwrap();
    assert!(lost.text.starts_with("252 samples"), "{}", lost.text);
}

#[test]
fn lost_lines_now_and_then_keep_the_spacing() {
    // One line in a hundred is lost, with stamps of 1 ms at 1 kHz.
    let kept: Vec<usize> = (0..20_000).filter(|i| scatter(*i) > -0.98).collect();
    let file: String = kept
        .iter()
        .map(|&i| {
            format!(
                "{i},{:.3},{:.3}\n",
                crate::support::kpa(0, i),
                crate::support::kpa(1, i)
            )
        })
        .collect();
    let r = bare(&file).unwrap();
    assert!((r.dt_s - 1e-3).abs() < 1e-9, "{}", r.dt_s);
    assert!(r.samples() > 19_900);
    for s in &r.segments {
        let from = (s.t0_s / 1e-3).round() as usize;
        for i in 0..s.len {
            let p = f64::from(r.channels[0].p_pa[s.first + i]);
            assert!(
                p.is_nan() || (p - crate::support::kpa(0, from + i) * 1e3).abs() < 0.6,
                "{s:?} {i} {p} {}",
                r.dt_s
            );
        }
    }
}

#[test]
fn repeated_rows_are_left_out() {
    let mut file = String::from("t_us,left_kpa,right_kpa\n");
    for (i, line) in rows(3000, ",", |i| format!("{}", i * 500))
        .lines()
        .enumerate()
    {
        let times = if i % 500 == 7 { 2 } else { 1 };
        file += &format!("{line}\n").repeat(times);
    }
    let r = bare(&file).unwrap();
    assert_eq!((r.samples(), r.segments.len()), (3000, 1));
    assert_follows(&r.channels[0].p_pa, 0, 0, 0.6);
    assert_eq!(codes(&r), ["repeated-stamps"]);
}

#[test]
fn slightly_disordered_rows_are_put_back() {
    let mut lines: Vec<String> = rows(3000, ",", |i| format!("{}", i * 500))
        .lines()
        .map(str::to_owned)
        .collect();
    for at in [40, 999, 2000] {
        lines.swap(at, at + 1);
    }
    lines.swap(1500, 1503);
    let r = bare(format!("t_us,left_kpa,right_kpa\n{}\n", lines.join("\n"))).unwrap();
    assert_eq!((r.samples(), r.segments.len()), (3000, 1));
    assert_follows(&r.channels[0].p_pa, 0, 0, 0.6);
    assert_eq!(codes(&r), ["disordered-stamps"]);
}

#[test]
fn garbled_stamp_does_not_move_the_samples() {
    for garbled in ["99999999", "3", "7505000"] {
        let file = rows(3000, ",", |i| {
            if i == 1500 {
                garbled.to_owned()
            } else {
                format!("{}", i * 500)
            }
        });
        let r = bare(format!("t_us,left_kpa,right_kpa\n{file}")).unwrap();
        assert_eq!((r.samples(), r.segments.len()), (3000, 1), "{garbled}");
        assert_follows(&r.channels[0].p_pa, 0, 0, 0.6);
        assert_eq!(codes(&r), ["odd-stamps"]);
    }
}

#[test]
fn half_a_first_line_is_left_out() {
    let file = rows(2000, ",", |i| {
        if i == 0 {
            "95".to_owned()
        } else {
            format!("{}", 81_295_000 + i * 500)
        }
    });
    let r = bare(format!("t_us,left_kpa,right_kpa\n{file}")).unwrap();
    assert_eq!((r.samples(), r.segments.len()), (1999, 1));
    assert_follows(&r.channels[0].p_pa, 0, 1, 0.6);
}

#[test]
fn small_jitter_is_not_followed_large_is_said() {
    let stamps = |share: f64| {
        rows(8000, ",", |i| {
            format!(
                "{}",
                ((i as f64 + share * scatter(i)) * 1000.0).round() as u64 + 5000
            )
        })
    };
    let r = bare(format!("t_us,left_kpa,right_kpa\n{}", stamps(0.1))).unwrap();
    assert_eq!(
        (r.samples(), r.segments.len(), codes(&r)),
        (8000, 1, vec![])
    );
    assert!((r.dt_s - 1e-3).abs() < 1e-7, "{}", r.dt_s);
    assert_follows(&r.channels[0].p_pa, 0, 0, 0.6);
    let r = bare(format!("t_us,left_kpa,right_kpa\n{}", stamps(0.45))).unwrap();
    assert!(codes(&r).contains(&"jittery-clock"), "{:?}", r.notices);
    assert!((r.dt_s - 1e-3).abs() < 1e-6, "{}", r.dt_s);
    assert_eq!(r.samples(), 8000);
}

#[test]
fn spacing_alone_tells_the_unit() {
    for (step, seconds) in [
        (0.0005, 5e-4),
        (0.5, 5e-4),
        (500.0, 5e-4),
        (1.0, 1e-3),
        (0.001, 1e-3),
        (2000.0, 2e-3),
    ] {
        let r = bare(rows(500, ",", |i| format!("{:.4}", i as f64 * step))).unwrap();
        assert!((r.dt_s - seconds).abs() < 1e-9, "{step}: {}", r.dt_s);
    }
    let hint = LayoutHint {
        time_unit: Some(TimeUnit::Minute),
        ..LayoutHint::default()
    };
    let r = take(
        rows(500, ",", |i| format!("{:.8}", i as f64 / 60_000.0)),
        &hint,
    )
    .unwrap();
    assert!((r.dt_s - 1e-3).abs() < 1e-7, "{}", r.dt_s);
}

#[test]
fn stamps_that_only_alternate_are_refused_soon() {
    // Were every such row moved to its place, the work would grow with the square of the rows.
    let file = rows(400_000, ",", |i| {
        if i < 5000 {
            format!("{i}")
        } else {
            format!("{}", 5000 + i % 2)
        }
    });
    let start = std::time::Instant::now();
    let result = bare(format!("t_ms,left_kpa,right_kpa\n{file}"));
    assert!(start.elapsed().as_secs() < 20, "{:?}", start.elapsed());
    // Refused, or kept as the five seconds there are.
    if let Ok(r) = result {
        assert!((4990..6000).contains(&r.samples()), "{}", r.samples());
        assert!(codes(&r).contains(&"repeated-stamps"));
    }
}

//! Layouts found by themselves.

use crate::support::{assert_follows, bare, bodies, codes, kpa, rows, take};
use evenpull_airflow::{PressureUnit, Ratiometric};
use evenpull_trace::{
    ChannelHint, ChannelUnit, ColumnRef, LayoutHint, PressureKind, TimeUnit, import,
};

fn ms(i: usize) -> String {
    format!("{}", i)
}

#[test]
fn oscilloscope_export_with_units_row_and_overload() {
    let mut file = String::from(
        "\u{feff}Recording of the shop\r\n\r\nTime;Channel A;Channel B\r\n(ms);(V);(V)\r\n\r\n",
    );
    for i in 0..2000 {
        let volts = |body| 5.0 * (0.009 * kpa(body, i) - 0.095);
        let b = if i == 100 {
            "\u{221e}".to_owned()
        } else {
            format!("{:.4}", volts(1)).replace('.', ",")
        };
        file += &format!(
            "{};{};{b}\r\n",
            format!("{:.3}", i as f64 * 0.5).replace('.', ","),
            format!("{:.4}", volts(0)).replace('.', ",")
        );
    }
    let r = bare(&file).unwrap();
    assert!((r.dt_s - 5e-4).abs() < 1e-9);
    assert_eq!(r.channels[1].clipped, 1);
    assert!(r.channels[1].p_pa[100].is_nan());
    // Four decimals of a volt at 5 V and 0.009 per kPa are 2.2 Pa.
    assert!((r.channels[0].step_pa - 1e-4 / 5.0 / 0.009 * 1e3).abs() < 0.01);
    assert_follows(&r.channels[0].p_pa, 0, 0, 1.2);
    assert_follows(&r.channels[1].p_pa[101..], 1, 101, 1.2);
    let said = r.assumed.join("\n");
    assert!(
        said.contains("semicolons")
            && said.contains("decimal comma")
            && said.contains("supply 5 V assumed"),
        "{said}"
    );
    assert_eq!(codes(&r), ["clipped"]);
}

#[test]
fn serial_log_with_boot_text_and_broken_lines() {
    let mut file = String::from("oot ok, 12 bit\r\n");
    let mut clock = 4_294_900_000_u64;
    for i in 0..3000 {
        let counts = |body| (4095.0 * (0.009 * kpa(body, i) - 0.095)).round();
        match i {
            500 => file += "42949\r\n",
            800 => file += "\r\n",
            _ => file += &format!("{},{},{}\r\n", clock % (1 << 32), counts(0), counts(1)),
        }
        clock += 500;
    }
    let r = bare(&file).unwrap();
    assert!((r.dt_s - 5e-4).abs() < 1e-9, "{}", r.dt_s);
    assert_eq!((r.samples(), r.segments.len()), (3000, 1));
    // Half a count is 13.6 Pa.
    assert_follows(&r.channels[0].p_pa[..500], 0, 0, 13.7);
    assert!(r.channels[0].p_pa[500].is_nan() && r.channels[1].p_pa[800].is_nan());
    assert_follows(&r.channels[1].p_pa[801..], 1, 801, 13.7);
    let notice = r
        .notices
        .iter()
        .find(|n| n.code == "skipped-lines")
        .unwrap();
    assert!(
        notice.text.starts_with("1 of ") && notice.text.contains("line 502"),
        "{}",
        notice.text
    );
    assert!(codes(&r).contains(&"lost-samples"));
    assert!(r.assumed.iter().any(|a| a.contains("rolled over 1 times")));
}

#[test]
fn headings_name_the_bodies_in_any_order() {
    let rows: String = (0..500)
        .map(|i| {
            format!(
                "{:.4}\t{:.2}\t1250\t{:.2}\n",
                i as f64 * 1e-3,
                kpa(1, i),
                kpa(0, i)
            )
        })
        .collect();
    let r = bare(format!("time (s)\tRight [kPa]\trpm\tpLEFT [kPa]\n{rows}")).unwrap();
    assert_eq!(r.channels[0].body, "left");
    assert_follows(&r.channels[0].p_pa, 0, 0, 5.1);
    assert_follows(&r.channels[1].p_pa, 1, 0, 5.1);
}

#[test]
fn pressure_ranges_tell_the_unit() {
    for (factor, places, word) in [
        (1.0, 2, "kPa absolute"),
        (10.0, 1, "mbar absolute"),
        (1000.0, 1, "Pa absolute"),
    ] {
        let file: String = (0..500)
            .map(|i| {
                format!(
                    "{i} {:.places$} {:.places$}\n",
                    kpa(0, i) * factor,
                    kpa(1, i) * factor
                )
            })
            .collect();
        let r = bare(&file).unwrap();
        assert!(
            r.assumed
                .iter()
                .any(|a| a.contains(word) && a.contains("range of values")),
            "{:?}",
            r.assumed
        );
        assert_follows(&r.channels[0].p_pa, 0, 0, 5.1);
    }
}

#[test]
fn gauge_and_depression_with_ambient() {
    let hint = LayoutHint {
        ambient_pa: Some(100_000.0),
        ..LayoutHint::default()
    };
    let gauge: String = (0..500)
        .map(|i| format!("{i}|{:.2}|{:.2}\n", kpa(0, i) - 100.0, kpa(1, i) - 100.0))
        .collect();
    let r = take(&gauge, &hint).unwrap();
    assert_follows(&r.channels[0].p_pa, 0, 0, 5.1);
    let rows: String = (0..500)
        .map(|i| {
            format!(
                "{i},{:.1},{:.1}\n",
                (100.0 - kpa(0, i)) * 10.0,
                (100.0 - kpa(1, i)) * 10.0
            )
        })
        .collect();
    let r = take(
        format!("t_ms,left vacuum (mbar),right vacuum (mbar)\n{rows}"),
        &hint,
    )
    .unwrap();
    assert_follows(&r.channels[1].p_pa, 1, 0, 5.1);
}

#[test]
fn counts_of_other_converters_by_the_boot_text() {
    for bits in [10_u32, 14, 16] {
        let full = f64::from((1_u32 << bits) - 1);
        let counts = |b, i| (full * (0.009 * kpa(b, i) - 0.095)).round();
        let rows: String = (0..600)
            .map(|i| format!("{},{},{}\n", i * 1000, counts(0, i), counts(1, i)))
            .collect();
        let r = bare(format!("ready, {bits} bit\n{rows}")).unwrap();
        assert_follows(&r.channels[0].p_pa, 0, 0, 0.51 / full / 0.009 * 1e3);
        assert!((r.channels[0].step_pa - 1e3 / 0.009 / full).abs() < 1e-6);
    }
}

#[test]
fn hints_override_everything() {
    // Columns swapped, a sensor of another kind, a supply of 3.3 V.
    let sensor = Ratiometric::new(0.0077, 0.02).unwrap();
    let volts = |b, i| 3.3 * (0.0077 * kpa(b, i) + 0.02);
    let file: String = (0..500)
        .map(|i| format!("{:.4};{:.4};{}\n", volts(1, i), volts(0, i), i * 40))
        .collect();
    let unit = Some(ChannelUnit::Volts {
        sensor: Some(sensor),
        supply_v: Some(3.3),
    });
    let channel = |body: &str, n| ChannelHint {
        body: body.into(),
        column: Some(ColumnRef::Number(n)),
        unit,
    };
    let hint = LayoutHint {
        time: Some(ColumnRef::Number(3)),
        time_unit: Some(TimeUnit::Tick { hz: 80_000.0 }),
        pressure: vec![channel("left", 2), channel("right", 1)],
        ..LayoutHint::default()
    };
    let r = take(&file, &hint).unwrap();
    assert!((r.dt_s - 5e-4).abs() < 1e-12);
    // Half the last digit of a volt: 0.5e-4 / 3.3 / 0.0077 kPa.
    assert_follows(&r.channels[0].p_pa, 0, 0, 2.0);
    assert_follows(&r.channels[1].p_pa, 1, 0, 2.0);
    assert!(
        r.assumed.iter().all(|a| !a.contains("assumed")),
        "{:?}",
        r.assumed
    );
}

#[test]
fn file_unit_overruled_by_the_layout_is_noted() {
    // Headed mV, but the layout knows that it is kPa: the values fit kPa only.
    let file = format!("t_ms,left mV,right mV\n{}", rows(400, ",", ms));
    let kpa = Some(ChannelUnit::Pressure {
        unit: PressureUnit::KPa,
        kind: PressureKind::Absolute,
    });
    let channel = |body: &str, n| ChannelHint {
        body: body.into(),
        column: Some(ColumnRef::Number(n)),
        unit: kpa,
    };
    let hint = LayoutHint {
        pressure: vec![channel("left", 2), channel("right", 3)],
        ..LayoutHint::default()
    };
    let r = take(&file, &hint).unwrap();
    assert_follows(&r.channels[0].p_pa, 0, 0, 0.6);
    assert_eq!(codes(&r), ["unit-clash", "unit-clash"]);
}

#[test]
fn no_time_column_but_a_rate() {
    let two: String = (0..500)
        .map(|i| format!("{:.3},{:.3}\n", kpa(0, i), kpa(1, i)))
        .collect();
    let hint = LayoutHint {
        sample_rate_hz: Some(2000.0),
        ..LayoutHint::default()
    };
    let r = take(&two, &hint).unwrap();
    assert_eq!((r.samples(), r.dt_s), (500, 5e-4));
    assert_follows(&r.channels[1].p_pa, 1, 0, 0.6);
    let r = bare(format!("sample rate: 2 kHz\nleft,right\n{two}")).unwrap();
    assert_eq!(r.dt_s, 5e-4);
    // A broken line holds the place of its sample.
    let r = take(two.replacen('\n', "\nxx\n", 1), &hint).unwrap();
    assert_eq!(r.samples(), 501);
    assert!(r.channels[0].p_pa[1].is_nan());
    assert_follows(&r.channels[0].p_pa[2..], 0, 1, 0.6);
    // One body in one column.
    let one: String = (0..500).map(|i| format!("{:.3}\n", kpa(0, i))).collect();
    let r = import(
        one.as_bytes(),
        "one.txt",
        &hint,
        &["only".to_owned()],
        &mut |_| {},
    )
    .unwrap();
    assert_follows(&r.channels[0].p_pa, 0, 0, 0.6);
}

#[test]
fn sample_counter_with_a_rate_shows_lost_samples() {
    let file = rows(600, ",", |i| {
        format!("{}", if i < 300 { i } else { i + 40 })
    });
    let hint = LayoutHint {
        sample_rate_hz: Some(1500.0),
        ..LayoutHint::default()
    };
    let r = take(format!("sample,left_kpa,right_kpa\n{file}"), &hint).unwrap();
    assert!((r.dt_s - 1.0 / 1500.0).abs() < 1e-12);
    assert_eq!(r.segments.len(), 2);
    assert!((r.segments[1].t0_s - 340.0 / 1500.0).abs() < 1e-9);
}

#[test]
fn quoted_numbers_and_trailing_marks() {
    let comma = |v: f64| format!("\"{v:.3}\"").replace('.', ",");
    let quoted: String = (0..400)
        .map(|i| {
            format!(
                "{},{},{}\n",
                comma(i as f64),
                comma(kpa(0, i)),
                comma(kpa(1, i))
            )
        })
        .collect();
    let r = bare(format!("\"t_ms\",\"left, kPa\",\"right, kPa\"\n{quoted}")).unwrap();
    assert_follows(&r.channels[0].p_pa, 0, 0, 0.6);
    let trailing: String = (0..400)
        .map(|i| format!("{i};{:.3};{:.3};\n", kpa(0, i), kpa(1, i)))
        .collect();
    let r = bare(format!("t_ms;left_kpa;right_kpa;\n{trailing}")).unwrap();
    assert_eq!(r.samples(), 400);
    assert_follows(&r.channels[1].p_pa, 1, 0, 0.6);
}

#[test]
fn thousands_marks() {
    let file: String = (0..1500)
        .map(|i| {
            let t = i as f64 * 0.5 + 900.0;
            let whole = t as u64;
            let t = if whole >= 1000 {
                format!(
                    "{}.{:03},{}",
                    whole / 1000,
                    whole % 1000,
                    (t.fract() * 10.0) as u64
                )
            } else {
                format!("{whole},{}", (t.fract() * 10.0) as u64)
            };
            format!(
                "{t};{};{}\n",
                format!("{:.3}", kpa(0, i)).replace('.', ","),
                format!("{:.3}", kpa(1, i)).replace('.', ",")
            )
        })
        .collect();
    let r = bare(format!("t/ms;left/kPa;right/kPa\n{file}")).unwrap();
    assert_eq!((r.samples(), r.segments.len()), (1500, 1));
    assert!((r.dt_s - 5e-4).abs() < 1e-9);
}

#[test]
fn utf16_and_latin1() {
    let text = format!(
        "Zeit (\u{b5}s);left (kPa);right (kPa)\r\n{}",
        rows(400, ";", |i| format!("{}", i * 500))
    );
    let latin1: Vec<u8> = text.chars().map(|c| c as u8).collect();
    let le = |bom: &[u8]| {
        [
            bom,
            &text
                .encode_utf16()
                .flat_map(u16::to_le_bytes)
                .collect::<Vec<_>>(),
        ]
        .concat()
    };
    let be = [
        &[0xfe, 0xff][..],
        &text
            .encode_utf16()
            .flat_map(u16::to_be_bytes)
            .collect::<Vec<_>>(),
    ]
    .concat();
    for (bytes, utf16) in [(latin1, false), (le(&[0xff, 0xfe]), true), (be, true)] {
        let r = bare(&bytes).unwrap();
        assert!((r.dt_s - 5e-4).abs() < 1e-9, "{}", r.dt_s);
        assert_follows(&r.channels[0].p_pa, 0, 0, 0.6);
        assert_eq!(r.assumed[0] == "text in UTF-16", utf16);
    }
}

#[test]
fn truncated_last_line_is_a_notice() {
    let file = rows(400, ",", ms);
    for cut in [2, 4, 9, 12] {
        let r = bare(&file.as_bytes()[..file.len() - cut]).unwrap();
        assert_eq!(
            (r.samples(), codes(&r)),
            (399, vec!["truncated-last-line"]),
            "cut {cut}"
        );
    }
    // A last row that is whole but for its line end is kept.
    let r = bare(&file.as_bytes()[..file.len() - 1]).unwrap();
    assert_eq!((r.samples(), codes(&r)), (400, vec![]));
}

#[test]
fn a_few_impossible_values_are_blanked() {
    let file = rows(1000, ",", ms).replacen("89.", "9889.", 3);
    let r = bare(&file).unwrap();
    let nan = r
        .channels
        .iter()
        .flat_map(|c| &c.p_pa)
        .filter(|p| p.is_nan())
        .count();
    assert_eq!(nan, 3);
    assert!(codes(&r).contains(&"implausible-pressure"));
}

#[test]
fn progress_reaches_the_size_of_the_file() {
    let file = rows(100_000, ",", ms);
    let mut last = 0;
    let mut calls = 0;
    import(
        file.as_bytes(),
        "test.csv",
        &LayoutHint::default(),
        &bodies(),
        &mut |bytes| {
            assert!(bytes >= last);
            last = bytes;
            calls += 1;
        },
    )
    .unwrap();
    assert!(calls > 1);
    assert_eq!(last, file.len() as u64);
}

#[test]
fn dead_channel_takes_its_neighbours_unit() {
    // An unplugged sensor reads next to nothing; telling that is the analysis' business.
    let counts = |i| (4095.0 * (0.009 * kpa(1, i) - 0.095)).round();
    let file: String = (0..500)
        .map(|i| format!("{},{},{}\n", i * 1000, i % 3, counts(i)))
        .collect();
    let r = bare(&file).unwrap();
    assert!(
        r.assumed
            .iter()
            .any(|a| a.starts_with("left") && a.contains("as for the other column")),
        "{:?}",
        r.assumed
    );
    // 0 counts are 0.095 / 0.009 kPa.
    assert!((f64::from(r.channels[0].p_pa[0]) - 10_555.56).abs() < 0.01);
    assert!(r.channels[0].clipped > 100);
    assert_follows(&r.channels[1].p_pa, 1, 0, 13.7);
}

/// Hands out a few bytes at a time, as a pipe does.
struct Trickle<'a>(&'a [u8], usize);

impl std::io::Read for Trickle<'_> {
    fn read(&mut self, buffer: &mut [u8]) -> std::io::Result<usize> {
        self.1 = (self.1 * 31 + 7) % 5000 + 1;
        let n = self.1.min(buffer.len()).min(self.0.len());
        let (head, rest) = self.0.split_at(n);
        buffer[..n].copy_from_slice(head);
        self.0 = rest;
        Ok(n)
    }
}

#[test]
fn many_blocks_keep_every_sample_in_its_place() {
    // Some three megabytes, so half a dozen blocks on several workers; broken lines throughout.
    let n = 120_000;
    let mut file = String::from("t_us,left_kpa,right_kpa\n");
    for (i, line) in rows(n, ",", |i| format!("{}", i * 500)).lines().enumerate() {
        file += match i % 10_007 {
            5_000 => "broken",
            5_003 => "",
            _ => line,
        };
        file += "\n";
    }
    let whole = bare(&file).unwrap();
    assert_eq!((whole.samples(), whole.segments.len()), (n, 1));
    for (body, channel) in whole.channels.iter().enumerate() {
        for (i, p) in channel.p_pa.iter().enumerate() {
            if matches!(i % 10_007, 5_000 | 5_003) {
                assert!(p.is_nan(), "{i}");
            } else {
                assert!((f64::from(*p) - kpa(body, i) * 1e3).abs() < 0.6, "{i}");
            }
        }
    }
    let skipped = whole
        .notices
        .iter()
        .find(|n| n.code == "skipped-lines")
        .unwrap();
    assert!(
        skipped.text.starts_with("12 of 120001 lines") && skipped.text.contains("line 5002"),
        "{}",
        skipped.text
    );
    let trickled = import(
        Trickle(file.as_bytes(), 1),
        "test.csv",
        &LayoutHint::default(),
        &bodies(),
        &mut |_| {},
    )
    .unwrap();
    // NaN differs from itself, so the bits are compared.
    let bits = |r: &evenpull_trace::Recording| -> Vec<u32> {
        r.channels
            .iter()
            .flat_map(|c| c.p_pa.iter().map(|p| p.to_bits()))
            .collect()
    };
    assert_eq!(bits(&whole), bits(&trickled));
    assert_eq!(
        (whole.dt_s, &whole.notices, &whole.assumed),
        (trickled.dt_s, &trickled.notices, &trickled.assumed)
    );
}

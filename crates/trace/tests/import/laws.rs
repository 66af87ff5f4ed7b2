//! Laws: no bytes make the import panic; a well-formed table comes back as it was printed.

use evenpull_airflow::{PressureUnit, Ratiometric};
use evenpull_trace::{
    ChannelHint, ChannelUnit, ColumnRef, Decimal, Delimiter, LayoutHint, PressureKind, TimeUnit,
    import,
};
use proptest::prelude::*;

use crate::support::{bodies, take};

/// Bytes as loggers make them, with junk between.
fn pieces() -> impl Strategy<Value = Vec<u8>> {
    let piece = prop_oneof![
        8 => "[0-9]{1,6}([.,][0-9]{0,4})?[,;\t |][0-9]{1,4}[.,;\t |][0-9.]{1,5}\r?\n",
        2 => "[0-9.,;:eE+\\- \t|\"]{0,30}\n?",
        1 => "[a-zA-Z_()\\[\\]%#;,\u{221e}\u{b5}*\\- ]{0,40}\n",
        1 => Just("0.001,55.1,60.2\n0.002,55.3,60.1\n0.003,55.2,60.0\n".to_owned()),
    ]
    .prop_map(String::into_bytes);
    let junk = prop::collection::vec(any::<u8>(), 0..40);
    prop::collection::vec(prop_oneof![9 => piece, 1 => junk], 0..60).prop_map(|v| v.concat())
}

fn any_hint() -> impl Strategy<Value = LayoutHint> {
    let column = prop_oneof![
        (0..5_usize).prop_map(ColumnRef::Number),
        "[a-z_]{0,4}".prop_map(ColumnRef::Name)
    ];
    let unit = prop_oneof![
        Just(ChannelUnit::Volts {
            sensor: None,
            supply_v: None
        }),
        any::<f64>().prop_map(|f| ChannelUnit::Counts {
            full_scale: Some(f),
            sensor: None
        }),
        Just(ChannelUnit::Pressure {
            unit: PressureUnit::InHg,
            kind: PressureKind::Depression
        }),
    ];
    (
        prop::option::of(column.clone()),
        prop::option::of(any::<f64>()),
        prop::option::of(any::<f64>()),
        prop::option::of((prop::option::of(column), prop::option::of(unit))),
    )
        .prop_map(|(time, rate, ambient_pa, channel)| LayoutHint {
            time,
            sample_rate_hz: rate,
            ambient_pa,
            pressure: channel
                .map(|(column, unit)| ChannelHint {
                    body: "left".to_owned(),
                    column,
                    unit,
                })
                .into_iter()
                .collect(),
            ..LayoutHint::default()
        })
}

/// What came in must hold together, whatever it was.
fn check_whole(result: Result<evenpull_trace::Recording, evenpull_trace::ImportError>) {
    match result {
        Ok(r) => {
            let n = r.samples();
            assert!(n >= 2 && r.dt_s > 0.0 && r.dt_s.is_finite());
            assert!(
                r.channels
                    .iter()
                    .all(|c| c.p_pa.len() == n && c.step_pa > 0.0)
            );
            assert_eq!(r.segments.iter().map(|s| s.len).sum::<usize>(), n);
            let mut next = 0;
            for s in &r.segments {
                assert!(s.first == next && s.t0_s.is_finite());
                next += s.len;
            }
            let possible = |p: &f32| p.is_nan() || (0.0..=250_000.0).contains(p);
            assert!(r.channels.iter().flat_map(|c| &c.p_pa).all(possible));
        }
        Err(e) => assert!(!e.to_string().is_empty()),
    }
}

#[derive(Debug, Clone, Copy)]
struct Shape {
    delimiter: Delimiter,
    decimal: Decimal,
    unit: ChannelUnit,
    places: usize,
    time: TimeUnit,
    time_places: usize,
    dt_s: f64,
    crlf: bool,
    heading: bool,
}

/// Values per kPa in the file and the offset, straight from the definition of the unit.
fn printed(unit: ChannelUnit, kpa: f64) -> f64 {
    let ratio = 0.009 * kpa - 0.095;
    match unit {
        ChannelUnit::Pressure { unit, .. } => unit.from_pa(kpa * 1e3),
        ChannelUnit::Volts { supply_v, .. } => ratio * supply_v.unwrap_or(5.0),
        ChannelUnit::Millivolts { supply_v, .. } => ratio * supply_v.unwrap_or(5.0) * 1e3,
        ChannelUnit::Counts { full_scale, .. } => ratio * full_scale.unwrap_or(4095.0),
    }
}

fn shapes() -> impl Strategy<Value = Shape> {
    let absolute = |unit| ChannelUnit::Pressure {
        unit,
        kind: PressureKind::Absolute,
    };
    let sensor = Some(Ratiometric::RANGE_15_TO_115_KPA);
    let units = prop::sample::select(vec![
        (absolute(PressureUnit::KPa), 3),
        (absolute(PressureUnit::Mbar), 2),
        (absolute(PressureUnit::Pa), 0),
        (absolute(PressureUnit::Bar), 5),
        (absolute(PressureUnit::Psi), 4),
        (absolute(PressureUnit::MmHg), 2),
        (absolute(PressureUnit::InHg), 4),
        (
            ChannelUnit::Volts {
                sensor,
                supply_v: Some(5.0),
            },
            4,
        ),
        (
            ChannelUnit::Volts {
                sensor: None,
                supply_v: Some(3.3),
            },
            4,
        ),
        (
            ChannelUnit::Millivolts {
                sensor,
                supply_v: None,
            },
            1,
        ),
        (
            ChannelUnit::Counts {
                full_scale: Some(4095.0),
                sensor,
            },
            0,
        ),
        (
            ChannelUnit::Counts {
                full_scale: Some(1023.0),
                sensor: None,
            },
            0,
        ),
    ]);
    let marks = prop::sample::select(vec![
        (Delimiter::Comma, Decimal::Point),
        (Delimiter::Semicolon, Decimal::Point),
        (Delimiter::Semicolon, Decimal::Comma),
        (Delimiter::Tab, Decimal::Point),
        (Delimiter::Tab, Decimal::Comma),
        (Delimiter::Pipe, Decimal::Point),
        (Delimiter::Pipe, Decimal::Comma),
        (Delimiter::Blanks, Decimal::Point),
        (Delimiter::Blanks, Decimal::Comma),
    ]);
    let times = prop::sample::select(vec![
        (TimeUnit::Second, 5),
        (TimeUnit::Millisecond, 2),
        (TimeUnit::Microsecond, 0),
        (TimeUnit::Minute, 8),
    ]);
    let dts = prop::sample::select(vec![2e-3, 1e-3, 5e-4, 1.0 / 1500.0, 2e-4]);
    (units, marks, times, dts, any::<bool>(), any::<bool>()).prop_map(
        |((unit, places), (delimiter, decimal), (time, time_places), dt_s, crlf, heading)| Shape {
            delimiter,
            decimal,
            unit,
            places,
            time,
            time_places,
            dt_s,
            crlf,
            heading,
        },
    )
}

fn mark(delimiter: Delimiter) -> &'static str {
    match delimiter {
        Delimiter::Comma => ",",
        Delimiter::Semicolon => ";",
        Delimiter::Tab => "\t",
        Delimiter::Pipe => "|",
        Delimiter::Blanks => "  ",
    }
}

fn write(shape: &Shape, samples: &[(f64, f64)]) -> String {
    let m = mark(shape.delimiter);
    let end = if shape.crlf { "\r\n" } else { "\n" };
    let mut file = if shape.heading {
        format!("Clock{m}A{m}B{end}")
    } else {
        String::new()
    };
    for (i, (a, b)) in samples.iter().enumerate() {
        let t = i as f64 * shape.dt_s / shape.time.seconds();
        let number = |v: f64, places: usize| {
            let text = format!("{v:.places$}");
            if shape.decimal == Decimal::Comma {
                text.replace('.', ",")
            } else {
                text
            }
        };
        file += &number(t, shape.time_places);
        for kpa in [a, b] {
            file += m;
            file += &number(printed(shape.unit, *kpa), shape.places);
        }
        file += end;
    }
    file
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 400, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn prop_no_bytes_make_it_panic(bytes in pieces(), hint in any_hint()) {
        check_whole(take(&bytes, &hint));
        check_whole(take(&bytes, &LayoutHint::default()));
    }

    #[test]
    fn prop_pure_noise_does_not_make_it_panic(bytes in prop::collection::vec(any::<u8>(), 0..3000)) {
        check_whole(take(&bytes, &LayoutHint::default()));
        let wav = [b"RIFF\x24\x00\x00\x00WAVEfmt ".as_slice(), &bytes].concat();
        check_whole(take(&wav, &LayoutHint::default()));
    }

    #[test]
    fn prop_printed_tables_come_back(
        shape in shapes(),
        samples in prop::collection::vec((20.0..110.0_f64, 20.0..110.0_f64), 60..200),
    ) {
        let file = write(&shape, &samples);
        // Marks and columns are found; the unit is given, since bar or psi cannot be told by range.
        let channel = |body: &str| ChannelHint { body: body.to_owned(), column: None, unit: Some(shape.unit) };
        let hint = LayoutHint {
            time_unit: Some(shape.time),
            pressure: vec![channel("left"), channel("right")],
            ..LayoutHint::default()
        };
        let r = import(file.as_bytes(), "t", &hint, &bodies(), &mut |_| {})
            .map_err(|e| TestCaseError::fail(format!("{e}\n{file}")))?;
        prop_assert_eq!(r.samples(), samples.len());
        prop_assert_eq!(r.segments.len(), 1);
        // Spacing: half a printed step at either end, over the length of the file; a regression
        // is no worse than three times that.
        let resolution_s = 10_f64.powi(-(shape.time_places as i32)) * shape.time.seconds();
        let tolerance_s = 3.0 * resolution_s / samples.len() as f64;
        prop_assert!((r.dt_s - shape.dt_s).abs() <= tolerance_s, "{} {}", r.dt_s, shape.dt_s);
        // Pressure: half the last digit, and the single precision of the samples.
        let digit = 10_f64.powi(-(shape.places as i32));
        let slope = printed(shape.unit, 2.0) - printed(shape.unit, 1.0);
        let tolerance_pa = 0.5 * digit / slope * 1e3 + 0.02;
        for (i, (a, b)) in samples.iter().enumerate() {
            for (channel, kpa) in r.channels.iter().zip([a, b]) {
                let off = (f64::from(channel.p_pa[i]) - kpa * 1e3).abs();
                prop_assert!(off <= tolerance_pa, "sample {}: off by {} of {} Pa", i, off, tolerance_pa);
            }
        }
    }
}

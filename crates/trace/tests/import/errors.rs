//! Every refusal of the import: the right variant, the right place, a remedy in the text.

use std::io::{self, Read};

use crate::support::{bare, bodies, rows, take};
use evenpull_airflow::PressureUnit;
use evenpull_trace::{
    ChannelHint, ChannelUnit, ColumnRef, ImportError, LINE_LIMIT_BYTES, LayoutHint, PressureKind,
    import,
};

fn seconds(i: usize) -> String {
    format!("{:.4}", i as f64 * 1e-3)
}

fn column(body: &str, column: ColumnRef, unit: Option<ChannelUnit>) -> ChannelHint {
    ChannelHint {
        body: body.to_owned(),
        column: Some(column),
        unit,
    }
}

/// Every message starts with the file and is one lowercase fragment.
fn text(error: &ImportError) -> String {
    let text = error.to_string();
    assert!(
        text.starts_with("test.csv: ") && !text.ends_with('.') && !text.contains('\n'),
        "{text}"
    );
    text
}

#[test]
fn empty_and_blank_files() {
    for bytes in ["", "\n\n  \n", "\u{feff}", "\r\n"] {
        let error = bare(bytes).unwrap_err();
        assert!(
            matches!(error, ImportError::Empty { .. }),
            "{bytes:?}: {error:?}"
        );
        text(&error);
    }
}

#[test]
fn header_without_rows_shows_the_line() {
    let error = bare("time_s,left_kpa,right_kpa\n").unwrap_err();
    assert!(
        matches!(error, ImportError::NoTable { line: 1, .. }),
        "{error:?}"
    );
    assert!(text(&error).contains("time_s,left_kpa"));
}

#[test]
fn single_column() {
    // Neither values nor a lone clock make a recording.
    for value in [|i: usize| 2000 + i % 7, |i: usize| 2000 + i] {
        let column: String = (0..50).map(|i| format!("{}\n", value(i))).collect();
        let error = bare(&column).unwrap_err();
        assert!(
            matches!(error, ImportError::OneColumn { line: 1, .. }),
            "{error:?}"
        );
        assert!(text(&error).contains("delimiter"));
    }
}

#[test]
fn no_time_and_no_rate() {
    let text_rows = rows(50, ",", |i| format!("{}", [3, 9, 4][i % 3]));
    let error = bare(format!("gear,left_kpa,right_kpa\n{text_rows}")).unwrap_err();
    assert!(
        matches!(error, ImportError::NoTime { line: 2, .. }),
        "{error:?}"
    );
    assert!(text(&error).contains("sample_rate_hz") && text(&error).contains("`left_kpa`"));
}

#[test]
fn time_that_stands_still() {
    let error = bare(format!(
        "time_s,left_kpa,right_kpa\n{}",
        rows(50, ",", |_| "7.5".into())
    ))
    .unwrap_err();
    assert!(
        matches!(error, ImportError::TimeStandsStill { rows: 50, .. }),
        "{error:?}"
    );
    text(&error);
}

#[test]
fn time_unit_that_fits_nothing() {
    let error = bare(rows(50, ",", |i| format!("{}", i * 100_000))).unwrap_err();
    assert!(
        matches!(error, ImportError::TimeUnitUnclear { step, .. } if (step - 1e5).abs() < 1e-6),
        "{error:?}"
    );
    assert!(text(&error).contains("time_unit"));
}

#[test]
fn time_running_back_names_the_line() {
    // Two recordings joined: line 1 is the heading, so the second part starts in line 302.
    let part = rows(300, ",", seconds);
    let error = bare(format!("time_s,left_kpa,right_kpa\n{part}{part}")).unwrap_err();
    match &error {
        ImportError::TimeRunsBack { line, from, to, .. } => {
            assert_eq!(*line, 302);
            assert!((from - 0.299).abs() < 1e-9 && to.abs() < 1e-9);
        }
        other => panic!("{other:?}"),
    }
    assert!(text(&error).contains("line 302") && text(&error).contains("cut the file"));
}

#[test]
fn time_running_back_far_into_the_file_names_the_line() {
    // Beyond the first blocks, with skipped lines before it.
    let n = 60_000;
    let mut file = String::from("time_s,left_kpa,right_kpa\n");
    file += &rows(1000, ",", seconds);
    file += "\nbroken\n";
    file += &rows(n - 1000, ",", |i| seconds(i + 1000));
    file += &rows(100, ",", seconds);
    let error = bare(&file).unwrap_err();
    assert!(
        matches!(error, ImportError::TimeRunsBack { line, .. } if line == n as u64 + 4),
        "{error:?}"
    );
}

#[test]
fn column_that_is_not_there_lists_those_that_are() {
    let file = format!("time_s,left_kpa,right_kpa\n{}", rows(50, ",", seconds));
    for wanted in [
        ColumnRef::Name("Left".into()),
        ColumnRef::Number(4),
        ColumnRef::Number(0),
    ] {
        let hint = LayoutHint {
            pressure: vec![column("left", wanted.clone(), None)],
            ..LayoutHint::default()
        };
        let error = take(&file, &hint).unwrap_err();
        assert!(
            matches!(error, ImportError::NoSuchColumn { .. }),
            "{wanted:?}: {error:?}"
        );
        assert!(text(&error).contains("1 `time_s`, 2 `left_kpa`, 3 `right_kpa`"));
    }
    let hint = LayoutHint {
        time: Some(ColumnRef::Name("t".into())),
        ..LayoutHint::default()
    };
    assert!(text(&take(&file, &hint).unwrap_err()).contains("for time"));
}

#[test]
fn column_of_text_is_refused() {
    let file: String = (0..50)
        .map(|i| format!("{i},ok,{:.2},{:.2}\n", 60.5, 70.5))
        .collect();
    let hint = LayoutHint {
        pressure: vec![column("left", ColumnRef::Number(2), None)],
        ..LayoutHint::default()
    };
    let error = take(&file, &hint).unwrap_err();
    assert!(
        matches!(error, ImportError::NotNumbers { line: 1, .. }),
        "{error:?}"
    );
    text(&error);
}

#[test]
fn body_without_a_column() {
    let file: String = (0..50)
        .map(|i| format!("{},{:.3}\n", seconds(i), crate::support::kpa(0, i)))
        .collect();
    let error = bare(&file).unwrap_err();
    assert!(
        matches!(&error, ImportError::MissingChannel { body, .. } if body == "right"),
        "{error:?}"
    );
    text(&error);
}

#[test]
fn one_column_for_two_bodies() {
    let file = format!("time_s,left_kpa,right_kpa\n{}", rows(50, ",", seconds));
    let hint = LayoutHint {
        pressure: vec![
            column("left", ColumnRef::Number(2), None),
            column("right", ColumnRef::Number(2), None),
        ],
        ..LayoutHint::default()
    };
    assert!(matches!(
        take(&file, &hint).unwrap_err(),
        ImportError::BadHint { .. }
    ));
}

#[test]
fn unit_that_cannot_be_told() {
    // Whole numbers up to 900 may be mbar or counts of ten bits.
    let file: String = (0..200)
        .map(|i| format!("{i},{},{}\n", 350 + i * 53 % 550, 350 + i * 37 % 550))
        .collect();
    let error = bare(&file).unwrap_err();
    assert!(
        matches!(error, ImportError::UnitUnclear { .. }),
        "{error:?}"
    );
    assert!(
        text(&error).contains("10-bit")
            && text(&error).contains("`left`")
            && text(&error).contains("[layout")
    );
    // Positive values far below any absolute pressure may be depression.
    let file: String = (0..200)
        .map(|i| {
            format!(
                "{i},{:.1},{:.1}\n",
                (i % 40) as f64 + 0.5,
                (i % 30) as f64 + 0.5
            )
        })
        .collect();
    assert!(matches!(
        bare(&file).unwrap_err(),
        ImportError::UnitUnclear { .. }
    ));
}

#[test]
fn unit_of_hint_and_file_that_clash() {
    let file = format!("time_s,left_kpa,right_kpa\n{}", rows(200, ",", seconds));
    let unit = ChannelUnit::Pressure {
        unit: PressureUnit::Mbar,
        kind: PressureKind::Absolute,
    };
    let hint = LayoutHint {
        pressure: vec![column("left", ColumnRef::Number(2), Some(unit))],
        ..LayoutHint::default()
    };
    let error = take(&file, &hint).unwrap_err();
    assert!(matches!(error, ImportError::UnitClash { .. }), "{error:?}");
    assert!(text(&error).contains("file says kPa") && text(&error).contains("says mbar"));
}

#[test]
fn relative_pressure_needs_the_ambient() {
    let file: String = (0..200)
        .map(|i| {
            format!(
                "{i},{:.2},{:.2}\n",
                crate::support::kpa(0, i) - 100.0,
                crate::support::kpa(1, i) - 100.0
            )
        })
        .collect();
    let error = bare(&file).unwrap_err();
    assert!(
        matches!(error, ImportError::NeedsAmbient { .. }),
        "{error:?}"
    );
    assert!(text(&error).contains("ambient"));
}

#[test]
fn channel_without_a_number() {
    let file: String = (0..200)
        .map(|i| format!("{},OL,{:.2}\n", seconds(i), crate::support::kpa(1, i)))
        .collect();
    let error = bare(&file).unwrap_err();
    assert!(
        matches!(error, ImportError::AllUnreadable { .. }),
        "{error:?}"
    );
    text(&error);
}

#[test]
fn endless_line() {
    // Ten gigabytes of digits without a line end: given up after little more than the limit.
    struct Counted<R>(R, u64);
    impl<R: Read> Read for Counted<R> {
        fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
            let n = self.0.read(buffer)?;
            self.1 += n as u64;
            Ok(n)
        }
    }
    let start = format!("time_s,left_kpa,right_kpa\n{}", rows(100, ",", seconds));
    let mut reader = Counted(start.as_bytes().chain(io::repeat(b'7').take(10 << 30)), 0);
    let error = import(
        &mut reader,
        "test.csv",
        &LayoutHint::default(),
        &bodies(),
        &mut |_| {},
    )
    .unwrap_err();
    assert!(
        matches!(error, ImportError::LineTooLong { line: 102, .. }),
        "{error:?}"
    );
    assert!(
        reader.1 < 8 * LINE_LIMIT_BYTES as u64,
        "{} bytes read",
        reader.1
    );
    text(&error);
}

#[test]
fn binary_junk() {
    let mut state = 1_u32;
    let junk: Vec<u8> = (0..200_000)
        .map(|_| {
            state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            (state >> 24) as u8
        })
        .collect();
    let error = bare(&junk).unwrap_err();
    assert!(matches!(error, ImportError::Binary { .. }), "{error:?}");
    assert!(text(&error).contains("CSV"));
}

#[test]
fn pressures_no_engine_has() {
    // Volts taken with a supply of 0.5 V: everything comes out ten times too high.
    let file: String = (0..500)
        .map(|i| {
            format!(
                "{},{:.3},{:.3}\n",
                seconds(i),
                2.5 + (i % 9) as f64 * 0.1,
                2.6
            )
        })
        .collect();
    let unit = ChannelUnit::Volts {
        sensor: None,
        supply_v: Some(0.5),
    };
    let hint = LayoutHint {
        pressure: vec![
            column("left", ColumnRef::Number(2), Some(unit)),
            column("right", ColumnRef::Number(3), Some(unit)),
        ],
        ..LayoutHint::default()
    };
    let error = take(&file, &hint).unwrap_err();
    assert!(
        matches!(error, ImportError::ImplausiblePressure { line: 1, .. }),
        "{error:?}"
    );
    assert!(text(&error).contains("line 1") && text(&error).contains("k1"));
}

#[test]
fn columns_that_change_within_the_file() {
    let mut file = rows(2000, ",", seconds);
    file.extend((0..9000).map(|i| format!("{},{i}\n", seconds(i))));
    // More broken lines than rows beyond the beginning that settles the layout.
    let file = rows(30_000, ",", seconds) + &file.replace(',', ";").repeat(4);
    let error = bare(&file).unwrap_err();
    assert!(
        matches!(
            error,
            ImportError::MostlyBroken {
                first_row: 1,
                first_skipped: 30_001,
                ..
            }
        ),
        "{error:?}"
    );
    text(&error);
}

#[test]
fn single_row() {
    let error = bare("time_s,left_kpa,right_kpa\n0.001,55.0,60.0\n").unwrap_err();
    assert!(
        matches!(error, ImportError::TooShort { rows: 1, .. }),
        "{error:?}"
    );
    text(&error);
}

#[test]
fn hints_out_of_range() {
    let file = rows(50, ",", seconds);
    for hz in [0.0, -1.0, f64::NAN, f64::INFINITY] {
        let hint = LayoutHint {
            sample_rate_hz: Some(hz),
            ..LayoutHint::default()
        };
        assert!(
            matches!(take(&file, &hint).unwrap_err(), ImportError::BadHint { .. }),
            "{hz}"
        );
    }
    let unit = |unit| LayoutHint {
        pressure: vec![column("left", ColumnRef::Number(2), Some(unit))],
        ..LayoutHint::default()
    };
    for bad in [
        ChannelUnit::Volts {
            sensor: None,
            supply_v: Some(0.0),
        },
        ChannelUnit::Counts {
            full_scale: Some(-5.0),
            sensor: None,
        },
    ] {
        assert!(matches!(
            take(&file, &unit(bad)).unwrap_err(),
            ImportError::BadHint { .. }
        ));
    }
    let hint = LayoutHint {
        pressure: vec![column("middle", ColumnRef::Number(2), None)],
        ..LayoutHint::default()
    };
    assert!(matches!(
        take(&file, &hint).unwrap_err(),
        ImportError::BadHint { .. }
    ));
    let none = import(
        file.as_bytes(),
        "test.csv",
        &LayoutHint::default(),
        &[],
        &mut |_| {},
    );
    assert!(matches!(none.unwrap_err(), ImportError::BadHint { .. }));
}

/// A reader that fails, at once or later on.
struct Failing<'a>(&'a [u8], io::ErrorKind);

impl Read for Failing<'_> {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        if self.0.is_empty() {
            Err(self.1.into())
        } else {
            self.0.read(buffer)
        }
    }
}

#[test]
fn readers_that_fail() {
    let run = |start: &str, kind| {
        import(
            Failing(start.as_bytes(), kind),
            "test.csv",
            &LayoutHint::default(),
            &bodies(),
            &mut |_| {},
        )
        .unwrap_err()
    };
    let error = run("", io::ErrorKind::IsADirectory);
    assert!(
        matches!(error, ImportError::IsDirectory { .. }),
        "{error:?}"
    );
    text(&error);
    let error = run("", io::ErrorKind::PermissionDenied);
    assert!(matches!(error, ImportError::Read { .. }), "{error:?}");
    // Pulled plug in the middle of a long file.
    let long = rows(120_000, ",", seconds);
    assert!(matches!(
        run(&long, io::ErrorKind::BrokenPipe),
        ImportError::Read { .. }
    ));
}

#[test]
fn folder_opened_as_a_file() {
    let Ok(folder) = std::fs::File::open(env!("CARGO_MANIFEST_DIR")) else {
        return; // Some systems refuse to open a folder at all; that error is the caller's.
    };
    let error = import(
        folder,
        "test.csv",
        &LayoutHint::default(),
        &bodies(),
        &mut |_| {},
    )
    .unwrap_err();
    assert!(
        matches!(error, ImportError::IsDirectory { .. }),
        "{error:?}"
    );
}

#[test]
fn commas_between_and_inside_numbers() {
    let comma = |v: f64| format!("{v:.3}").replace('.', ",");
    let file: String = (0..200)
        .map(|i| {
            let (a, b) = (crate::support::kpa(0, i), crate::support::kpa(1, i));
            format!("{},{},{}\n", comma(i as f64 * 1e-3), comma(a), comma(b))
        })
        .collect();
    let error = bare(format!("time_s,left_kpa,right_kpa\n{file}")).unwrap_err();
    assert!(
        matches!(
            error,
            ImportError::CommasAmbiguous {
                line: 2,
                columns: 6,
                ..
            }
        ),
        "{error:?}"
    );
    assert!(text(&error).contains("semicolons"));
}

#[test]
fn one_column_for_time_and_pressure() {
    let hint = LayoutHint {
        time: Some(ColumnRef::Number(2)),
        pressure: vec![column("left", ColumnRef::Number(2), None)],
        ..LayoutHint::default()
    };
    let error = take(rows(50, ",", seconds), &hint).unwrap_err();
    assert!(
        matches!(&error, ImportError::BadHint { key, .. } if key == "time"),
        "{error:?}"
    );
    text(&error);
}

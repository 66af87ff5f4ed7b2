//! Sound files.

use std::io::Cursor;

use evenpull_trace::{ChannelHint, ChannelUnit, ColumnRef, ImportError, LayoutHint};
use hound::{SampleFormat, WavSpec, WavWriter};

use crate::support::{assert_follows, kpa, take};

/// Three channels; the outer two carry left and right as `encode` makes them.
fn wav(
    bits: u16,
    format: SampleFormat,
    mut write: impl FnMut(&mut WavWriter<&mut Cursor<Vec<u8>>>, f64),
) -> Vec<u8> {
    let mut bytes = Cursor::new(Vec::new());
    let spec = WavSpec {
        channels: 3,
        sample_rate: 8000,
        bits_per_sample: bits,
        sample_format: format,
    };
    let mut writer = WavWriter::new(&mut bytes, spec).expect("in memory");
    for i in 0..40_000 {
        for ratio in [0.009 * kpa(0, i) - 0.095, 0.0, 0.009 * kpa(1, i) - 0.095] {
            write(&mut writer, ratio);
        }
    }
    writer.finalize().expect("in memory");
    bytes.into_inner()
}

fn hint(unit: ChannelUnit) -> LayoutHint {
    let channel = |body: &str, n| ChannelHint {
        body: body.to_owned(),
        column: Some(ColumnRef::Number(n)),
        unit: Some(unit),
    };
    LayoutHint {
        pressure: vec![channel("left", 1), channel("right", 3)],
        ..LayoutHint::default()
    }
}

#[test]
fn pcm_of_16_24_and_32_bit() {
    for bits in [16_u16, 24, 32] {
        let full = 2_f64.powi(i32::from(bits) - 1) - 1.0;
        let bytes = wav(bits, SampleFormat::Int, |w, ratio| {
            w.write_sample((ratio * full).round() as i32).unwrap()
        });
        let r = take(
            &bytes,
            &hint(ChannelUnit::Counts {
                full_scale: Some(full),
                sensor: None,
            }),
        )
        .unwrap();
        assert_eq!((r.samples(), r.dt_s), (40_000, 1.0 / 8000.0));
        // Half a count, and the single precision of the samples.
        let tolerance_pa = 0.5 / full / 0.009 * 1e3 + 0.01;
        assert_follows(&r.channels[0].p_pa, 0, 0, tolerance_pa);
        assert_follows(&r.channels[1].p_pa, 1, 0, tolerance_pa);
    }
}

#[test]
fn floating_point_volts() {
    let bytes = wav(32, SampleFormat::Float, |w, ratio| {
        w.write_sample((ratio * 5.0) as f32).unwrap()
    });
    let r = take(
        &bytes,
        &hint(ChannelUnit::Volts {
            sensor: None,
            supply_v: None,
        }),
    )
    .unwrap();
    // Single precision of 5 V is 2.4e-7 V, 5 mPa.
    assert_follows(&r.channels[1].p_pa, 1, 0, 0.02);
    assert!(
        r.assumed.iter().any(|a| a.contains("supply 5 V assumed")),
        "{:?}",
        r.assumed
    );
}

#[test]
fn sound_files_are_refused_with_a_reason() {
    let bytes = wav(16, SampleFormat::Int, |w, ratio| {
        w.write_sample((ratio * 32_767.0) as i16).unwrap()
    });
    assert!(matches!(
        take(&bytes, &LayoutHint::default()).unwrap_err(),
        ImportError::WavScale { .. }
    ));
    let counts = ChannelUnit::Counts {
        full_scale: Some(32_767.0),
        sensor: None,
    };
    let mut missing = hint(counts);
    missing.pressure[1].column = Some(ColumnRef::Number(4));
    let error = take(&bytes, &missing).unwrap_err();
    assert!(
        matches!(error, ImportError::NoSuchColumn { .. }) && error.to_string().contains("1, 2, 3"),
        "{error}"
    );
    // Cut off in the header and in the middle of the samples.
    assert!(matches!(
        take(&bytes[..30], &hint(counts)).unwrap_err(),
        ImportError::Wav { .. }
    ));
    assert!(matches!(
        take(&bytes[..5001], &hint(counts)).unwrap_err(),
        ImportError::Wav { .. }
    ));
}

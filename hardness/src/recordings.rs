//! Recordings: text in any layout, sound files, and the layout that a job gives.

use std::cell::OnceCell;
use std::path::PathBuf;

use evenpull_app::{ReadRequest, Source, read_recording};
use evenpull_job::{AmbientData, Condition, Layout, Profile, builtin};
use evenpull_trace::{
    ChannelHint, ChannelUnit, ColumnRef, Decimal, Delimiter, LayoutHint, Recording, TimeUnit,
    analyse, import,
};

use crate::pressures::setup;

/// Longest recording read from bytes of a fuzzer, in samples for a byte: lost samples are filled.
const SAMPLES_PER_BYTE: usize = 4;

fn bodies() -> [String; 2] {
    ["left", "right"].map(str::to_owned)
}

/// A text recording; the first byte says what is known of its layout.
pub(crate) fn recording(bytes: &[u8]) {
    let Some((known, bytes)) = bytes.split_first() else {
        return;
    };
    taken("fuzz.csv", bytes, &hint(*known));
}

/// A sound file; the first byte says what is known of its layout.
pub(crate) fn sound(bytes: &[u8]) {
    let Some((known, bytes)) = bytes.split_first() else {
        return;
    };
    taken("fuzz.wav", bytes, &hint(*known));
}

fn taken(name: &str, bytes: &[u8], hint: &LayoutHint) {
    match import(bytes, name, hint, &bodies(), &mut |_| {}) {
        Ok(recording) => {
            whole(&recording, bytes.len());
            if let Err(e) = analyse(&recording, &setup(&bodies())) {
                assert!(e.to_string().contains(name), "{e}");
            }
        }
        Err(e) => assert!(e.to_string().contains(name), "{e}"),
    }
}

/// What an import must hold, whatever it read.
fn whole(recording: &Recording, read_bytes: usize) {
    let n = recording.samples();
    assert!(n <= SAMPLES_PER_BYTE * read_bytes, "{n} of {read_bytes}");
    assert!(recording.channels.iter().all(|c| c.p_pa.len() == n));
    assert!(recording.dt_s.is_finite() && recording.dt_s > 0.0);
    let mut next = 0;
    for segment in &recording.segments {
        assert_eq!(segment.first, next, "{:?}", recording.segments);
        assert!(segment.t0_s.is_finite(), "{:?}", recording.segments);
        next += segment.len;
    }
    assert_eq!(next, n, "{:?}", recording.segments);
}

/// A layout from six bits.
fn hint(known: u8) -> LayoutHint {
    let bit = |n: u8| known >> n & 1 == 1;
    let unit = match known >> 4 {
        0 => None,
        1 => ChannelUnit::from_symbol("counts", Some(4095.0), None, None),
        2 => ChannelUnit::from_symbol("V", None, None, Some(5.0)),
        3 => ChannelUnit::from_symbol("kPa gauge", None, None, None),
        4 => ChannelUnit::from_symbol("inHg depression", None, None, None),
        _ => ChannelUnit::from_symbol("kPa", None, None, None),
    };
    let channel = |(place, body): (usize, String)| ChannelHint {
        body,
        column: bit(0).then(|| ColumnRef::Number(2 + place)),
        unit,
    };
    LayoutHint {
        time: bit(1).then_some(ColumnRef::Number(1)),
        time_unit: bit(1).then_some(TimeUnit::Microsecond),
        sample_rate_hz: (bit(2) && !bit(1)).then_some(1_000.0),
        pressure: bodies().into_iter().enumerate().map(channel).collect(),
        delimiter: bit(3).then_some(Delimiter::Semicolon),
        decimal: bit(3).then_some(Decimal::Comma),
        ambient_pa: Some(101_325.0),
    }
}

/// The usual air.
const AMBIENT: AmbientData = AmbientData {
    pressure_kpa: 101.325,
    pressure_measured: true,
    temperature_c: 20.0,
    temperature_measured: true,
    humidity_percent: 0.0,
    key_off_kpa: None,
};

struct Shop {
    _folder: tempfile::TempDir,
    path: PathBuf,
    profile: Profile,
}

thread_local! {
    static SHOP: OnceCell<Shop> = const { OnceCell::new() };
}

fn shop() -> Shop {
    let folder = tempfile::tempdir().expect("a folder");
    Shop {
        path: folder.path().join("fuzz.csv"),
        _folder: folder,
        profile: Profile::from_toml("profile.toml", builtin()[0].toml).expect("a profile of ours"),
    }
}

/// The layout as a job writes it, up to a zero byte, and the recording it is for behind that.
pub(crate) fn layout(bytes: &[u8]) {
    let (text, bytes) = match bytes.iter().position(|&b| b == 0) {
        Some(at) => (&bytes[..at], &bytes[at + 1..]),
        None => (bytes, &[][..]),
    };
    SHOP.with(|made| {
        let Shop { path, profile, .. } = made.get_or_init(shop);
        let text = String::from_utf8_lossy(text);
        let layout = match Layout::from_toml("layout.toml", &text, profile) {
            Ok(layout) => layout,
            Err(e) => {
                assert!(e.to_string().starts_with("layout.toml:"), "{e}");
                return;
            }
        };
        std::fs::write(path, bytes).expect("a file");
        let request = ReadRequest {
            source: Source::File(path.clone()),
            profile,
            layout: &layout,
            ambient: &AMBIENT,
            condition: Some(Condition::Idle),
            hose: None,
            swapped: false,
            pinched: &[],
        };
        if let Err(e) = read_recording(&request, &mut |_| {}) {
            assert!(e.to_string().contains("fuzz.csv"), "{e}");
        }
    });
}

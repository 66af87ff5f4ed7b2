//! Invented recordings for the import tests.

use evenpull_trace::{ImportError, LayoutHint, Recording, import};

/// Names of the two bodies used throughout.
pub(crate) fn bodies() -> Vec<String> {
    vec!["left".to_owned(), "right".to_owned()]
}

/// Imports bytes with a hint.
pub(crate) fn take(bytes: impl AsRef<[u8]>, hint: &LayoutHint) -> Result<Recording, ImportError> {
    import(bytes.as_ref(), "test.csv", hint, &bodies(), &mut |_| {})
}

/// Imports bytes with nothing known.
pub(crate) fn bare(bytes: impl AsRef<[u8]>) -> Result<Recording, ImportError> {
    take(bytes, &LayoutHint::default())
}

/// Pressure of a body at a sample [kPa], between 35 and 95.
pub(crate) fn kpa(body: usize, sample: usize) -> f64 {
    65.0 + 30.0 * (sample as f64 * 0.13 + body as f64 * 2.0).sin()
}

/// Rows `time mark left mark right` with the time made by `stamp`.
pub(crate) fn rows(n: usize, mark: &str, stamp: impl Fn(usize) -> String) -> String {
    (0..n)
        .map(|i| format!("{}{mark}{:.3}{mark}{:.3}\n", stamp(i), kpa(0, i), kpa(1, i)))
        .collect()
}

/// Codes of the notices.
pub(crate) fn codes(recording: &Recording) -> Vec<&'static str> {
    recording.notices.iter().map(|n| n.code).collect()
}

/// Checks samples against [`kpa`]: `from` is the sample number of the first.
pub(crate) fn assert_follows(p_pa: &[f32], body: usize, from: usize, tolerance_pa: f64) {
    for (i, p) in p_pa.iter().enumerate() {
        let want = kpa(body, from + i) * 1e3;
        assert!(
            (f64::from(*p) - want).abs() <= tolerance_pa,
            "body {body}, sample {i}: {p} Pa, expected {want}"
        );
    }
}

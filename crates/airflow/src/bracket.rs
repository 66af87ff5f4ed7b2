//! Root of a rising function between two ends: Newton steps kept inside a shrinking bracket.

/// Root of `f` in `lo..=hi`, where `f` returns value and slope and rises from <= 0 to >= 0.
///
/// Steps that leave the bracket, or a slope of zero, fall back to halving, so the result is within
/// a few units in the last place of `hi - lo` even where the slope vanishes at an end.
pub(crate) fn rising_root(f: impl Fn(f64) -> (f64, f64), lo: f64, hi: f64) -> f64 {
    let (mut lo, mut hi) = (lo, hi);
    let mut x = 0.5 * (lo + hi);
    // Halving alone needs 52 steps for full precision; twice that is a safe stop.
    for _ in 0..104 {
        let (value, slope) = f(x);
        if value == 0.0 {
            return x;
        }
        if value < 0.0 {
            lo = x;
        } else {
            hi = x;
        }
        let newton = x - value / slope;
        let next = if newton > lo && newton < hi {
            newton
        } else {
            0.5 * (lo + hi)
        };
        if (next - x).abs() <= f64::EPSILON * x.abs() {
            return next;
        }
        x = next;
    }
    x
}

//! The pictures of `docs/calibration.md`, as SVG.

use std::fmt::Write as _;

use super::ranks::Ranks;
use super::tally::Bin;

/// Colours that stay apart for the colour-blind; readable on white and on dark paper.
const COLOURS: [&str; 3] = ["#0072b2", "#d55e00", "#009e73"];

/// Side of the field of the reliability plot.
const FIELD: f64 = 360.0;

/// Space left of and below a field for its scale, and above it.
const EDGE: f64 = 56.0;
const TOP: f64 = 24.0;

/// One line of the reliability plot.
pub struct Series<'a> {
    /// Name in the legend.
    pub name: &'a str,
    /// Stated probability and how often it held.
    pub bins: &'a [Bin],
}

/// Stated probability against how often it held, 90 % bars by the binomial law (Wilson).
pub fn reliability(all: &[Series<'_>]) -> String {
    let (x, y) = (|p: f64| EDGE + FIELD * p, |p: f64| TOP + FIELD * (1.0 - p));
    let mut out = open(EDGE + FIELD + 24.0, TOP + FIELD + EDGE);
    let _ = write!(
        out,
        "<rect x=\"{EDGE}\" y=\"{TOP}\" width=\"{FIELD}\" height=\"{FIELD}\" fill=\"none\" stroke=\"#888\"/>\
         <path d=\"M{:.1} {:.1}L{:.1} {:.1}\" stroke=\"#888\" stroke-dasharray=\"4 4\"/>",
        x(0.0),
        y(0.0),
        x(1.0),
        y(1.0)
    );
    for i in 0..=5 {
        let p = 0.2 * f64::from(i);
        let text = format!("{:.0} %", 100.0 * p);
        label(&mut out, x(p), y(0.0) + 18.0, "middle", &text);
        label(&mut out, x(0.0) - 8.0, y(p) + 4.0, "end", &text);
    }
    label(
        &mut out,
        x(0.5),
        y(0.0) + 42.0,
        "middle",
        "stated probability of a cause",
    );
    let _ = write!(
        out,
        "<text transform=\"translate(12 {:.1}) rotate(-90)\" text-anchor=\"middle\">was there</text>",
        y(0.5)
    );
    for (k, (series, colour)) in all.iter().zip(COLOURS).enumerate() {
        let filled = series.bins.iter().filter(|b| b.there.all > 0);
        for bin in filled {
            let (n, stated) = (f64::from(bin.there.all), bin.mean());
            let (lo, hi) = wilson(bin.there.share(), n);
            // Side by side where series share a bin.
            let at = x(stated) + 3.0 * (k as f64 - 1.0);
            let _ = write!(
                out,
                "<path d=\"M{at:.1} {:.1}V{:.1}\" stroke=\"{colour}\" stroke-width=\"2\"/>\
                 <circle cx=\"{at:.1}\" cy=\"{:.1}\" r=\"{:.1}\" fill=\"{colour}\"/>",
                y(lo),
                y(hi),
                y(bin.there.share()),
                3.0 + n.log10()
            );
        }
        let row = TOP + 18.0 + 18.0 * k as f64;
        let _ = write!(
            out,
            "<circle cx=\"{:.1}\" cy=\"{:.1}\" r=\"5\" fill=\"{colour}\"/>",
            EDGE + 14.0,
            row - 4.0
        );
        label(&mut out, EDGE + 26.0, row, "start", series.name);
    }
    out + "</svg>\n"
}

/// 90 % interval of a share of `n`.
fn wilson(share: f64, n: f64) -> (f64, f64) {
    const Z: f64 = 1.644_85;
    let centre = (share + Z * Z / (2.0 * n)) / (1.0 + Z * Z / n);
    let half = Z / (1.0 + Z * Z / n) * (share * (1.0 - share) / n + (Z / (2.0 * n)).powi(2)).sqrt();
    (centre - half, centre + half)
}

/// Ranks of the truth by tenths of the draws, one small field a quantity, with the band that holds 99 %
/// of the counts of even ranks.
pub fn ranks(all: &Ranks) -> String {
    const WIDTH: f64 = 180.0;
    const HEIGHT: f64 = 70.0;
    const COLUMNS: usize = 3;
    let rows = all.tenths.len().div_ceil(COLUMNS);
    let (across, down) = (WIDTH + 24.0, HEIGHT + 40.0);
    let mut out = open(across * COLUMNS as f64 + 12.0, down * rows as f64 + 12.0);
    for (i, (what, tenths)) in all.tenths.iter().enumerate() {
        let (left, top) = (
            12.0 + across * (i % COLUMNS) as f64,
            28.0 + down * (i / COLUMNS) as f64,
        );
        let expected = f64::from(tenths.iter().sum::<u32>()) / tenths.len() as f64;
        let height = |n: f64| HEIGHT * n / (2.0 * expected);
        let band = 2.576 * (expected * (1.0 - 1.0 / tenths.len() as f64)).sqrt();
        let (upper, lower) = (height(expected + band), height(expected - band));
        let _ = write!(
            out,
            "<rect x=\"{left:.1}\" y=\"{:.1}\" width=\"{WIDTH}\" height=\"{:.1}\" fill=\"#888\" opacity=\"0.25\"/>",
            top + HEIGHT - upper,
            upper - lower
        );
        let step = WIDTH / tenths.len() as f64;
        for (k, n) in tenths.iter().enumerate() {
            let tall = height(f64::from(*n)).min(HEIGHT);
            let _ = write!(
                out,
                "<rect x=\"{:.1}\" y=\"{:.1}\" width=\"{:.1}\" height=\"{tall:.1}\" fill=\"{}\"/>",
                left + step * k as f64 + 1.0,
                top + HEIGHT - tall,
                step - 2.0,
                COLOURS[0]
            );
        }
        let title = format!("{what}, p {:.2}", Ranks::p_even(tenths));
        label(&mut out, left, top - 8.0, "start", &title);
    }
    out + "</svg>\n"
}

fn open(width: f64, height: f64) -> String {
    format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {width:.0} {height:.0}\" width=\"{width:.0}\" \
         font-family=\"sans-serif\" font-size=\"12\"><rect width=\"100%\" height=\"100%\" fill=\"#fff\"/>"
    )
}

fn label(out: &mut String, x: f64, y: f64, anchor: &str, text: &str) {
    let _ = write!(
        out,
        "<text x=\"{x:.1}\" y=\"{y:.1}\" text-anchor=\"{anchor}\">{text}</text>"
    );
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Printed example from memory: 90 % Wilson interval of 5 of 10 is 0.27 to 0.73.
    #[test]
    fn a_half_of_ten_is_known_to_a_quarter() {
        let (lo, hi) = wilson(0.5, 10.0);
        assert!(
            (lo - 0.27).abs() < 0.005 && (hi - 0.73).abs() < 0.005,
            "{lo} {hi}"
        );
    }

    #[test]
    fn a_picture_holds_a_mark_for_each_filled_bin() {
        let mut bins = [Bin::default(); 2];
        bins[0].count(0.3, true);
        let picture = reliability(&[Series {
            name: "a",
            bins: &bins,
        }]);
        assert_eq!(picture.matches("<circle").count(), 2, "mark and legend");
    }
}

//! The picture of a screw head with an arc for how far and which way.

use evenpull_diagnose::Interval;

use crate::canvas::{Anchor, Canvas};
use crate::number::{fixed, range};
use crate::turn::Rotation;

const SIZE: f64 = 160.0;
const CENTRE: f64 = SIZE / 2.0;
const HEAD: f64 = 38.0;
const ARC: f64 = 54.0;
const BAND: f64 = 67.0;
/// Length of the arrow's head along the arc [turns].
const ARROW: f64 = 0.05;

/// Draws the step; the slot starts upright and ends where the turn leaves it.
///
/// `turns.value` [turns]: 0 or more and below 100. Without a plain sense of rotation only the head is drawn: a wrong arrow is worse than none.
pub(crate) fn screw(
    id: &str,
    adjuster: &str,
    turns: &Interval,
    rotation: Option<Rotation>,
) -> String {
    let mut canvas = Canvas::new(
        id,
        &format!("How far to turn: {adjuster}"),
        &description(turns, rotation),
        SIZE,
        SIZE,
    );
    canvas.circle((CENTRE, CENTRE), HEAD, "screw-head");
    slot(&mut canvas, 0.0, "screw-slot-from");
    let Some(rotation) = rotation else {
        return canvas.finish();
    };
    let sense = match rotation {
        Rotation::Clockwise => 1.0,
        Rotation::Anticlockwise => -1.0,
    };
    let whole = turns.value.floor();
    let part = turns.value - whole;
    if turns.lo90.is_finite() && turns.hi90.is_finite() && turns.hi90 - turns.lo90 < 1.0 {
        let (lo, hi) = (turns.lo90.max(0.0), turns.hi90.max(0.0));
        canvas.trace(&arc(BAND, sense * lo, sense * hi), "screw-band");
    }
    if whole >= 1.0 {
        canvas.circle((CENTRE, CENTRE), ARC, "screw-full");
        let times = fixed(whole, 0);
        canvas.text(
            (SIZE - 2.0, 18.0),
            Anchor::End,
            "screw-count",
            &format!("{times} full +"),
        );
    }
    slot(&mut canvas, sense * part, "screw-slot");
    // The tip stands at the angle to reach; the arc ends where the head of the arrow begins.
    if part > 0.02 {
        let neck = (part - ARROW).max(0.0);
        canvas.trace(&arc(ARC, 0.0, sense * neck), "screw-arc");
        canvas.shape(&arrow_head(sense * part, sense * neck), "screw-arrow");
    }
    canvas.finish()
}

fn description(turns: &Interval, rotation: Option<Rotation>) -> String {
    let way = rotation.map_or("the words of the step say which way", Rotation::words);
    format!(
        "Screw head seen from outside: {} turns, {way}; 90 % interval {} turns. The outer band \
         shows the interval.",
        fixed(turns.value, 2),
        range(turns, 2)
    )
}

/// Point at `turns` clockwise from the top.
fn polar(radius: f64, turns: f64) -> (f64, f64) {
    let angle = turns * std::f64::consts::TAU;
    (CENTRE + radius * angle.sin(), CENTRE - radius * angle.cos())
}

fn arc(radius: f64, from: f64, to: f64) -> Vec<(f64, f64)> {
    let pieces = ((to - from).abs() * 60.0).ceil().clamp(2.0, 60.0) as usize;
    (0..=pieces)
        .map(|i| polar(radius, from + (to - from) * i as f64 / pieces as f64))
        .collect()
}

fn slot(canvas: &mut Canvas, turns: f64, class: &str) {
    canvas.line(
        polar(HEAD - 5.0, turns),
        polar(HEAD - 5.0, turns + 0.5),
        class,
    );
}

fn arrow_head(tip: f64, neck: f64) -> [(f64, f64); 3] {
    [
        polar(ARC, tip),
        polar(ARC + 9.0, neck),
        polar(ARC - 9.0, neck),
    ]
}

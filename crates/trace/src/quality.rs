//! Notices: what a mechanic should know before trusting a reading, and what to do about it.

use evenpull_airflow::Hose;

use crate::cross_flow::{CrossFlow, Seen};
use crate::cycles::Cycle;
use crate::firing::Plumbing;
use crate::location::location;
use crate::mean_cycle::Average;
use crate::notice::Notice;
use crate::recording::{Channel, Recording};
use crate::refill_clock::CycleFit;
use crate::setup::Setup;

/// Whole cycles wanted for a reading; common practice, no source.
pub const CYCLES_WANTED: usize = 50;

/// Scatter of the speed from cycle to cycle above which the run is unsteady [-]; common practice,
/// no source.
pub const SPEED_SCATTER: f64 = 0.03;

/// Change of the speed from the first to the last third above which the run is unsteady [-];
/// common practice, no source.
pub const SPEED_DRIFT: f64 = 0.03;

/// Share of cycles that breathe unlike the rest above which misfires are suspected.
const ODD_CYCLES: f64 = 0.04;

/// Zero of a sound sensor [Pa]; two sensors of the usual type differ by up to 3 kPa.
const ZERO_LIMIT_PA: f64 = 5_000.0;

/// Hose corner needed over the crank's frequency, from "below ~100 Hz at 3,800 rpm".
const HOSE_OVER_CRANK: f64 = 100.0 / (3_800.0 / 60.0);

/// Share of clipped samples worth a word.
const CLIPPED: f64 = 0.001;

/// Share of samples held at the end of the range above which values are refused.
///
/// Overload marks cost whole cycles only; a sample silently held at the end moves the mean and, with
/// a hose that rings, the whole refill.
const HELD: f64 = 0.005;

pub(crate) fn of_the_run(notices: &mut Vec<Notice>, cycles: &[Cycle], rpm: f64, scatter: f64) {
    if cycles.len() < CYCLES_WANTED {
        notices.push(Notice::new(
            "few-cycles",
            format!(
                "only {} whole cycles; at least {CYCLES_WANTED} are wanted: record {:.0} s or more",
                cycles.len(),
                (CYCLES_WANTED as f64 * 120.0 / rpm).ceil().max(1.0)
            ),
        ));
    }
    let third = cycles.len() / 3;
    let mean = |c: &[Cycle]| c.iter().map(|c| c.length).sum::<f64>() / c.len() as f64;
    let drift = if third > 3 {
        mean(&cycles[..third]) / mean(&cycles[cycles.len() - third..]) - 1.0
    } else {
        0.0
    };
    if scatter / rpm > SPEED_SCATTER || drift.abs() > SPEED_DRIFT {
        notices.push(Notice::new(
            "unsteady-rpm",
            format!(
                "engine speed not steady: {:.1} % from cycle to cycle, {:+.1} % from start to end; hold the \
                 throttle still and read again",
                100.0 * scatter / rpm,
                100.0 * drift
            ),
        ));
    }
}

pub(crate) fn of_the_sensors(
    notices: &mut Vec<Notice>,
    recording: &Recording,
    setup: &Setup,
    rpm: f64,
) {
    let unzeroed: Vec<&str> = setup
        .bodies
        .iter()
        .filter(|b| b.zero_pa.is_none())
        .map(|b| b.body.as_str())
        .collect();
    if !unzeroed.is_empty() {
        notices.push(Notice::new(
            "not-zeroed",
            format!(
                "no engine-off reading of the sensors ({}): two sensors can differ by 2 to 3 kPa; \
                 let every sensor read ambient with the engine off and note it as key_off_kpa",
                unzeroed.join(", ")
            ),
        ));
    }
    for body in &setup.bodies {
        if let Some(z) = body.zero_pa.filter(|z| z.abs() > ZERO_LIMIT_PA) {
            notices.push(Notice::new(
                "zero-large",
                format!(
                    "sensor on {} reads {:+.1} kPa off ambient with the engine off; check its scale \
                     and the barometer",
                    body.body,
                    z / 1e3
                ),
            ));
        }
        let needed = HOSE_OVER_CRANK * rpm / 60.0;
        // A hose too tight for a corner of its own follows to less than any speed needs.
        let corner = |h: Hose| h.second_order().map_or(0.0, |pair| pair.corner_hz());
        if let Some(corner) = body.hose.map(corner).filter(|c| *c < needed) {
            notices.push(Notice::new(
                "hose-slow",
                format!(
                    "hose on {} follows only to {corner:.0} Hz, {needed:.0} Hz wanted at {rpm:.0} rpm; the value \
                     is corrected, but use a shorter or wider hose (3-4 mm bore, up to 0.3 m)",
                    body.body
                ),
            ));
        }
    }
    if setup.bodies.iter().any(|b| b.hose.is_none()) && rpm > 2_500.0 {
        notices.push(Notice::new(
            "hose-unknown",
            "hose not described: at this speed a long or narrow hose shifts the areas; state its length and bore"
                .to_owned(),
        ));
    }
    for channel in &recording.channels {
        if channel.clipped as f64 > CLIPPED * channel.p_pa.len() as f64 {
            notices.push(Notice::new(
                "clipped",
                format!(
                    "{} samples of {} lie at the end of the range or are marked as overload; choose a wider range",
                    channel.clipped, channel.body
                ),
            ));
        }
    }
}

/// Says so when too many samples were held at the end of the range; true if values are refused.
pub(crate) fn of_the_range(notices: &mut Vec<Notice>, channel: &Channel) -> bool {
    let marked = channel.p_pa.iter().filter(|p| p.is_nan()).count();
    let held = channel.clipped.saturating_sub(marked) as f64 / channel.p_pa.len().max(1) as f64;
    let refused = held > HELD;
    if refused {
        notices.push(Notice::new(
            "range-exceeded",
            format!(
                "{:.1} % of the samples of {} are held at the end of the range, so its area and air are \
                 refused; use a wider range, or a shorter hose if it rings",
                100.0 * held,
                channel.body
            ),
        ));
    }
    refused
}

pub(crate) fn dead_channel(notices: &mut Vec<Notice>, body: &str) {
    notices.push(Notice::new(
        "channel-dead",
        format!(
            "{body} shows no intake strokes: hose off or blocked, sensor dead, or the cylinder does not breathe; \
             no values for it"
        ),
    ));
}

pub(crate) fn refill_too_early(notices: &mut Vec<Notice>, body: &str) {
    notices.push(Notice::new(
        "refill-over-early",
        format!(
            "the runner of {body} is full before the refill can be timed (opening large for this speed); \
             read at less opening or more speed; no area for it"
        ),
    ));
}

pub(crate) fn of_the_cycles(
    notices: &mut Vec<Notice>,
    body: &str,
    cycles: &[Cycle],
    fits: &[CycleFit],
    own: &Average,
) {
    let breaths: Vec<f64> = fits.iter().map(|f| f.mean_ratio).collect();
    let Some(l) = location(&breaths) else { return };
    if breaths.len() < 20 {
        return;
    }
    let odd = breaths
        .iter()
        .filter(|b| (*b - l.centre).abs() > 5.0 * l.scatter)
        .count();
    if odd as f64 > ODD_CYCLES * breaths.len() as f64 {
        notices.push(Notice::new(
            "misfire-like",
            format!(
                "{odd} of {} cycles of {body} breathe unlike the rest: misfires, a sticking valve or a loose hose",
                cycles.len()
            ),
        ));
    }
    let worst = own.band.iter().copied().fold(0.0, f64::max);
    if l.scatter / l.centre > 0.05 && worst.is_finite() {
        notices.push(Notice::new(
            "scatter",
            format!(
                "the mean pressure of {body} scatters by {:.1} % from cycle to cycle; look for misfires or hunting",
                100.0 * l.scatter / l.centre
            ),
        ));
    }
}

pub(crate) fn of_the_plumbing(
    notices: &mut Vec<Notice>,
    found: &Plumbing,
    measured_deg: &[f64],
    setup: &Setup,
) {
    let name = |i: usize| setup.bodies[i].body.as_str();
    match found {
        Plumbing::AsNamed => {}
        Plumbing::Crossed { found } => {
            let pairs: Vec<String> = found
                .iter()
                .enumerate()
                .filter(|(i, b)| i != *b)
                .map(|(i, &b)| format!("trace '{}' is on {}", name(i), name(b)))
                .collect();
            let after: Vec<String> = measured_deg
                .iter()
                .skip(1)
                .map(|d| format!("{d:.0}"))
                .collect();
            notices.push(Notice::new(
                "crossed-hoses",
                format!(
                    "hoses crossed: by the firing intervals ({} degrees after the first trace) {}; \
                     values are listed under the names in the file",
                    after.join(", "),
                    pairs.join(", ")
                ),
            ));
        }
        Plumbing::NoOrder { measured_deg } => {
            let list: Vec<String> = measured_deg.iter().map(|d| format!("{d:.0}")).collect();
            notices.push(Notice::new(
                "firing-unclear",
                format!(
                    "intake strokes at {} degrees fit no order of the profile's intake_start_deg; check the \
                     profile and the hoses",
                    list.join(", ")
                ),
            ));
        }
        Plumbing::CannotTell => notices.push(Notice::new(
            "hoses-unchecked",
            "equal firing intervals: crossed hoses cannot be seen in the traces; check them by eye"
                .to_owned(),
        )),
    }
}

/// Says so when runners fill each other; true if the area is refused.
pub(crate) fn of_cross_flow(
    notices: &mut Vec<Notice>,
    body: &str,
    passage: Option<&CrossFlow>,
    refuse_above: f64,
    setup: &Setup,
) -> bool {
    let Some(c) = passage.filter(|c| c.seen != Seen::Hidden) else {
        return false;
    };
    let pinch = if setup.passages_open {
        "pinch off the idle-air hoses and any balance pipe and read again"
    } else {
        "look for another passage between the runners"
    };
    let (text, refused) = match c.seen {
        Seen::Open | Seen::Hidden => (
            format!(
                "passages between the runners are open and could be filling {body} unseen; its area is \
                 widened; {pinch}; depressions may be drawn together as well, so do not balance by \
                 gauges either"
            ),
            false,
        ),
        Seen::Agreed | Seen::Contradicted => {
            let refused = c.share > refuse_above || c.seen == Seen::Contradicted;
            let what = if refused {
                "its area is refused"
            } else {
                "its area is corrected and widened"
            };
            (
                format!(
                    "the refill of {body} stalls while another cylinder inhales: a passage of about {:.0} % \
                     of its through-area joins the runners; {what}; {pinch}; depressions are drawn \
                     together as well, so do not balance by gauges either",
                    100.0 * c.share
                ),
                refused,
            )
        }
    };
    notices.push(Notice::new("cross-flow", text));
    refused
}

//! Any pressures, whatever they come from: the analysis of a recording and the follower of a stream.

use std::time::Instant;

use evenpull_live::{Block, Expect, Follower, Gates, StreamHead};
use evenpull_trace::{BodySetup, Channel, Recording, Segment, Setup, analyse};

/// Longest stream made of one input [s]: a reading at idle takes six. The follower analyses twice a second, so
/// slow rates without this bound took a hundred times as long as fast ones.
const MOST_S: f64 = 8.0;
/// Most samples of a body: at 500 Hz that long a stream.
const MOST_SAMPLES: usize = 4_000;
/// Pressure of one step of a byte [Pa]; 253 steps reach beyond any ambient.
const STEP_PA: f32 = 450.0;
/// Byte of a sample that could not be read.
const UNREADABLE: u8 = 255;
/// Byte of a gap before the next sample.
const GAP: u8 = 254;

/// What reading bodies of these names needs; a twin of the usual size.
pub(crate) fn setup(bodies: &[String]) -> Setup {
    let every_deg = 720.0 / bodies.len() as f64;
    let body = |(i, name): (usize, &String)| BodySetup {
        body: name.clone(),
        intake_start_deg: every_deg * i as f64,
        zero_pa: None,
        hose: None,
    };
    Setup {
        bodies: bodies.iter().enumerate().map(body).collect(),
        p0_pa: 101_325.0,
        t0_k: 293.15,
        runner_m3: 260e-6,
        n: 1.35,
        scale_sd: 0.12,
        inlet_opens_btdc_deg: 12.0,
        inlet_closes_abdc_deg: 52.0,
        zero_sd_pa: 170.0,
        passages_open: false,
    }
}

/// A reading of whatever runs.
pub(crate) fn expect(bodies: &[String]) -> Expect {
    Expect {
        setup: setup(bodies),
        gates: Gates::band(700.0, 4_000.0),
        label: "idle".to_owned(),
    }
}

/// Rows of a recording and where gaps lie between them.
struct Made {
    rate_hz: f64,
    rows: Vec<f32>,
    gaps: Vec<usize>,
}

/// The first byte says how fast and how often over, the others are samples of the bodies in turn.
fn made(bytes: &[u8], channels: usize) -> Option<Made> {
    let (head, samples) = bytes.split_first()?;
    let rates_hz = [50.0, 500.0, 1_000.0, 2_000.0, 5_000.0, 20_000.0];
    let rate_hz = rates_hz[usize::from(head & 7) % rates_hz.len()];
    let again = 1 + usize::from(head >> 3) * 8;
    let most = MOST_SAMPLES.min((MOST_S * rate_hz) as usize);
    let (mut rows, mut gaps) = (Vec::new(), Vec::new());
    'over: for _ in 0..again {
        for &b in samples {
            if rows.len() >= most * channels {
                break 'over;
            }
            match b {
                GAP => gaps.push(rows.len() / channels),
                UNREADABLE => rows.push(f32::NAN),
                b => rows.push(f32::from(b) * STEP_PA),
            }
        }
    }
    rows.truncate(rows.len() / channels * channels);
    gaps.retain(|&at| at > 0 && at < rows.len() / channels);
    gaps.dedup();
    Some(Made {
        rate_hz,
        rows,
        gaps,
    })
}

impl Made {
    fn recording(&self, bodies: &[String]) -> Recording {
        let channels = bodies.len();
        let n = self.rows.len() / channels;
        let mut ends = self.gaps.clone();
        ends.push(n);
        let mut first = 0;
        let segments = ends.into_iter().enumerate().map(|(i, end)| {
            let segment = Segment {
                first,
                len: end - first,
                // A second is lost at each gap.
                t0_s: first as f64 / self.rate_hz + i as f64,
            };
            first = end;
            segment
        });
        let channel = |(c, body): (usize, &String)| Channel {
            body: body.clone(),
            p_pa: self
                .rows
                .iter()
                .skip(c)
                .step_by(channels)
                .copied()
                .collect(),
            step_pa: f64::from(STEP_PA),
            clipped: 0,
        };
        Recording {
            name: "fuzz.csv".to_owned(),
            dt_s: 1.0 / self.rate_hz,
            segments: segments.collect(),
            channels: bodies.iter().enumerate().map(channel).collect(),
            assumed: Vec::new(),
            notices: Vec::new(),
        }
    }
}

/// Two or three bodies, as the first byte says.
pub(crate) fn pressures(bytes: &[u8]) {
    let names: Vec<String> = match bytes.first() {
        Some(b) if b >> 7 == 1 => ["1", "2", "3"].map(str::to_owned).into(),
        _ => ["left", "right"].map(str::to_owned).into(),
    };
    let Some(made) = made(bytes, names.len()) else {
        return;
    };
    match analyse(&made.recording(&names), &setup(&names)) {
        Ok(reading) => {
            assert!(reading.rpm.value.is_finite() && reading.rpm.value > 0.0);
            for channel in &reading.channels {
                assert!(channel.mean_depression_kpa.is_finite(), "{channel:?}");
                for area in channel.through_area_mm2.iter() {
                    assert!(area.value.is_finite() && area.value >= 0.0, "{area:?}");
                    assert!(area.sd.is_finite() && area.sd >= 0.0, "{area:?}");
                }
            }
        }
        Err(e) => assert!(e.to_string().contains("fuzz.csv"), "{e}"),
    }
    follow(&made, &names);
}

fn follow(made: &Made, names: &[String]) {
    let mut follower = Follower::new(expect(names));
    follower.set_head(StreamHead {
        channels: names.to_vec(),
        rate_hz: made.rate_hz,
    });
    let arrived = Instant::now();
    let per_block = (made.rate_hz / 50.0) as usize * names.len();
    let mut at = 0;
    for rows in made.rows.chunks(per_block) {
        let first = at / names.len();
        at += rows.len();
        follower.take(&Block {
            rows: rows.to_vec(),
            channels: names.len(),
            lost_before: 0,
            fresh: (first..at / names.len()).any(|row| row == 0 || made.gaps.contains(&row)),
            arrived,
        });
    }
    look(&mut follower);
}

/// Asks a follower everything that a page asks.
pub(crate) fn look(follower: &mut Follower) {
    for body in follower.bodies() {
        assert!(body.depression_kpa.is_none_or(f64::is_finite), "{body:?}");
    }
    assert!(
        follower
            .rpm()
            .is_none_or(|rpm| rpm.is_finite() && rpm > 0.0)
    );
    let _ = (follower.progress(), follower.notices(), follower.compare());
    if let Ok(zeros) = follower.take_zero() {
        assert!(zeros.iter().all(|z| z.is_finite()), "{zeros:?}");
    }
    let _ = follower.accept_now();
}

//! A session at a terminal: it zeroes itself, waits for readings and hands them on.

use std::time::{Duration, Instant};

use evenpull_live::{Link, Throttle};

use crate::error::AppError;
use crate::live::{LiveReading, LiveRequest, LiveSession, LiveSource, LiveView, live_view};

/// Time between two looks.
const LOOK: Duration = Duration::from_millis(200);
/// Rest of the sensors before their zero is taken [s].
const REST_S: f64 = 1.5;

/// When a listener has had enough.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ListenUntil {
    /// Readings accepted.
    pub readings: usize,
    /// Time [s]; whatever was accepted by then is handed over.
    pub seconds: f64,
}

/// What comes in at the terminal.
#[derive(Debug, Clone)]
#[non_exhaustive]
pub enum Heard {
    /// The session now.
    View(Box<LiveView>),
    /// The sensors' zero was taken: what each reads with the engine off [kPa].
    Zero(Vec<f64>),
    /// A reading was accepted.
    Reading(Box<LiveReading>),
}

/// Opens a session, takes the zero while the engine stands, and waits for readings.
///
/// The practice engine is started once its zero is taken, and held in the band of the condition.
/// `hear` is told a few times a second what comes in; an error from it ends the session.
///
/// # Errors
/// As for [`LiveSession::open`], and whatever `hear` returns.
pub fn listen<E: From<AppError>>(
    request: LiveRequest,
    until: ListenUntil,
    hear: &mut dyn FnMut(Heard) -> Result<(), E>,
) -> Result<Vec<LiveReading>, E> {
    let mut session = LiveSession::open(request)?;
    let practice = matches!(session.request().source, LiveSource::Practice { .. });
    let start = Instant::now();
    let mut readings = Vec::new();
    let key_off = &session.request().ambient.key_off_kpa;
    let mut zeroed = key_off.as_ref().is_some_and(|k| k.all().is_some());
    let mut started = false;
    let mut watcher = session.watch();
    while readings.len() < until.readings && start.elapsed().as_secs_f64() < until.seconds {
        std::thread::sleep(LOOK);
        let snapshot = watcher.look().snapshot;
        let view = live_view(&snapshot);
        let rested = snapshot.samples as f64 > REST_S * snapshot.rate_hz.unwrap_or(f64::INFINITY);
        if !zeroed && rested && snapshot.rpm.is_none() {
            // Until it can be taken there is no harm in trying again.
            if let Ok(zeros) = session.take_zero() {
                zeroed = true;
                hear(Heard::Zero(zeros))?;
            }
        }
        if practice && zeroed && !started {
            started = true;
            session.start_engine()?;
            session.throttle(held(session.request()))?;
        }
        hear(Heard::View(Box::new(view)))?;
        let known = readings.len() as u64;
        for number in known + 1..=snapshot.accepted {
            if let Some(reading) = session.accepted(number) {
                readings.push(reading.clone());
                hear(Heard::Reading(Box::new(reading)))?;
            }
        }
        if matches!(snapshot.link, Link::Ended { .. }) {
            break;
        }
    }
    Ok(readings)
}

/// What a hand does on the throttle for the condition of a request.
fn held(request: &LiveRequest) -> Throttle {
    if request.condition.throttle_shut() {
        return Throttle::Closed;
    }
    let (low, high) = super::reading_band_rpm(&request.profile.profile, request.condition);
    Throttle::Speed(0.5 * (low + high))
}

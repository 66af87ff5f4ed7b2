//! A live session: sensors or the practice engine followed while they run, readings that accept
//! themselves once they are steady.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use evenpull_job::{AmbientData, Condition, HoseData, Layout, PerBody, Pinch, Profile};
use evenpull_live::{
    Accepted, Expect, Gates, Ports, PracticeCommand, Session, Source, Throttle, Watcher,
};
use evenpull_trace::CycleReading;

use crate::answer::{ReadAnswer, read_answer};
use crate::error::AppError;
use crate::practice::{Fault, PracticeRequest};
use crate::profiles::LoadedProfile;
use crate::recording::{ReadRequest, open_recording};
use crate::setup::{Circumstances, setup};
use crate::written::{unwritable, write_text};

mod listen;
mod screws;
mod view;

pub use listen::{Heard, ListenUntil, listen};
pub use view::{
    BodyView, CrossedView, LinkView, LiveView, MissingView, PracticeView, ProgressView, live_view,
};

use screws::screws;

/// Where the samples come from.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub enum LiveSource {
    /// The practice engine with hidden faults; the same seed gives the same engine.
    Practice {
        /// Faults; none makes a healthy engine.
        faults: Vec<Fault>,
        /// Seed of everything left to chance.
        seed: u64,
        /// Air it runs in; without, it brings its own.
        air: Option<AmbientData>,
    },
    /// A board on a serial port, found by its lines; docs/sensor-lines.md.
    Serial {
        /// Ports to look at; empty looks at all of them.
        ports: Vec<PathBuf>,
    },
    /// A board on the network that sends its lines to whoever connects.
    Network {
        /// `address:port`.
        address: String,
    },
    /// A recording, played at the speed it was taken.
    Replay {
        /// File.
        path: PathBuf,
        /// Layout as far as it is known.
        layout: Layout,
        /// It begins anew at its end.
        again: bool,
    },
}

/// What a session is opened with.
#[derive(Debug, Clone, PartialEq)]
pub struct LiveRequest {
    /// Engine profile.
    pub profile: Arc<LoadedProfile>,
    /// Source.
    pub source: LiveSource,
    /// Ambient air; the practice engine brings its own.
    pub ambient: AmbientData,
    /// Condition read first.
    pub condition: Condition,
    /// Hose between stub and sensor; the practice engine brings its own.
    pub hose: Option<HoseData>,
    /// What is pinched shut.
    pub pinched: Vec<Pinch>,
}

/// An open session; dropping it ends it.
#[derive(Debug)]
pub struct LiveSession {
    session: Session,
    request: LiveRequest,
    hidden: Vec<String>,
    disturbed: Vec<String>,
    bleed_turns: Vec<f64>,
}

/// A reading that was accepted, ready to be stored.
#[derive(Debug, Clone)]
pub struct LiveReading {
    /// Counted from 1 in each session.
    pub number: u64,
    /// Condition it was taken in.
    pub condition: Condition,
    /// The recording as text: `time_s`, then `<body>_kpa` for each body.
    pub text: String,
    /// Zero of each sensor, what it reads with the engine off [kPa]; `None` if not taken.
    pub key_off_kpa: Vec<Option<f64>>,
    /// What the recording says; the text read again gives this answer.
    pub reading: CycleReading,
}

impl LiveReading {
    /// Writes the recording into a file.
    ///
    /// # Errors
    /// [`AppError::Unwritable`].
    pub fn write(&self, path: &Path) -> Result<(), AppError> {
        if let Some(folder) = path.parent() {
            std::fs::create_dir_all(folder).map_err(|e| unwritable(folder, &e))?;
        }
        write_text(path, &self.text)
    }

    /// The `evenpull.read/1` answer.
    pub fn answer(&self) -> ReadAnswer {
        read_answer(&self.reading)
    }
}

/// Band of the idle speed for a reading, over the profile's idle speed [-]; assumed.
///
/// Wider than the tolerance of the idle: a reading as found, of an engine that idles wrongly, is
/// still a reading.
const IDLE_BAND: (f64, f64) = (0.7, 1.5);

/// A source, and what is known of the engine behind it.
struct Opened {
    source: Source,
    hidden: Vec<String>,
    disturbed: Vec<String>,
    bleed_turns: Vec<f64>,
}

/// The source of a session; the practice engine brings its own air and hose.
fn opened(request: &mut LiveRequest) -> Result<Opened, AppError> {
    let source = match request.source.clone() {
        LiveSource::Practice { faults, seed, air } => {
            let exercise = PracticeRequest {
                profile: &request.profile,
                faults: &faults,
                seed,
            };
            let made = crate::practice::running(&exercise, air.as_ref())?;
            let own = &made.engine.setting;
            request.ambient = air.unwrap_or_else(|| AmbientData {
                pressure_kpa: (own.ambient_pa / 10.0).round() / 100.0,
                temperature_c: ((own.ambient_k - 273.15) * 10.0).round() / 10.0,
                ..request.ambient.clone()
            });
            request.ambient.humidity_percent = 0.0;
            request.ambient.key_off_kpa = None;
            request.hose = Some(made.hose);
            return Ok(Opened {
                bleed_turns: made.engine.bleeds.iter().map(|b| b.turns).collect(),
                source: Source::Practice(Box::new(made.engine)),
                hidden: made.described,
                disturbed: made.disturbed,
            });
        }
        LiveSource::Serial { ports } if ports.is_empty() => Source::Serial(Ports::Any),
        LiveSource::Serial { ports } => Source::Serial(Ports::These(ports)),
        LiveSource::Network { address } => Source::Network { address },
        LiveSource::Replay {
            path,
            layout,
            again,
        } => Source::Replay {
            recording: Box::new(open_recording(
                &ReadRequest {
                    source: crate::recording::Source::File(path),
                    profile: &request.profile.profile,
                    layout: &layout,
                    ambient: &request.ambient,
                    condition: Some(request.condition),
                    hose: request.hose,
                    swapped: false,
                    pinched: &request.pinched,
                },
                &mut |_| {},
            )?),
            again,
        },
    };
    Ok(Opened {
        source,
        hidden: Vec::new(),
        disturbed: Vec::new(),
        bleed_turns: Vec::new(),
    })
}

/// What the session is to read now.
fn expect(request: &LiveRequest) -> Expect {
    let profile = &request.profile.profile;
    let at = Circumstances {
        condition: Some(request.condition),
        hose: request.hose,
        swapped: false,
        pinched: &request.pinched,
    };
    // The doubts of the setup are those of a hose, which the analysis of a stored reading tells.
    let (setup, _) = setup(profile, &request.ambient, at);
    let (low_rpm, high_rpm) = reading_band_rpm(profile, request.condition);
    Expect {
        setup,
        gates: if request.condition.throttle_shut() {
            Gates::band(low_rpm, high_rpm)
        } else {
            Gates::held(low_rpm, high_rpm)
        },
        label: request.condition.as_str().to_owned(),
    }
}

/// The condition an accepted reading was taken in, by its label.
fn condition_of(request: &LiveRequest, accepted: &Accepted) -> Condition {
    Condition::ALL
        .into_iter()
        .find(|c| c.as_str() == accepted.expect.label)
        .unwrap_or(request.condition)
}

/// Speed band in which a reading of `condition` counts [1/min].
pub fn reading_band_rpm(profile: &Profile, condition: Condition) -> (f64, f64) {
    let e = &profile.engine;
    let idle = e.idle_rpm;
    match condition {
        Condition::Idle | Condition::IdleBleedsShut => (IDLE_BAND.0 * idle, IDLE_BAND.1 * idle),
        Condition::Sweep => (1.05 * idle, e.hold_rpm[1]),
        Condition::Hold => (e.hold_rpm[0], e.hold_rpm[1]),
    }
}

impl LiveSession {
    /// Opens a session. A device that is not there is no error: it is waited for.
    ///
    /// # Errors
    /// [`AppError`] for a fault the practice engine cannot show or numbers it cannot run with, an
    /// address without a port, a recording that cannot be read or played.
    pub fn open(mut request: LiveRequest) -> Result<Self, AppError> {
        let Opened {
            source,
            hidden,
            disturbed,
            bleed_turns,
        } = opened(&mut request)?;
        let session = Session::start(source, expect(&request))?;
        let opened = Self {
            session,
            request,
            hidden,
            disturbed,
            bleed_turns,
        };
        opened.pinch()?;
        Ok(opened)
    }

    /// Pinches the practice engine's hoses as the request says.
    fn pinch(&self) -> Result<(), AppError> {
        if !matches!(self.request.source, LiveSource::Practice { .. }) {
            return Ok(());
        }
        let shut = |what| self.request.pinched.contains(&what);
        Ok(self.session.practice(PracticeCommand::Pinch {
            idle_air: shut(Pinch::IdleValve),
            balance_pipe: shut(Pinch::BalancePipe),
        })?)
    }

    /// What it was opened with, the condition being read now included.
    pub fn request(&self) -> &LiveRequest {
        &self.request
    }

    /// A watcher of [`evenpull_live::Snapshot`]s; [`live_view`] turns them into JSON.
    pub fn watch(&self) -> Watcher {
        self.session.watch()
    }

    /// The newest snapshot as it goes to a page.
    pub fn view(&self) -> LiveView {
        live_view(&self.session.latest())
    }

    /// Reads another condition from now on; the zeros of the sensors stay. The practice engine gets the
    /// same hoses pinched.
    ///
    /// # Errors
    /// [`AppError::Live`] when the session is over.
    pub fn read_next(&mut self, condition: Condition, pinched: &[Pinch]) -> Result<(), AppError> {
        self.request.condition = condition;
        self.request.pinched = pinched.to_vec();
        self.pinch()?;
        Ok(self.session.expect(expect(&self.request))?)
    }

    /// Lets the next steady stretch be accepted, as after turning a screw at the machine.
    ///
    /// # Errors
    /// [`AppError::Live`] when the session is over.
    pub fn arm(&self) -> Result<(), AppError> {
        Ok(self.session.arm()?)
    }

    /// Takes the sensors' zero, engine off; returns what each sensor reads then, to a pascal [kPa].
    ///
    /// It stands in the ambient data of [`Self::request`] from then on, as in a job's file.
    ///
    /// # Errors
    /// [`AppError::Live`] saying what is in the way.
    pub fn take_zero(&mut self) -> Result<Vec<f64>, AppError> {
        let ambient_kpa = self.request.ambient.pressure_kpa;
        let zeros = self.session.take_zero()?;
        let whole = |pa: f64| (1e3 * ambient_kpa + pa).round() / 1e3;
        let key_off: Vec<f64> = zeros.iter().map(|&pa| whole(pa)).collect();
        self.request.ambient.key_off_kpa =
            Some(PerBody::new(key_off.iter().copied().map(Some).collect()));
        self.session.expect(expect(&self.request))?;
        Ok(key_off)
    }

    /// Accepts the reading now, without waiting for it to accept itself.
    ///
    /// # Errors
    /// [`AppError::Live`] saying what is missing.
    pub fn accept_now(&self) -> Result<LiveReading, AppError> {
        Ok(self.as_reading(&*self.session.accept_now()?))
    }

    /// The accepted reading of that number; the last 16 are kept.
    pub fn accepted(&self, number: u64) -> Option<LiveReading> {
        Some(self.as_reading(&*self.session.accepted(number)?))
    }

    /// Starts the practice engine.
    ///
    /// # Errors
    /// [`AppError::Live`] when the source is not the practice engine, or the session is over.
    pub fn start_engine(&self) -> Result<(), AppError> {
        Ok(self.session.practice(PracticeCommand::Start)?)
    }

    /// Stops the practice engine.
    ///
    /// # Errors
    /// As for [`Self::start_engine`].
    pub fn stop_engine(&self) -> Result<(), AppError> {
        Ok(self.session.practice(PracticeCommand::Stop)?)
    }

    /// Moves the throttle of the practice engine.
    ///
    /// # Errors
    /// As for [`Self::start_engine`].
    pub fn throttle(&self, throttle: Throttle) -> Result<(), AppError> {
        Ok(self.session.practice(PracticeCommand::Throttle(throttle))?)
    }

    /// Turns a screw of the practice engine by its name in the profile, positive = more opening or
    /// area; sealed ones too, this is where that may be learned. Arms the next reading.
    ///
    /// # Errors
    /// [`AppError::NoScrew`], else as for [`Self::start_engine`].
    pub fn turn(&self, adjuster: &str, turns: f64) -> Result<(), AppError> {
        for screw in screws(&self.request.profile.profile, adjuster, turns)? {
            self.session.practice(PracticeCommand::Turn(screw, turns))?;
        }
        self.arm()
    }

    /// What was turned by hand at a machine that is read by sensors: checked as [`Self::turn`] checks
    /// it, and the next reading armed.
    ///
    /// # Errors
    /// [`AppError::NoScrew`], [`AppError::TurnsOutOfRange`], [`AppError::Live`].
    pub fn note_turn(&self, adjuster: &str, turns: f64) -> Result<(), AppError> {
        screws(&self.request.profile.profile, adjuster, turns)?;
        self.arm()
    }

    /// What each sensor reads of one held pressure, zeros taken out [kPa], profile's order.
    ///
    /// # Errors
    /// [`AppError::Live`] saying what is in the way.
    pub fn compare(&self) -> Result<Vec<f64>, AppError> {
        let pa = self.session.compare()?;
        Ok(pa.iter().map(|p| p / 1e3).collect())
    }

    /// Lets the practice engine's ECU store the present throttle-sensor reading as closed.
    ///
    /// # Errors
    /// As for [`Self::start_engine`].
    pub fn zero_learn(&self) -> Result<(), AppError> {
        Ok(self.session.practice(PracticeCommand::ZeroLearn)?)
    }

    /// Switches the practice engine's idle control on or off.
    ///
    /// # Errors
    /// As for [`Self::start_engine`].
    pub fn idle_control(&self, on: bool) -> Result<(), AppError> {
        Ok(self.session.practice(PracticeCommand::IdleControl(on))?)
    }

    /// The hidden faults of the practice engine in words, for when the exercise is over.
    pub fn hidden_faults(&self) -> &[String] {
        &self.hidden
    }

    /// Sealed parts of the practice engine whose seals show that they were touched.
    pub fn disturbed_seals(&self) -> &[String] {
        &self.disturbed
    }

    /// Bleeds of the practice engine as it was made [turns from seat], profile's order; empty
    /// where there are none.
    pub fn bleed_turns(&self) -> &[f64] {
        &self.bleed_turns
    }

    fn as_reading(&self, accepted: &Accepted) -> LiveReading {
        let ambient = &self.request.ambient;
        let bodies = 0..accepted.expect.setup.bodies.len();
        LiveReading {
            number: accepted.number,
            condition: condition_of(&self.request, accepted),
            text: accepted.text.clone(),
            key_off_kpa: bodies
                .map(|i| ambient.key_off_kpa.as_ref().and_then(|k| k.get(i).copied()))
                .collect(),
            reading: accepted.reading.clone(),
        }
    }
}

#[cfg(test)]
mod tests;

//! A board that sends the practice engine's samples as lines, on a pty or a socket: in real time, or
//! as fast as they are followed.

use std::io::Write;
use std::net::TcpListener;
use std::os::fd::AsRawFd;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::mpsc::{Receiver, Sender, channel};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use evenpull_airflow::{Counts, Ratiometric};
use evenpull_engine::{Basics, Chain, EngineSpec, Setting};
use evenpull_live::lines::{LineHead, LineUnit, head_line, sample_line};
use evenpull_live::{PracticeCommand, PracticeEngine, PracticeSetup, StreamHead};
use serial2::SerialPort;

const RATE_HZ: f64 = 1_000.0;
/// Samples in one piece of sending.
const PIECE: usize = 10;

/// What is done at the machine, or to the board.
#[derive(Debug, Clone)]
pub(crate) enum Touch {
    /// Something at the engine.
    Engine(PracticeCommand),
    /// The second sensor reads so much more than the first of whatever is held [Pa]; both are joined
    /// to this pressure [Pa], engine off.
    Held { pa: f64, gain: f64 },
    /// Lines that are none.
    Garbage,
    /// The board starts anew and counts from 0.
    Reset,
}

/// When the next piece is sent.
#[derive(Debug, Clone)]
pub(crate) enum Pace {
    /// As a board does.
    Real,
    /// At once, but never more than a few seconds of samples ahead of those that were followed.
    Followed(Arc<AtomicU64>),
}

/// Samples a board may be ahead of whoever follows it; half of what waits there before it is dropped.
const AHEAD: u64 = 20_000;

impl Pace {
    /// Waits until `sent` samples are due.
    fn wait(&self, start: Instant, sent: u64) {
        match self {
            Self::Real => {
                let due = start + Duration::from_secs_f64(sent as f64 / RATE_HZ);
                std::thread::sleep(due.saturating_duration_since(Instant::now()));
            }
            Self::Followed(followed) => {
                // Whoever follows may be gone: after a second the samples are sent all the same.
                let patience = Instant::now() + Duration::from_secs(1);
                while sent > followed.load(Ordering::Relaxed) + AHEAD && Instant::now() < patience {
                    std::thread::sleep(Duration::from_millis(2));
                }
            }
        }
    }
}

/// A healthy twin at the usual air.
fn engine() -> PracticeSetup {
    let spec = EngineSpec::from_basics(&Basics::default()).unwrap();
    let mut setting = Setting::healthy(&spec, 2.2);
    for body in &mut setting.bodies {
        body.leak_m2 = 0.3e-6;
    }
    PracticeSetup {
        bodies: ["left", "right"].map(str::to_owned).into(),
        spec,
        setting,
        idle_rpm: 1_250.0,
        idle_steps: 60.0,
        valve_stuck: false,
        inertia_kg_m2: 0.04,
        scatter: 0.04,
        bleeds: Vec::new(),
        sense: None,
        spindle: None,
        chains: vec![
            Chain {
                noise_pa: 40.0,
                ..Chain::IDEAL
            };
            2
        ],
        late_offset_pa: vec![0.0; 2],
        crossed: false,
        rate_hz: RATE_HZ,
        seed: 5,
    }
}

fn head(run: usize) -> String {
    head_line(&LineHead {
        stream: StreamHead {
            channels: ["left", "right"].map(str::to_owned).into(),
            rate_hz: RATE_HZ,
        },
        unit: LineUnit::Count {
            counts: Counts::new(4_095.0).unwrap(),
            sensor: Ratiometric::RANGE_15_TO_115_KPA,
        },
        wrap: 65_536,
        run: Some(format!("run{run}")),
    })
}

/// Sends until the other end is gone or the board is dropped.
fn send(out: &mut dyn Write, touches: &Receiver<Touch>, pace: &Pace) {
    let mut engine = PracticeEngine::new(engine()).unwrap();
    let (mut run, mut count, mut sent) = (0, 0_u64, 0_u64);
    let mut held = None;
    let mut rows = Vec::new();
    let start = Instant::now();
    loop {
        let mut text = String::new();
        loop {
            match touches.try_recv() {
                Ok(Touch::Engine(command)) => engine.command(command).unwrap(),
                Ok(Touch::Held { pa, gain }) => held = Some((pa, gain)),
                Ok(Touch::Garbage) => text.push_str("boot: v3 ok\n40213 1842 17\n\u{7f}?\n"),
                Ok(Touch::Reset) => {
                    (run, count) = (run + 1, 0);
                    text.push_str(&head(run));
                }
                Err(std::sync::mpsc::TryRecvError::Empty) => break,
                Err(std::sync::mpsc::TryRecvError::Disconnected) => return,
            }
        }
        rows.clear();
        engine.advance(&mut rows).unwrap();
        for piece in rows.chunks(2 * PIECE) {
            if sent.is_multiple_of(500) {
                text.push_str(&head(run));
            }
            for row in piece.chunks(2) {
                let (left, right) = match held {
                    Some((pa, gain)) => {
                        let (air, noise) = (101_325.0, f64::from(row[0]) - 101_325.0);
                        (pa + noise, air + gain * (pa - air) - noise)
                    }
                    None => (f64::from(row[0]), f64::from(row[1])),
                };
                let counts = |pa: f64| {
                    (4_095.0 * Ratiometric::RANGE_15_TO_115_KPA.ratio_from_pa(pa)).round()
                };
                text.push_str(&sample_line(count, &[counts(left), counts(right)], 0));
                count = (count + 1) % 65_536;
                sent += 1;
            }
            pace.wait(start, sent);
            if out.write_all(text.as_bytes()).is_err() {
                return;
            }
            text.clear();
        }
    }
}

/// A board at work; dropping it unplugs it.
pub(crate) struct Board {
    touches: Option<Sender<Touch>>,
    sender: Option<JoinHandle<()>>,
    /// Where it is plugged in.
    link: Option<PathBuf>,
}

impl Board {
    /// A board on a port that appears at `link`.
    pub(crate) fn plug(link: &Path) -> Self {
        let (mut device, computer) = SerialPort::pair().unwrap();
        device.set_write_timeout(Duration::from_millis(50)).unwrap();
        let path = std::fs::read_link(format!("/proc/self/fd/{}", computer.as_raw_fd())).unwrap();
        std::os::unix::fs::symlink(path, link).unwrap();
        let (touches, inbox) = channel();
        let sender = std::thread::spawn(move || {
            // Held open, as the kernel holds a plugged-in port.
            let _computer = computer;
            send(&mut Port(device), &inbox, &Pace::Real);
        });
        Self {
            touches: Some(touches),
            sender: Some(sender),
            link: Some(link.to_owned()),
        }
    }

    /// A board on the network, and its address.
    pub(crate) fn listen() -> (Self, String) {
        Self::listen_at(Pace::Real)
    }

    /// A board on the network that sends at that pace, and its address.
    pub(crate) fn listen_at(pace: Pace) -> (Self, String) {
        let listener = TcpListener::bind("127.0.0.1:0").unwrap();
        let address = listener.local_addr().unwrap().to_string();
        let (touches, inbox) = channel();
        let sender = std::thread::spawn(move || {
            let (mut socket, _) = listener.accept().unwrap();
            send(&mut socket, &inbox, &pace);
        });
        let board = Self {
            touches: Some(touches),
            sender: Some(sender),
            link: None,
        };
        (board, address)
    }

    pub(crate) fn touch(&self, touch: Touch) {
        let sender = self.touches.as_ref().expect("plugged in");
        sender.send(touch).expect("the board runs");
    }
}

impl Drop for Board {
    fn drop(&mut self) {
        if let Some(link) = &self.link {
            let _ = std::fs::remove_file(link);
        }
        self.touches = None;
        if let Some(sender) = self.sender.take() {
            let _ = sender.join();
        }
    }
}

/// The board's end of a pty. A port that nobody reads fills up; a real board loses samples then.
struct Port(SerialPort);

impl Write for Port {
    fn write(&mut self, bytes: &[u8]) -> std::io::Result<usize> {
        match self.0.write(bytes) {
            Err(e) if e.kind() == std::io::ErrorKind::TimedOut => Ok(bytes.len()),
            done => done,
        }
    }

    fn flush(&mut self) -> std::io::Result<()> {
        Ok(())
    }
}

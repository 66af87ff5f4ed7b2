//! A board that sends the practice engine's samples as lines, in real time.

use std::io::Write;
use std::os::fd::AsRawFd;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use evenpull_airflow::{Counts, Ratiometric};
use evenpull_live::lines::{LineHead, LineUnit, head_line, sample_line};
use evenpull_live::{PracticeCommand, PracticeEngine, PracticeSetup, StreamHead};
use serial2::SerialPort;

/// Head of the board of `setup`.
pub(crate) fn head(setup: &PracticeSetup, run: &str) -> LineHead {
    LineHead {
        stream: StreamHead {
            channels: setup.bodies.clone(),
            rate_hz: setup.rate_hz,
        },
        unit: LineUnit::Count {
            counts: Counts::new(4_095.0).unwrap(),
            sensor: Ratiometric::RANGE_15_TO_115_KPA,
        },
        wrap: 65_536,
        run: Some(run.to_owned()),
    }
}

/// Lines of a running engine, piece by piece at real speed, until `stop` or the reader is gone.
pub(crate) fn send(setup: PracticeSetup, run: &str, out: &mut dyn Write, stop: &AtomicBool) {
    let head = head_line(&head(&setup, run));
    let (n, rate_hz) = (setup.bodies.len(), setup.rate_hz);
    let converter = Ratiometric::RANGE_15_TO_115_KPA;
    let mut engine = PracticeEngine::new(setup).unwrap();
    engine.command(PracticeCommand::Start).unwrap();
    // A counter about to roll over.
    let mut count = 65_000_u64;
    let start = Instant::now();
    let (mut sent, mut rows) = (0_u64, Vec::new());
    let mut next_head = 0;
    while !stop.load(Ordering::Relaxed) {
        rows.clear();
        engine.advance(&mut rows).unwrap();
        for part in rows.chunks(n * 10) {
            let mut text = String::new();
            if sent >= next_head {
                text.push_str(&head);
                next_head = sent + rate_hz as u64;
            }
            for row in part.chunks(n) {
                let counts = |p: &f32| (4_095.0 * converter.ratio_from_pa(f64::from(*p))).round();
                let values: Vec<f64> = row.iter().map(counts).collect();
                text.push_str(&sample_line(count, &values, 0));
                count = (count + 1) % 65_536;
                sent += 1;
            }
            let due = start + Duration::from_secs_f64(sent as f64 / rate_hz);
            std::thread::sleep(due.saturating_duration_since(Instant::now()));
            if out.write_all(text.as_bytes()).is_err() {
                return;
            }
        }
    }
}

/// A board at one end of a pty; its other end is linked at a path, as a plugged-in port would be.
pub(crate) struct Plugged {
    stop: Arc<AtomicBool>,
    sender: Option<JoinHandle<()>>,
    link: PathBuf,
}

/// The board's end. A port that nobody reads fills up; a real board loses the samples then as well.
struct Board(SerialPort);

impl Write for Board {
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

/// The two ends of a pty, and the path of the second.
fn pair() -> (SerialPort, SerialPort, PathBuf) {
    let (mut device, computer) = SerialPort::pair().unwrap();
    device.set_write_timeout(Duration::from_millis(50)).unwrap();
    let path = std::fs::read_link(format!("/proc/self/fd/{}", computer.as_raw_fd())).unwrap();
    (device, computer, path)
}

/// Plugs a board in at `link`; with `None` a device that says nothing.
pub(crate) fn plug(link: &Path, setup: Option<PracticeSetup>, run: &str) -> Plugged {
    let stop = Arc::new(AtomicBool::new(false));
    let (device, computer, path) = pair();
    std::os::unix::fs::symlink(path, link).unwrap();
    let (told, run) = (Arc::clone(&stop), run.to_owned());
    let sender = std::thread::spawn(move || {
        // Held open, as the kernel holds a plugged-in port.
        let _computer = computer;
        let mut out = Board(device);
        match setup {
            Some(setup) => send(setup, &run, &mut out, &told),
            None => {
                while !told.load(Ordering::Relaxed) {
                    std::thread::sleep(Duration::from_millis(20));
                }
            }
        }
    });
    Plugged {
        stop,
        sender: Some(sender),
        link: link.to_owned(),
    }
}

impl Drop for Plugged {
    fn drop(&mut self) {
        let _ = std::fs::remove_file(&self.link);
        self.stop.store(true, Ordering::Relaxed);
        if let Some(sender) = self.sender.take() {
            let _ = sender.join();
        }
    }
}

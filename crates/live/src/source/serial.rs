//! Boards on serial ports, found by the lines they send.

use std::io;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use serial2_tokio::SerialPort;
use tokio::task::JoinSet;

use crate::block::{Feed, Link};
use crate::lines::Decoder;
use crate::queue::Queue;
use crate::source::Ports;
use crate::source::reader::{Bytes, lost, pause, read_lines};

/// Speeds tried, the usual ones first [baud]; a board on bare USB answers at any.
const BAUD: [u32; 5] = [115_200, 460_800, 921_600, 230_400, 1_000_000];
/// How long a board may take to say its head after its port was opened [s]: many restart then.
const FIRST_S: f64 = 3.5;
/// The same at each further speed [s]; heads come at least once a second.
const NEXT_S: f64 = 1.6;
/// Wait before the ports are looked at again [s].
const AGAIN_S: f64 = 1.0;

struct Port(SerialPort);

impl Bytes for Port {
    async fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        self.0.read(buffer).await
    }
}

/// A board that was found, with what it said so far.
struct Found {
    path: PathBuf,
    port: Port,
    decoder: Decoder,
    heard: Vec<Feed>,
}

/// Looks for a board, listens to it, and looks again when it is lost.
pub(crate) async fn listen(ports: Ports, queue: Queue) {
    let mut damage = Decoder::new();
    while !queue.is_closed() {
        let paths = paths(&ports);
        let (found, faults) = search(&paths, &damage, &queue).await;
        let Some(mut found) = found else {
            queue.push(Feed::Link(Link::Searching {
                note: told(&paths, &faults),
            }));
            pause(&queue, AGAIN_S).await;
            continue;
        };
        let name = found.path.display().to_string();
        queue.push(Feed::Link(Link::Connected { to: name.clone() }));
        for feed in found.heard.drain(..) {
            queue.push(feed);
        }
        let why = read_lines(&mut found.port, &mut found.decoder, &queue).await;
        damage = found.decoder.again();
        drop(found);
        if let Some(why) = why {
            lost(&queue, &name, why).await;
        }
    }
}

fn paths(ports: &Ports) -> Vec<PathBuf> {
    match ports {
        Ports::These(paths) => paths.clone(),
        Ports::Any => SerialPort::available_ports().unwrap_or_default(),
    }
}

fn told(paths: &[PathBuf], faults: &[String]) -> String {
    match (paths, faults) {
        ([], _) => "no serial port; plug the board in".to_owned(),
        (_, []) => format!(
            "{} serial ports, none of them sends sensor lines",
            paths.len()
        ),
        (_, faults) => faults.join("; "),
    }
}

/// Tries all ports at once; the first that speaks is taken. Else what each of them did.
async fn search(
    paths: &[PathBuf],
    damage: &Decoder,
    queue: &Queue,
) -> (Option<Found>, Vec<String>) {
    let mut tries = JoinSet::new();
    for path in paths {
        tries.spawn(try_port(path.clone(), damage.again()));
    }
    let mut faults = Vec::new();
    loop {
        let look = Duration::from_millis(250);
        match tokio::time::timeout(look, tries.join_next()).await {
            Ok(None) => return (None, faults),
            Ok(Some(Ok(Ok(found)))) => return (Some(found), faults),
            Ok(Some(Ok(Err(fault)))) => faults.push(fault),
            Ok(Some(Err(_))) => {}
            Err(_) if queue.is_closed() => return (None, faults),
            Err(_) => {}
        }
    }
}

/// Why a port is not read, for the one at the bench.
fn in_words(error: &io::Error) -> String {
    match error.kind() {
        io::ErrorKind::PermissionDenied => {
            "this user may not open it; on Linux, join the group that \
                                            owns it, often `dialout`"
                .to_owned()
        }
        io::ErrorKind::NotFound => "not there; plug the board in".to_owned(),
        io::ErrorKind::ResourceBusy => "another program has it open".to_owned(),
        io::ErrorKind::UnexpectedEof => "unplugged".to_owned(),
        _ => error.to_string(),
    }
}

async fn try_port(path: PathBuf, damage: Decoder) -> Result<Found, String> {
    let fault = |e: io::Error| format!("{}: {}", path.display(), in_words(&e));
    let mut port = Port(open(&path, BAUD[0]).map_err(fault)?);
    let mut last = None;
    for (i, baud) in BAUD.into_iter().enumerate() {
        if i > 0 {
            set_speed(&mut port.0, baud).map_err(fault)?;
        }
        let patience_s = if i == 0 { FIRST_S } else { NEXT_S };
        let mut decoder = damage.again();
        let mut heard = Vec::new();
        // A board that only sends does not take the question; that is no fault.
        let _ =
            tokio::time::timeout(Duration::from_millis(100), port.0.write_all(b"head?\n")).await;
        let said = listen_for_head(&mut port, &mut decoder, &mut heard, patience_s).await;
        if said.map_err(fault)? {
            return Ok(Found {
                path,
                port,
                decoder,
                heard,
            });
        }
        if let Some(f) = decoder.fault() {
            last = Some(format!("{f} (at {baud} baud)"));
        }
    }
    let last = last.unwrap_or_else(|| "silent".to_owned());
    Err(format!("{}: no sensor lines: {last}", path.display()))
}

fn open(path: &Path, baud: u32) -> io::Result<SerialPort> {
    let port = SerialPort::open(path, |mut settings: serial2_tokio::Settings| {
        settings.set_raw();
        settings.set_baud_rate(baud)?;
        Ok(settings)
    })?;
    // Some boards send only once the computer is ready; a port without that line does no harm.
    let _ = port.set_dtr(true);
    Ok(port)
}

fn set_speed(port: &mut SerialPort, baud: u32) -> io::Result<()> {
    let mut settings = port.get_configuration()?;
    settings.set_baud_rate(baud)?;
    port.set_configuration(&settings)
}

async fn listen_for_head(
    port: &mut Port,
    decoder: &mut Decoder,
    heard: &mut Vec<Feed>,
    patience_s: f64,
) -> io::Result<bool> {
    let until = Instant::now() + Duration::from_secs_f64(patience_s);
    let mut buffer = [0; 4_096];
    while decoder.head().is_none() {
        let left = until.saturating_duration_since(Instant::now());
        if left.is_zero() {
            return Ok(false);
        }
        match tokio::time::timeout(left, port.read(&mut buffer)).await {
            Err(_) => return Ok(false),
            Ok(Ok(0)) => return Err(io::ErrorKind::UnexpectedEof.into()),
            Ok(Ok(n)) => {
                decoder.take(buffer.get(..n).unwrap_or_default(), Instant::now(), heard);
                // Of a port that floods only the newest damage is of interest.
                heard.retain(|f| !matches!(f, Feed::Damage(_)));
            }
            Ok(Err(e)) => return Err(e),
        }
    }
    Ok(true)
}

//! Reading lines from whatever gives bytes, until it is silent, gone or no longer wanted.

use std::io;
use std::time::{Duration, Instant};

use crate::block::{Feed, Link};
use crate::lines::Decoder;
use crate::queue::Queue;

/// Without a byte for so long a device is given up.
pub(crate) const SILENT_S: f64 = 3.0;
/// Without a good sample for so long a device is given up, whatever else it sends.
const NONSENSE_S: f64 = 6.0;
/// Longest wait before looking whether the session still runs.
const LOOK_S: f64 = 0.25;
/// Bytes gather so long before they are read: fewer wake-ups, far less than a frame of a screen.
const GATHER: Duration = Duration::from_millis(2);
/// Most bytes read at once.
const MOST_BYTES: usize = 16_384;

/// Something that gives bytes.
pub(crate) trait Bytes {
    /// Reads some bytes, zero at the end.
    async fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize>;
}

/// Reads until the session ends (`None`) or the device is lost (why).
pub(crate) async fn read_lines(
    device: &mut impl Bytes,
    decoder: &mut Decoder,
    queue: &Queue,
) -> Option<String> {
    let mut buffer = vec![0; MOST_BYTES];
    let mut out = Vec::new();
    let (mut heard, mut understood) = (Instant::now(), Instant::now());
    loop {
        if queue.is_closed() {
            return None;
        }
        let wait = Duration::from_secs_f64(LOOK_S);
        match tokio::time::timeout(wait, device.read(&mut buffer)).await {
            Ok(Ok(0)) => return Some("unplugged".to_owned()),
            Ok(Ok(n)) => {
                heard = Instant::now();
                decoder.take(buffer.get(..n).unwrap_or_default(), heard, &mut out);
                if out.iter().any(|f| matches!(f, Feed::Samples(_))) {
                    understood = heard;
                }
                for feed in out.drain(..) {
                    queue.push(feed);
                }
            }
            Ok(Err(e)) if e.kind() == io::ErrorKind::Interrupted => {}
            Ok(Err(e)) => return Some(format!("unplugged ({e})")),
            Err(_) => {}
        }
        if heard.elapsed().as_secs_f64() > SILENT_S {
            return Some("silent".to_owned());
        }
        if understood.elapsed().as_secs_f64() > NONSENSE_S {
            let fault = decoder.fault().map_or(String::new(), |f| format!(": {f}"));
            return Some(format!("sends no samples that are understood{fault}"));
        }
        tokio::time::sleep(GATHER).await;
    }
}

/// Says that `from` was lost, and waits a little before it is looked for again.
pub(crate) async fn lost(queue: &Queue, from: &str, why: String) {
    queue.push(Feed::Link(Link::Lost {
        from: from.to_owned(),
        why,
    }));
    pause(queue, 0.5).await;
}

/// Waits, but not beyond the session.
pub(crate) async fn pause(queue: &Queue, seconds: f64) {
    let until = Instant::now() + Duration::from_secs_f64(seconds);
    while Instant::now() < until && !queue.is_closed() {
        tokio::time::sleep(Duration::from_millis(50)).await;
    }
}

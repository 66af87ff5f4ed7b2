//! Boards that send their lines over the network.

use std::io;
use std::time::Duration;

use tokio::io::AsyncReadExt;
use tokio::net::TcpStream;

use crate::block::{Feed, Link};
use crate::lines::Decoder;
use crate::queue::Queue;
use crate::source::SourceError;
use crate::source::reader::{Bytes, lost, pause, read_lines};

/// How long a connection may take [s].
const CONNECT_S: u64 = 3;
/// Wait before the next attempt [s].
const AGAIN_S: f64 = 1.0;

struct Socket(TcpStream);

impl Bytes for Socket {
    async fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        self.0.read(buffer).await
    }
}

/// Refuses what has no port, before anyone waits for it.
pub(crate) fn check(address: &str) -> Result<(), SourceError> {
    let port = address
        .rsplit_once(':')
        .filter(|(host, _)| !host.is_empty())
        .and_then(|(_, port)| port.parse::<u16>().ok());
    match port {
        Some(1..) => Ok(()),
        _ => Err(SourceError::Address {
            address: address.to_owned(),
        }),
    }
}

/// Connects, listens, and connects again when the board is lost.
pub(crate) async fn listen(address: String, queue: Queue) {
    let mut decoder = Decoder::new();
    while !queue.is_closed() {
        let wait = Duration::from_secs(CONNECT_S);
        let socket = match tokio::time::timeout(wait, TcpStream::connect(&address)).await {
            Ok(Ok(socket)) => socket,
            Ok(Err(e)) => {
                nobody(&queue, &address, &in_words(&e)).await;
                continue;
            }
            Err(_) => {
                nobody(&queue, &address, "no answer").await;
                continue;
            }
        };
        queue.push(Feed::Link(Link::Connected {
            to: address.clone(),
        }));
        let why = read_lines(&mut Socket(socket), &mut decoder, &queue).await;
        decoder = decoder.again();
        if let Some(why) = why {
            lost(&queue, &address, why).await;
        }
    }
}

/// Why nobody is reached, for the one at the bench.
fn in_words(error: &io::Error) -> String {
    match error.kind() {
        io::ErrorKind::ConnectionRefused => "nobody listens there; is the board on?".to_owned(),
        io::ErrorKind::HostUnreachable | io::ErrorKind::NetworkUnreachable => {
            "not to be reached; is it in this network?".to_owned()
        }
        io::ErrorKind::TimedOut => "no answer".to_owned(),
        _ => error.to_string(),
    }
}

async fn nobody(queue: &Queue, address: &str, why: &str) {
    queue.push(Feed::Link(Link::Searching {
        note: format!("{address}: {why}"),
    }));
    pause(queue, AGAIN_S).await;
}

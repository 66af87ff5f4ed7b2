//! The socket: bound to this machine alone unless the shop's network is asked for.

use std::io;
use std::net::{IpAddr, Ipv4Addr, SocketAddr, TcpListener, UdpSocket};
use std::time::Duration;

use axum::serve::{Listener, ListenerExt};
use tokio::net::TcpStream;
use tokio::runtime::{Builder, Runtime};

use crate::announce::Announcement;
use crate::routes::router;
use crate::state::Web;

/// How long the last readings of the bench are waited for.
const AT_THE_END: Duration = Duration::from_secs(10);

/// Why the server does not run.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum ServerError {
    /// Port taken or not allowed.
    #[error("port {port} cannot be opened: {source}\n  remedy: give another one with `--port`")]
    Port {
        /// Port asked for.
        port: u16,
        /// What the system said.
        source: io::Error,
    },
    /// No address in a network.
    #[error(
        "this machine has no address in a network\n  remedy: join the shop's network, or leave \
         `--lan` out and use the browser on this machine"
    )]
    NoNetwork,
    /// The runtime or the socket failed.
    #[error("the server stopped: {0}")]
    Stopped(#[from] io::Error),
}

/// A bound socket with the names it may be asked under.
#[derive(Debug)]
pub struct Server {
    runtime: Runtime,
    listener: TcpListener,
    hosts: Vec<String>,
    address: String,
}

impl Server {
    /// Binds the port; 0 takes a free one.
    ///
    /// # Errors
    /// [`ServerError::Port`]; with `lan` also [`ServerError::NoNetwork`].
    pub fn bind(port: u16, lan: bool) -> Result<Self, ServerError> {
        let ip = if lan {
            lan_ip().ok_or(ServerError::NoNetwork)?
        } else {
            IpAddr::V4(Ipv4Addr::LOCALHOST)
        };
        // On the one address, not on all: a second network card stays shut.
        let listener = TcpListener::bind(SocketAddr::new(ip, port))
            .map_err(|source| ServerError::Port { port, source })?;
        let local = listener.local_addr()?;
        let mut hosts = vec![local.to_string()];
        if !lan {
            hosts.push(format!("localhost:{}", local.port()));
        }
        let runtime = Builder::new_multi_thread().enable_all().build()?;
        Ok(Self {
            runtime,
            address: format!("http://{local}"),
            listener,
            hosts,
        })
    }

    /// Address to open, such as `http://127.0.0.1:8087`.
    pub fn address(&self) -> &str {
        &self.address
    }

    /// Names with port under which it may be asked, for [`crate::WebConfig`].
    pub fn hosts(&self) -> &[String] {
        &self.hosts
    }

    /// Runs something on the threads of the server, such as opening the records it shows.
    pub fn block_on<F: Future>(&self, work: F) -> F::Output {
        self.runtime.block_on(work)
    }

    /// Serves until the process is told to end.
    ///
    /// # Errors
    /// [`ServerError::Stopped`].
    pub fn run(self, web: Web) -> Result<(), ServerError> {
        let Self {
            runtime, listener, ..
        } = self;
        listener.set_nonblocking(true)?;
        runtime.block_on(async move {
            let told = told_to_end();
            let listener = at_once(tokio::net::TcpListener::from_std(listener)?);
            // Streams never end by themselves, so none is waited for; readings taken are.
            let ended = tokio::select! {
                ended = axum::serve(listener, router(web.clone())).into_future() => ended,
                () = told => Ok(()),
            };
            let left = web.end_bench(AT_THE_END).await;
            if left > 0 {
                web.announce(Announcement::Trouble(
                    "the last readings of the bench are not in the records: they could not be written"
                        .to_owned(),
                ));
            }
            // What still asks for the records has nobody to answer to.
            if let Some(records) = web.records().cloned() {
                drop(tokio::time::timeout(AT_THE_END, records.close()).await);
            }
            ended
        })?;
        runtime.shutdown_background();
        Ok(())
    }
}

/// Lets every connection send what it has at once.
///
/// As the system has it, a small piece waits until the other end has said that the piece before arrived, and that
/// end takes up to 40 ms to say so: a tenth of the glances of a bench were that late.
fn at_once(listener: tokio::net::TcpListener) -> impl Listener<Io = TcpStream, Addr = SocketAddr> {
    listener.tap_io(|connection| {
        // A connection that is gone already has nobody who waits.
        let _ = connection.set_nodelay(true);
    })
}

/// Waits until the process is told to end.
///
/// It listens from the call on, not only once it is waited for: whoever was answered may tell the server to end at once.
#[cfg(unix)]
fn told_to_end() -> impl Future<Output = ()> {
    use tokio::signal::unix::{Signal, SignalKind, signal};
    async fn heard(signal: Option<Signal>) {
        match signal {
            Some(mut signal) => drop(signal.recv().await),
            // Without the signal there is nothing to wait for; the process is ended from outside.
            None => std::future::pending().await,
        }
    }
    let listen = |kind| signal(kind).ok();
    let (interrupt, terminate) = (
        listen(SignalKind::interrupt()),
        listen(SignalKind::terminate()),
    );
    async move {
        tokio::select! {
            () = heard(interrupt) => {}
            () = heard(terminate) => {}
        }
    }
}

#[cfg(not(unix))]
async fn told_to_end() {
    if tokio::signal::ctrl_c().await.is_err() {
        std::future::pending::<()>().await;
    }
}

/// The address this machine would send from. Connecting a datagram socket sends nothing; the
/// target is the documentation network of RFC 5737.
fn lan_ip() -> Option<IpAddr> {
    let socket = UdpSocket::bind((Ipv4Addr::UNSPECIFIED, 0)).ok()?;
    socket.connect((Ipv4Addr::new(192, 0, 2, 1), 9)).ok()?;
    let ip = socket.local_addr().ok()?.ip();
    (!ip.is_unspecified() && !ip.is_loopback()).then_some(ip)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn without_lan_only_this_machine_can_ask() {
        let server = Server::bind(0, false).unwrap();
        assert!(server.address().starts_with("http://127.0.0.1:"));
        assert!(server.listener.local_addr().unwrap().ip().is_loopback());
        assert_eq!(server.hosts().len(), 2);
    }

    #[tokio::test]
    async fn what_is_sent_waits_for_no_acknowledgement() {
        let listener = tokio::net::TcpListener::bind((Ipv4Addr::LOCALHOST, 0));
        let mut listener = at_once(listener.await.unwrap());
        let asked = TcpStream::connect(listener.local_addr().unwrap());
        let (_asked, (answered, _)) = tokio::join!(asked, listener.accept());
        assert!(answered.nodelay().unwrap());
    }

    #[test]
    fn a_taken_port_is_named_with_a_remedy() {
        let first = Server::bind(0, false).unwrap();
        let port = first.listener.local_addr().unwrap().port();
        let text = Server::bind(port, false).unwrap_err().to_string();
        assert!(
            text.contains(&port.to_string()) && text.contains("--port"),
            "{text}"
        );
    }
}

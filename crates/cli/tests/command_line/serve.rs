//! The server as a process: two on one folder, a restart, damaged records.

use std::io::{BufRead, BufReader, Read, Write};
use std::net::TcpStream;
use std::path::Path;
use std::process::{Child, Stdio};
use std::time::{Duration, Instant};

use crate::program::{command, evenpull, shown};

/// A server that was started; ended when dropped.
struct Server {
    process: Child,
    host: String,
    code: String,
}

impl Server {
    fn start(data: &Path) -> Self {
        let mut process = command()
            .args(["serve", "--port", "0", "--data", &shown(data)])
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        let mut line = String::new();
        BufReader::new(process.stdout.take().unwrap())
            .read_line(&mut line)
            .unwrap();
        let address = line.trim().strip_prefix("http://").unwrap();
        let (host, code) = address.split_once("/pair?code=").unwrap();
        Self {
            process,
            host: host.to_owned(),
            code: code.to_owned(),
        }
    }

    /// Sends a request as it is and returns the answer as it comes.
    fn ask(&self, method: &str, path: &str, headers: &str, body: &str) -> String {
        let mut stream = TcpStream::connect(&self.host).unwrap();
        let request = format!(
            "{method} {path} HTTP/1.1\r\nHost: {0}\r\nOrigin: http://{0}\r\nAccept: text/html\r\n\
             Connection: close\r\n{headers}Content-Length: {1}\r\n\r\n{body}",
            self.host,
            body.len()
        );
        stream.write_all(request.as_bytes()).unwrap();
        let mut answer = String::new();
        stream.read_to_string(&mut answer).unwrap();
        answer
    }

    fn end(&mut self) {
        let _ = self.process.kill();
        let _ = self.process.wait();
    }
}

impl Drop for Server {
    fn drop(&mut self) {
        self.end();
    }
}

#[test]
fn a_paired_device_is_known_after_a_restart_and_a_second_server_is_refused() {
    let dir = tempfile::tempdir().unwrap();
    let mut server = Server::start(dir.path());
    let form = "Content-Type: application/x-www-form-urlencoded\r\n";
    let paired = server.ask("POST", "/pair", form, &format!("code={}", server.code));
    let (_, rest) = paired
        .split_once("set-cookie: ")
        .unwrap_or_else(|| panic!("{paired}"));
    let cookie = rest.split(';').next().unwrap().to_owned();
    let second = evenpull(&["serve", "--port", "0", "--data", &shown(dir.path())]);
    second.refuses(&["in use by evenpull serve"]);
    // Killed, not closed: as when the power goes.
    server.end();
    let server = Server::start(dir.path());
    let headers = format!("Cookie: {cookie}\r\n");
    let page = server.ask("GET", "/shop", &headers, "");
    assert!(page.starts_with("HTTP/1.1 200"), "{page}");
    let stranger = server.ask("GET", "/shop", "", "");
    assert!(stranger.starts_with("HTTP/1.1 401"), "{stranger}");
}

/// Ended as by Ctrl-C, the records are closed: the next start has nothing to say of them.
#[cfg(unix)]
#[test]
fn a_server_that_is_told_to_end_closes_its_records() {
    let dir = tempfile::tempdir().unwrap();
    let left = dir.path().join("evenpull.in-use");
    let mut server = Server::start(dir.path());
    server.ask("GET", "/", "", "");
    assert!(left.exists());
    let told = std::process::Command::new("kill")
        .args(["-INT", &server.process.id().to_string()])
        .status();
    assert!(told.unwrap().success());
    assert!(server.process.wait().unwrap().success());
    assert!(!left.exists());
    // Killed, it could not: the next start checks the records and says so.
    Server::start(dir.path()).end();
    assert!(left.exists());
}

#[test]
fn damaged_records_are_named_with_the_way_back_before_anything_is_served() {
    let dir = tempfile::tempdir().unwrap();
    drop(Server::start(dir.path()));
    let file = dir.path().join("evenpull.db");
    std::fs::write(&file, "a letter to the owner").unwrap();
    let began = Instant::now();
    let refused = evenpull(&["serve", "--port", "0", "--data", &shown(dir.path())]);
    refused.refuses(&["damaged", "evenpull salvage"]);
    assert!(began.elapsed() < Duration::from_secs(30));
    assert_eq!(std::fs::read(&file).unwrap(), b"a letter to the owner");
}

/// Root may write anywhere, so there is nothing to see for root.
#[cfg(unix)]
#[test]
fn a_folder_that_cannot_be_written_is_named() {
    use std::os::unix::fs::PermissionsExt;
    let dir = tempfile::tempdir().unwrap();
    std::fs::set_permissions(dir.path(), PermissionsExt::from_mode(0o555)).unwrap();
    if std::fs::write(dir.path().join("probe"), "").is_ok() {
        eprintln!("not looked at: whoever runs this may write into a write-protected folder");
        return;
    }
    let refused = evenpull(&["serve", "--port", "0", "--data", &shown(dir.path())]);
    refused.refuses(&["cannot be written", "--data"]);
}

//! The served pages under load: `cargo xtask load`.
//!
//! Starts the program on a folder of records, measures how long its first page takes, pairs 50
//! clients, lets each ask for pages at a person's pace, then as fast as it gets answers, while 20
//! others watch the bench and one of them never reads. Over the loopback alone; the whole run takes
//! a little more than twice the seconds asked for.
//!
//! Arguments: the program, the folder, seconds of each part.
#![expect(
    clippy::print_stdout,
    clippy::unwrap_used,
    reason = "a benchmark reports on standard output and stops where it cannot go on"
)]

use std::io::{BufRead, BufReader, Read, Write};
use std::net::TcpStream;
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::time::{Duration, Instant};

/// People with a page open.
const CLIENTS: usize = 50;
/// Devices that watch the bench.
const WATCHERS: usize = 20;
/// Longest pause of a person between two pages; a pause is any shorter time as likely [ms].
const PAUSE_MS: u64 = 2_000;
/// Starts that are measured.
const STARTS: usize = 7;
/// Budgets: p99 of a page, start to first page [ms], size of the program [MB].
const BUDGET: (f64, f64, f64) = (25.0, 300.0, 60.0);

fn main() -> std::process::ExitCode {
    let words: Vec<String> = std::env::args().skip(1).collect();
    let [program, folder, seconds] = words.as_slice() else {
        println!("load PROGRAM FOLDER SECONDS");
        return std::process::ExitCode::from(2);
    };
    let seconds: u64 = seconds.parse().unwrap();
    let (program, folder) = (Path::new(program), Path::new(folder));
    let load = std::fs::read_to_string("/proc/loadavg").unwrap_or_default();
    println!("load of the machine before: {}", load.trim());
    let bytes = std::fs::metadata(program).unwrap().len() as f64 / 1e6;
    println!(
        "size of the program: {bytes:.1} MB; budget {} MB: {}",
        BUDGET.2,
        kept(bytes <= BUDGET.2)
    );
    starts(program, folder);
    let server = Server::start(program, folder);
    let cookie = server.pair();
    page(&server, &cookie, "/bench");
    let stop = Arc::new(AtomicBool::new(false));
    let events: Vec<Arc<AtomicU64>> = (0..WATCHERS).map(|_| Arc::default()).collect();
    let watching = watchers(&server, &cookie, &stop, &events);
    let began = Instant::now();
    let calm = run(&server, &cookie, seconds, PAUSE_MS);
    told(
        "one page in a second each, at random",
        &calm,
        Some(BUDGET.0),
    );
    let fast = run(&server, &cookie, seconds, 0);
    told("as fast as they are answered", &fast, None);
    let watched_s = began.elapsed().as_secs_f64();
    stop.store(true, Ordering::Relaxed);
    let rates: Vec<f64> = events
        .iter()
        .map(|n| n.load(Ordering::Relaxed) as f64 / watched_s)
        .collect();
    let least = rates.iter().copied().skip(1).fold(f64::INFINITY, f64::min);
    let most = rates.iter().copied().fold(0.0, f64::max);
    println!(
        "\n{WATCHERS} watchers of the bench meanwhile, the first of which never reads: the others got \
         {least:.0} to {most:.0} glances a second"
    );
    println!(
        "memory of the server at the end: {:.0} MB",
        server.memory_mb()
    );
    let load = std::fs::read_to_string("/proc/loadavg").unwrap_or_default();
    println!("load of the machine after: {}", load.trim());
    drop(server);
    for watcher in watching {
        let _ = watcher.join();
    }
    std::process::ExitCode::SUCCESS
}

fn kept(ok: bool) -> &'static str {
    if ok { "kept" } else { "NOT KEPT" }
}

/// A running program; ended when dropped.
struct Server {
    process: Child,
    host: String,
    code: String,
    first_page_ms: f64,
}

impl Server {
    /// Starts it and asks for its first page.
    fn start(program: &Path, folder: &Path) -> Self {
        let began = Instant::now();
        let mut process = Command::new(program)
            .args(["serve", "--port", "0", "--data"])
            .arg(folder)
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
        let mut server = Self {
            process,
            host: host.to_owned(),
            code: code.to_owned(),
            first_page_ms: 0.0,
        };
        let first = page(&server, "", "/pair");
        assert_eq!(first.status, 200);
        server.first_page_ms = 1e3 * began.elapsed().as_secs_f64();
        server
    }

    fn pair(&self) -> String {
        let body = format!("code={}", self.code);
        let request = format!(
            "POST /pair HTTP/1.1\r\nHost: {0}\r\nOrigin: http://{0}\r\nContent-Type: \
             application/x-www-form-urlencoded\r\nContent-Length: {1}\r\n\r\n{body}",
            self.host,
            body.len()
        );
        let answer = Line::to(self).ask(&request);
        let head = answer.head.to_lowercase();
        let (_, cookie) = head.split_once("set-cookie: ").unwrap();
        cookie.split(';').next().unwrap().to_owned()
    }

    fn memory_mb(&self) -> f64 {
        let path = format!("/proc/{}/status", self.process.id());
        let text = std::fs::read_to_string(path).unwrap_or_default();
        let line = text.lines().find(|l| l.starts_with("VmRSS:")).unwrap_or("");
        let kb = line
            .split_whitespace()
            .nth(1)
            .and_then(|n| n.parse::<f64>().ok());
        kb.unwrap_or(f64::NAN) / 1e3
    }
}

impl Drop for Server {
    fn drop(&mut self) {
        let _ = self.process.kill();
        let _ = self.process.wait();
    }
}

/// One kept connection.
struct Line(BufReader<TcpStream>);

struct Answer {
    status: u16,
    head: String,
}

impl Line {
    fn to(server: &Server) -> Self {
        let stream = TcpStream::connect(&server.host).unwrap();
        stream.set_nodelay(true).unwrap();
        Self(BufReader::new(stream))
    }

    fn ask(&mut self, request: &str) -> Answer {
        self.0.get_mut().write_all(request.as_bytes()).unwrap();
        let mut head = String::new();
        while !head.ends_with("\r\n\r\n") {
            assert!(
                self.0.read_line(&mut head).unwrap() > 0,
                "the server hung up"
            );
        }
        let status = head.split(' ').nth(1).unwrap().parse().unwrap();
        let lower = head.to_lowercase();
        let length = lower
            .split_once("content-length: ")
            .and_then(|(_, rest)| rest.split("\r\n").next()?.parse::<usize>().ok());
        if let Some(length) = length {
            let mut body = vec![0; length];
            self.0.read_exact(&mut body).unwrap();
        }
        Answer { status, head }
    }
}

fn get(server: &Server, cookie: &str, path: &str) -> String {
    format!(
        "GET {path} HTTP/1.1\r\nHost: {}\r\nAccept: text/html\r\nCookie: {cookie}\r\n\r\n",
        server.host
    )
}

fn page(server: &Server, cookie: &str, path: &str) -> Answer {
    Line::to(server).ask(&get(server, cookie, path))
}

/// From the start of the process to the last byte of its first page.
fn starts(program: &Path, folder: &Path) {
    let mut times: Vec<f64> = (0..STARTS)
        .map(|_| Server::start(program, folder).first_page_ms)
        .collect();
    times.sort_by(f64::total_cmp);
    let (middle, worst) = (times[STARTS / 2], times[STARTS - 1]);
    println!(
        "start to first page: median {middle:.0}, worst of {STARTS} {worst:.0} ms; budget {} ms: {}",
        BUDGET.1,
        kept(worst <= BUDGET.1)
    );
}

/// Numbers that repeat themselves only after a long time; the same for the same seed.
fn drawn(state: &mut u64) -> u64 {
    *state = state
        .wrapping_mul(6_364_136_223_846_793_005)
        .wrapping_add(1_442_695_040_888_963_407);
    *state >> 33
}

/// A page as a day at the shop asks for them.
fn path(state: &mut u64) -> String {
    let job = 1 + drawn(state) % 2_000;
    match drawn(state) % 12 {
        0 => "/jobs".to_owned(),
        1 => format!("/jobs?before={job}"),
        2 => "/jobs?text=idle".to_owned(),
        3 => "/machines".to_owned(),
        4 => format!("/machines/{}", 1 + job % 250),
        5 => format!("/jobs/{job}/booking"),
        6 => format!("/jobs/{job}/checks"),
        7 => format!("/jobs/{job}/readings"),
        8 => format!("/jobs/{job}/findings"),
        9 => format!("/jobs/{job}/work"),
        10 => format!("/jobs/{job}/handover"),
        _ => "/shop".to_owned(),
    }
}

/// Times of the pages [ms], by the pattern of their path.
fn run(server: &Server, cookie: &str, seconds: u64, pause_ms: u64) -> Vec<(String, f64)> {
    let until = Instant::now() + Duration::from_secs(seconds);
    std::thread::scope(|scope| {
        let clients: Vec<_> = (0..CLIENTS)
            .map(|number| {
                scope.spawn(move || {
                    let mut line = Line::to(server);
                    let mut state = 7 + number as u64;
                    let mut times = Vec::new();
                    while Instant::now() < until {
                        if pause_ms > 0 {
                            let pause = drawn(&mut state) % pause_ms;
                            std::thread::sleep(Duration::from_millis(pause));
                        }
                        let path = path(&mut state);
                        let request = get(server, cookie, &path);
                        let began = Instant::now();
                        let answer = line.ask(&request);
                        let ms = 1e3 * began.elapsed().as_secs_f64();
                        assert_eq!(answer.status, 200, "{path}");
                        times.push((pattern(&path), ms));
                    }
                    times
                })
            })
            .collect();
        clients
            .into_iter()
            .flat_map(|c| c.join().unwrap())
            .collect()
    })
}

fn pattern(path: &str) -> String {
    let path = path.split('?').next().unwrap_or(path);
    let number = |part: &str| part.bytes().all(|b| b.is_ascii_digit()) && !part.is_empty();
    let parts = path.split('/').map(|p| if number(p) { "N" } else { p });
    parts.collect::<Vec<_>>().join("/")
}

fn share(sorted: &[f64], share: f64) -> f64 {
    let last = sorted.len().saturating_sub(1);
    sorted
        .get((share * last as f64).round() as usize)
        .copied()
        .unwrap_or(f64::NAN)
}

fn told(name: &str, times: &[(String, f64)], budget: Option<f64>) {
    println!("\n{CLIENTS} clients, {name}: {} pages", times.len());
    let mut patterns: Vec<&str> = times.iter().map(|(p, _)| p.as_str()).collect();
    patterns.sort_unstable();
    patterns.dedup();
    println!(
        "{:<24} {:>7} {:>8} {:>8} {:>8}",
        "page", "asked", "p50 ms", "p99 ms", "worst"
    );
    let mut all: Vec<f64> = times.iter().map(|(_, ms)| *ms).collect();
    all.sort_by(f64::total_cmp);
    let row = |name: &str, sorted: &[f64]| {
        println!(
            "{name:<24} {:>7} {:>8.1} {:>8.1} {:>8.1}",
            sorted.len(),
            share(sorted, 0.5),
            share(sorted, 0.99),
            share(sorted, 1.0)
        );
    };
    for pattern in patterns {
        let of = times.iter().filter(|(p, _)| p == pattern);
        let mut sorted: Vec<f64> = of.map(|(_, ms)| *ms).collect();
        sorted.sort_by(f64::total_cmp);
        row(pattern, &sorted);
    }
    row("all", &all);
    if let Some(budget) = budget {
        let p99 = share(&all, 0.99);
        println!(
            "p99 {p99:.1} ms; budget {budget} ms: {}",
            kept(p99 <= budget)
        );
    }
}

/// Devices that watch; the first opens the stream and never reads.
fn watchers(
    server: &Server,
    cookie: &str,
    stop: &Arc<AtomicBool>,
    events: &[Arc<AtomicU64>],
) -> Vec<std::thread::JoinHandle<()>> {
    let begin = |(number, count): (usize, &Arc<AtomicU64>)| {
        let (count, stop) = (Arc::clone(count), Arc::clone(stop));
        let mut stream = TcpStream::connect(&server.host).unwrap();
        let request = get(server, cookie, "/bench/stream");
        stream.write_all(request.as_bytes()).unwrap();
        std::thread::spawn(move || {
            if number == 0 {
                while !stop.load(Ordering::Relaxed) {
                    std::thread::sleep(Duration::from_millis(100));
                }
                return;
            }
            let mut lines = BufReader::new(stream).lines();
            while let Some(Ok(line)) = lines.next() {
                if stop.load(Ordering::Relaxed) {
                    return;
                }
                count.fetch_add(u64::from(line.starts_with("data: ")), Ordering::Relaxed);
            }
        })
    };
    events.iter().enumerate().map(begin).collect()
}

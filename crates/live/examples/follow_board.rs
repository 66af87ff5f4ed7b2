//! Sample in to event out: a board on a pty sends four channels at 5 kHz, a session follows, twenty
//! watchers look on.
//!
//! `cargo xtask bench live [SECONDS]`. The board is a process of its own; processor time and memory are those
//! of the session with its watchers alone. A sample counts as in when it was due on the board's clock,
//! so a board that is late counts against the session; it is out when a watcher sees a snapshot that
//! holds it.
#![expect(
    clippy::print_stdout,
    clippy::unwrap_used,
    reason = "a bench reports on standard output and stops where it cannot go on"
)]

use std::io::{BufRead, BufReader};
use std::os::fd::AsRawFd;
use std::path::PathBuf;
use std::process::{Command, ExitCode, Stdio};
use std::time::{Duration, SystemTime, UNIX_EPOCH};

use evenpull_airflow::{Counts, Ratiometric};
use evenpull_engine::{Basics, Chain, EngineSpec, Setting};
use evenpull_live::lines::{LineHead, LineUnit, head_line, remark_line, sample_line};
use evenpull_live::{
    Expect, Gates, Ports, PracticeCommand, PracticeEngine, PracticeSetup, Session, Snapshot,
    Source, StreamHead, Watcher,
};
use evenpull_trace::{BodySetup, Setup};
use serial2::SerialPort;

const RATE_HZ: f64 = 5_000.0;
const CHANNELS: usize = 4;
const WATCHERS: usize = 20;
/// Samples between two remarks; no multiple of a frame of the screen.
const REMARK_SAMPLES: u64 = 535;
/// Budgets: 99th percentile [ms], share of one core [%].
const BUDGET: (f64, f64) = (20.0, 25.0);

fn main() -> ExitCode {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    match arguments.first().map(String::as_str) {
        Some("board") => {
            board();
            ExitCode::SUCCESS
        }
        first => {
            let seconds = first.and_then(|s| s.parse().ok()).unwrap_or(60.0);
            if session(seconds) {
                ExitCode::SUCCESS
            } else {
                ExitCode::FAILURE
            }
        }
    }
}

fn now_s() -> f64 {
    SystemTime::now()
        .duration_since(UNIX_EPOCH)
        .unwrap()
        .as_secs_f64()
}

/// An in-line four that idles, 250 cc a cylinder.
fn engine() -> PracticeSetup {
    let spec = EngineSpec::from_basics(&Basics {
        displacement_m3: 250e-6,
        intake_start_deg: vec![0.0, 540.0, 180.0, 360.0],
        ..Basics::default()
    })
    .unwrap();
    PracticeSetup {
        bodies: (1..=CHANNELS).map(|i| format!("body{i}")).collect(),
        setting: Setting::healthy(&spec, 2.2),
        spec,
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
            CHANNELS
        ],
        late_offset_pa: vec![0.0; CHANNELS],
        crossed: false,
        rate_hz: RATE_HZ,
        seed: 1,
    }
}

fn head(setup: &PracticeSetup) -> LineHead {
    LineHead {
        stream: StreamHead {
            channels: setup.bodies.clone(),
            rate_hz: RATE_HZ,
        },
        unit: LineUnit::Count {
            counts: Counts::new(4_095.0).unwrap(),
            sensor: Ratiometric::RANGE_15_TO_115_KPA,
        },
        wrap: 65_536,
        run: Some("bench".to_owned()),
    }
}

/// The board: tells the path of its port, waits for the question, then sends a loop of whole cycles
/// by its clock until it is killed.
fn board() {
    let setup = engine();
    let head = head_line(&head(&setup));
    let mut engine = PracticeEngine::new(setup).unwrap();
    engine.command(PracticeCommand::Start).unwrap();
    let mut rows = Vec::new();
    for _ in 0..200 {
        rows.clear();
        engine.advance(&mut rows).unwrap();
    }
    rows.clear();
    for _ in 0..200 {
        engine.advance(&mut rows).unwrap();
    }
    let (mut port, computer) = SerialPort::pair().unwrap();
    let path = std::fs::read_link(format!("/proc/self/fd/{}", computer.as_raw_fd())).unwrap();
    println!("{}", path.display());
    port.set_read_timeout(Duration::from_secs(60)).unwrap();
    let mut asked = [0; 64];
    let _ = port.read(&mut asked).unwrap();
    let start_s = now_s();
    println!("{start_s:.6}");
    let rows: Vec<&[f32]> = rows.chunks_exact(CHANNELS).collect();
    let mut sent = 0_u64;
    loop {
        let mut text = String::new();
        if sent.is_multiple_of(RATE_HZ as u64) {
            text.push_str(&head);
        }
        // Five samples at once, each no later than it was due: a board's own buffer.
        for _ in 0..5 {
            let row = rows[(sent % rows.len() as u64) as usize];
            let counts = |p: &f32| {
                (4_095.0 * Ratiometric::RANGE_15_TO_115_KPA.ratio_from_pa(f64::from(*p))).round()
            };
            let values: Vec<f64> = row.iter().map(counts).collect();
            text.push_str(&sample_line(sent % 65_536, &values, 0));
            sent += 1;
        }
        let due_s = start_s + sent as f64 / RATE_HZ;
        if sent.is_multiple_of(REMARK_SAMPLES) {
            // When the sample before it was due [ms]: a page that shows the remark shows the sample.
            text.push_str(&remark_line(&format!("{:.1}", 1e3 * due_s)));
        }
        let wait = due_s - now_s();
        if wait > 0.0 {
            std::thread::sleep(Duration::from_secs_f64(wait));
        }
        if port.write_all(text.as_bytes()).is_err() {
            return;
        }
    }
}

/// Delays in steps of 0.1 ms up to a second.
struct Delays {
    steps: Vec<u64>,
    worst_s: f64,
}

impl Delays {
    fn add(&mut self, s: f64) {
        let step = ((s.max(0.0) * 1e4) as usize).min(self.steps.len() - 1);
        self.steps[step] += 1;
        self.worst_s = self.worst_s.max(s);
    }

    fn share_ms(&self, share: f64) -> f64 {
        let all: u64 = self.steps.iter().sum();
        let mut left = (share * all as f64) as u64;
        for (i, n) in self.steps.iter().enumerate() {
            if left < *n {
                return (i + 1) as f64 * 0.1;
            }
            left -= n;
        }
        f64::NAN
    }
}

/// True when the budgets were kept.
fn session(seconds: f64) -> bool {
    let mut board = Command::new(std::env::current_exe().unwrap())
        .arg("board")
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    let mut said = BufReader::new(board.stdout.take().unwrap());
    let mut line = String::new();
    said.read_line(&mut line).unwrap();
    let path = PathBuf::from(line.trim());
    let setup = engine();
    let session = Session::start(Source::Serial(Ports::These(vec![path])), expect(&setup)).unwrap();
    line.clear();
    said.read_line(&mut line).unwrap();
    let start_s: f64 = line.trim().parse().unwrap();
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_time()
        .build()
        .unwrap();
    let kept = runtime.block_on(async {
        for _ in 1..WATCHERS {
            tokio::spawn(look_on(session.watch()));
        }
        measure(session.watch(), start_s, seconds).await
    });
    // The board ends when its port is closed; it is told to, in case it waits.
    drop(session);
    let _ = board.kill();
    let _ = board.wait();
    kept
}

async fn look_on(mut watcher: Watcher) {
    while watcher.next().await.is_some() {}
}

async fn measure(mut watcher: Watcher, start_s: f64, seconds: f64) -> bool {
    let mut delays = Delays {
        steps: vec![0; 10_000],
        worst_s: 0.0,
    };
    let mut last = watcher.look().snapshot.samples;
    let (mut events, mut next_told) = (0_u64, 10.0);
    let (cpu_at, from_s) = (cpu_s(), now_s());
    let (first_kb, mut snapshot) = (memory_kb(), watcher.look().snapshot);
    println!("   s     MB   p50 ms   p99 ms   worst ms   core %   accepted");
    while now_s() - from_s < seconds {
        let Some(seen) = watcher.next().await else {
            break;
        };
        let now = now_s();
        snapshot = seen.snapshot;
        events += 1;
        for k in last..snapshot.samples {
            delays.add(now - start_s - (k + 1) as f64 / RATE_HZ);
        }
        last = snapshot.samples;
        if now - from_s >= next_told {
            let core = 100.0 * (cpu_s() - cpu_at) / (now - from_s);
            println!(
                "{:>4.0} {:>6.1} {:>8.1} {:>8.1} {:>10.1} {:>8.1} {:>10}",
                now - from_s,
                memory_kb() / 1e3,
                delays.share_ms(0.5),
                delays.share_ms(0.99),
                1e3 * delays.worst_s,
                core,
                snapshot.accepted
            );
            next_told += (seconds / 12.0).max(10.0);
        }
    }
    let took_s = now_s() - from_s;
    let core = 100.0 * (cpu_s() - cpu_at) / took_s;
    told(&snapshot, &delays, core, events as f64 / took_s, first_kb)
}

fn told(s: &Snapshot, delays: &Delays, core: f64, events_hz: f64, first_kb: f64) -> bool {
    let verdict = |ok: bool| if ok { "kept" } else { "NOT KEPT" };
    let p99 = delays.share_ms(0.99);
    let load = std::fs::read_to_string("/proc/loadavg").unwrap_or_default();
    println!(
        "\n{CHANNELS} channels at {RATE_HZ} Hz, {WATCHERS} watchers, {events_hz:.0} snapshots a second"
    );
    println!(
        "sample in to event out: p50 {:.1}, p99 {p99:.1}, p99.9 {:.1}, worst {:.1} ms; budget p99 {} ms: {}",
        delays.share_ms(0.5),
        delays.share_ms(0.999),
        1e3 * delays.worst_s,
        BUDGET.0,
        verdict(p99 <= BUDGET.0)
    );
    println!(
        "processor: {core:.1} % of one core; budget {} %: {}",
        BUDGET.1,
        verdict(core <= BUDGET.1)
    );
    println!(
        "memory: {:.1} MB at the start, {:.1} MB at the end",
        first_kb / 1e3,
        memory_kb() / 1e3
    );
    println!(
        "followed {} samples, lost {}, dropped {}, bad lines {}",
        s.samples, s.damage.lost_samples, s.dropped, s.damage.bad_lines
    );
    println!(
        "rpm {:.0}, load of the machine {}",
        s.rpm.unwrap_or(0.0),
        load.trim()
    );
    p99 <= BUDGET.0 && core <= BUDGET.1
}

fn expect(setup: &PracticeSetup) -> Expect {
    let basics = Basics::default();
    Expect {
        setup: Setup {
            bodies: setup
                .bodies
                .iter()
                .zip(&setup.spec.cylinders)
                .map(|(body, c)| BodySetup {
                    body: body.clone(),
                    intake_start_deg: c.intake_start_deg,
                    zero_pa: Some(0.0),
                    hose: None,
                })
                .collect(),
            p0_pa: setup.setting.ambient_pa,
            t0_k: setup.setting.ambient_k,
            runner_m3: basics.runner_m3,
            n: 1.35,
            scale_sd: 0.12,
            inlet_opens_btdc_deg: basics.inlet_opens_btdc_deg,
            inlet_closes_abdc_deg: basics.inlet_closes_abdc_deg,
            zero_sd_pa: 170.0,
            passages_open: false,
        },
        gates: Gates::band(1_000.0, 1_500.0),
        label: "idle".to_owned(),
    }
}

/// Processor time of this process, user and system [s].
fn cpu_s() -> f64 {
    let text = std::fs::read_to_string("/proc/self/stat").unwrap();
    let after = text.rsplit(") ").next().unwrap();
    let ticks = |i: usize| -> f64 { after.split(' ').nth(i).unwrap().parse().unwrap() };
    // Fields 14 and 15 of proc(5); a hundred ticks a second on Linux.
    (ticks(11) + ticks(12)) / 100.0
}

/// Resident memory [kB].
fn memory_kb() -> f64 {
    let text = std::fs::read_to_string("/proc/self/status").unwrap();
    let line = text.lines().find(|l| l.starts_with("VmRSS:")).unwrap();
    line.split_whitespace().nth(1).unwrap().parse().unwrap()
}

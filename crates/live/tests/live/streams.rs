//! Whole sessions in real time: ptys, sockets, replays, watchers.

use std::io::Write;
use std::net::TcpListener;
use std::sync::Arc;
use std::sync::atomic::AtomicBool;
use std::time::{Duration, Instant};

use evenpull_live::{Link, Ports, Session, SessionError, Snapshot, Source, Watcher};
use evenpull_trace::{Channel, Recording, Segment};

use crate::{board, made};

/// Looks until `done` says so; fails loudly after `seconds`.
fn until(session: &Session, seconds: u64, done: impl Fn(&Snapshot) -> bool) -> Arc<Snapshot> {
    let start = Instant::now();
    loop {
        let s = session.latest();
        if done(&s) {
            return s;
        }
        assert!(start.elapsed() < Duration::from_secs(seconds), "{s:#?}");
        std::thread::sleep(Duration::from_millis(10));
    }
}

fn connected(s: &Snapshot) -> bool {
    matches!(s.link, Link::Connected { .. })
}

/// Found among silent ports, read to an accepted reading across a counter that rolls over, unplugged,
/// plugged in again, found again.
#[test]
fn a_board_is_found_read_unplugged_and_found_again() {
    let folder = tempfile::tempdir().unwrap();
    let (silent, port) = (folder.path().join("a"), folder.path().join("b"));
    let gone = folder.path().join("c");
    let setup = made::practice(1_000.0);
    let expect = made::idle(&setup);
    let _silent = board::plug(&silent, None, "");
    let plugged = board::plug(&port, Some(setup.clone()), "one");
    let ports = Ports::These(vec![gone, silent, port.clone()]);
    let session = Session::start(Source::Serial(ports), expect).unwrap();
    until(&session, 10, connected);
    let s = until(&session, 60, |s| s.accepted > 0);
    let reading = session.accepted(s.accepted).unwrap();
    assert!((reading.reading.rpm.value - 1_250.0).abs() < 40.0);
    assert!(s.damage.lost_samples == 0 && s.dropped == 0, "{s:?}");
    drop(plugged);
    let s = until(&session, 10, |s| !connected(s));
    assert_eq!(s.rpm, None);
    let followed = s.samples;
    let _plugged = board::plug(&port, Some(setup), "two");
    until(&session, 20, |s| {
        connected(s) && s.samples > followed + 2_000
    });
    until(&session, 20, |s| s.rpm.is_some());
}

/// Garbage between lines, a broken connection, another one: the samples in between are followed.
#[test]
fn a_socket_with_garbage_is_survived() {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let address = listener.local_addr().unwrap().to_string();
    let setup = made::practice(1_000.0);
    let expect = made::idle(&setup);
    let stop = Arc::new(AtomicBool::new(false));
    let told = Arc::clone(&stop);
    std::thread::spawn(move || {
        for run in 0..2 {
            let (mut socket, _) = listener.accept().unwrap();
            socket.write_all(&[0xff; 700]).unwrap();
            socket.write_all(b"\nboot v3\r\n12,13\n").unwrap();
            if run == 0 {
                // Cut off in the middle of a line.
                let head = evenpull_live::lines::head_line(&board::head(&setup, "x"));
                let text = head + "1 2000 2000~";
                socket.write_all(text.as_bytes()).unwrap();
            } else {
                board::send(setup.clone(), "y", &mut socket, &told);
            }
        }
    });
    let session = Session::start(Source::Network { address }, expect).unwrap();
    let s = until(&session, 30, |s| s.rpm.is_some_and(|r| r > 800.0));
    assert!(s.damage.bad_lines >= 6, "{:?}", s.damage);
    let bodies = until(&session, 20, |s| {
        s.bodies.iter().all(|b| b.through_area_mm2.is_some())
    });
    assert!(bodies.spread.unwrap() < 0.2, "{:?}", bodies.spread);
    stop.store(true, std::sync::atomic::Ordering::Relaxed);
}

#[test]
fn an_address_without_a_port_is_refused_at_once() {
    let setup = made::practice(1_000.0);
    for address in ["", "board", "board:", ":3333", "board:99999", "board:0"] {
        let source = Source::Network {
            address: address.to_owned(),
        };
        let refused = Session::start(source, made::idle(&setup));
        assert!(matches!(refused, Err(SessionError::Source(_))), "{address}");
    }
}

/// Twenty watchers, one of which never looks: the others see every few snapshots, none waits.
#[test]
fn watchers_do_not_wait_for_each_other() {
    let setup = made::practice(2_000.0);
    let expect = made::idle(&setup);
    let session = Session::start(Source::Practice(Box::new(setup)), expect).unwrap();
    let stalled = session.watch();
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()
        .unwrap();
    let see = |mut w: Watcher, pause: Duration| async move {
        let start = Instant::now();
        let (mut seen, mut missed, mut last) = (0_u64, 0, 0);
        while start.elapsed() < Duration::from_secs(2) {
            let s = w.next().await.unwrap();
            assert!(s.snapshot.number > last || last == 0);
            last = s.snapshot.number;
            seen += 1;
            missed += s.missed;
            tokio::time::sleep(pause).await;
        }
        (seen, missed)
    };
    let (fast, slow) = runtime.block_on(async {
        let others: Vec<_> = (0..18)
            .map(|_| tokio::spawn(see(session.watch(), Duration::ZERO)))
            .collect();
        let slow = tokio::spawn(see(session.watch(), Duration::from_millis(200)));
        let mut fast = Vec::new();
        for o in others {
            fast.push(o.await.unwrap());
        }
        (fast, slow.await.unwrap())
    });
    // 2 s at most 125 snapshots a second; a busy machine makes fewer.
    assert!(fast.iter().all(|(seen, _)| *seen > 40), "{fast:?}");
    assert!(slow.0 < 15 && slow.1 > 20, "{slow:?}");
    drop(session);
    let mut stalled = stalled;
    assert!(runtime.block_on(stalled.next()).is_some());
    assert!(runtime.block_on(stalled.next()).is_none());
}

/// Five seconds of dips at 1,250 rpm, played: the speed is that of the recording, and it takes as long.
#[test]
fn a_recording_is_replayed_at_its_speed() {
    let dip = |i: usize, shift: f64| {
        let at = (i as f64 / 96.0 + shift).fract();
        let p = if at < 0.2 {
            90e3 - 300e3 * at
        } else {
            30e3 + 75e3 * (at - 0.2)
        };
        p as f32
    };
    let channel = |body: &str, shift: f64| Channel {
        body: body.to_owned(),
        p_pa: (0..3_000).map(|i| dip(i, shift)).collect(),
        step_pa: 1.0,
        clipped: 0,
    };
    let recording = Recording {
        name: "made.csv".to_owned(),
        dt_s: 1e-3,
        segments: vec![Segment {
            first: 0,
            len: 3_000,
            t0_s: 0.0,
        }],
        channels: vec![channel("left", 0.0), channel("right", 0.4)],
        assumed: vec![],
        notices: vec![],
    };
    let expect = made::idle(&made::practice(1_000.0));
    let play = |recording: Recording| {
        let source = Source::Replay {
            recording: Box::new(recording),
            again: false,
        };
        Session::start(source, expect.clone())
    };
    let start = Instant::now();
    let session = play(recording.clone()).unwrap();
    let s = until(&session, 10, |s| s.rpm.is_some());
    // One fall is 96 samples after the other, exactly.
    assert!((s.rpm.unwrap() - 1_250.0).abs() < 0.5, "{:?}", s.rpm);
    until(&session, 10, |s| matches!(s.link, Link::Ended { .. }));
    let took = start.elapsed().as_secs_f64();
    assert!((2.9..6.0).contains(&took), "{took}");
    let slow = Recording {
        dt_s: 0.1,
        ..recording
    };
    assert!(play(slow).is_err());
}

//! Boards on the bench of a job: followed, zeroed, compared, read into the records.

use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::{Duration, Instant};

use axum::http::StatusCode;
use evenpull_live::{PracticeCommand, Throttle};

use crate::board::{Board, Pace, Touch};
use crate::client::{Device, send_form};
use crate::records::booked;

/// Waits until the newest glance of the bench is as wanted; that glance.
async fn until(
    device: &Device,
    seconds: u64,
    wanted: impl Fn(&serde_json::Value) -> bool,
) -> serde_json::Value {
    let start = Instant::now();
    loop {
        let glance = device.glance().await;
        if wanted(&glance) {
            return glance;
        }
        assert!(start.elapsed() < Duration::from_secs(seconds), "{glance:#}");
        tokio::time::sleep(Duration::from_millis(100)).await;
    }
}

fn state(glance: &serde_json::Value) -> &str {
    glance["live"]["link"]["state"].as_str().unwrap_or("")
}

async fn operate(device: &Device, what: &str) -> StatusCode {
    let answer = device.submit("/bench/do", &[("do", what)]).await;
    answer.status
}

/// Zeroes once a second of samples is there.
async fn zero(device: &Device) {
    for _ in 0..40 {
        if operate(device, "zero").await.is_redirection() {
            return;
        }
        tokio::time::sleep(Duration::from_millis(250)).await;
    }
    panic!("the sensors cannot be zeroed");
}

/// From plugging a board in to a reading in the records, then the board lost and found.
#[tokio::test(flavor = "multi_thread")]
async fn a_board_on_a_port_is_read_into_the_job() {
    let (device, port) = Device::paired_with_port().await;
    let job = booked(&device, "Dunlin 1060", "stalls").await;
    let form = [
        ("source", "serial"),
        ("bleed.left", "0,5"),
        ("bleed.right", "0.5"),
    ];
    let set = device.submit(&format!("{job}/bench"), &form).await;
    assert_eq!(set.status, StatusCode::SEE_OTHER, "{set:?}");
    until(&device, 20, |g| state(g) == "searching").await;
    let board = Board::plug(&port);
    until(&device, 30, |g| state(g) == "connected").await;
    zero(&device).await;
    let page = device.get("/bench").await.text;
    for absent in ["Kill switch", "Sealed screws", "Mend it", "Zero-learn"] {
        assert!(!page.contains(absent), "{absent} with sensors");
    }
    // What only the practice engine does is refused in words.
    for what in ["start", "learn", "kill"] {
        assert_eq!(
            operate(&device, what).await,
            StatusCode::UNPROCESSABLE_ENTITY
        );
    }
    let sealed = [("adjuster", "stop.left"), ("turns", "0.1")];
    let refused = device.submit("/bench/do", &sealed).await;
    assert!(refused.text.contains("sealed"), "{}", refused.text);
    let turned = [("adjuster", "balance screw"), ("turns", "-0.125")];
    let noted = device.submit("/bench/do", &turned).await;
    assert_eq!(noted.status, StatusCode::SEE_OTHER, "{noted:?}");
    // A bleed is on record at once too: no reading may follow, and the bench may be left.
    let turned = [("adjuster", "bleed.left"), ("turns", "0.25")];
    device.submit("/bench/do", &turned).await;
    let on_record = device.records.job(1).await.unwrap().adjustments;
    let on_record: Vec<_> = on_record.iter().map(|a| (&*a.adjuster, a.turns)).collect();
    assert_eq!(on_record, [("balance screw", -0.125), ("bleed.left", 0.25)]);
    let beside = [("do", "beside"), ("engine_c", "78"), ("sensor_v", "0,612")];
    device.submit("/bench/do", &beside).await;
    board.touch(Touch::Engine(PracticeCommand::Start));
    let glance = until(&device, 90, |g| g["kept"]["kept"] == 1).await;
    assert_eq!(glance["kept"]["trouble"], serde_json::Value::Null);
    let readings = device.get(&format!("{job}/readings")).await.text;
    for text in ["bench-idle.csv", "78", "0.612"] {
        assert!(readings.contains(text), "{text} in {readings}");
    }
    let text = device.records.job_texts(1).await.unwrap().job_toml;
    let stands = "bleed_turns = { left = 0.75, right = 0.5 }";
    assert!(text.contains(stands), "{text}");
    let work = device.get(&format!("{job}/work")).await.text;
    assert!(work.contains("0.12") || work.contains("0.13"), "{work}");
    let done = device.submit(&format!("{job}/assess"), &[]).await;
    assert_eq!(done.status, StatusCode::SEE_OTHER, "{done:?}");
    board.touch(Touch::Garbage);
    board.touch(Touch::Reset);
    let glance = until(&device, 10, |g| g["live"]["restarts"] == 1).await;
    assert!(
        glance["live"]["bad_lines"].as_u64().unwrap() >= 3,
        "{glance:#}"
    );
    drop(board);
    let glance = until(&device, 20, |g| state(g) != "connected").await;
    assert!(
        glance["live"]["link"]["text"]
            .as_str()
            .is_some_and(|t| !t.is_empty())
    );
    let _again = Board::plug(&port);
    until(&device, 30, |g| state(g) == "connected").await;
    let left = device.submit("/bench/leave", &[]).await;
    assert_eq!(left.header("location"), format!("{job}/readings"));
}

/// Over the network: two sensors on one held pressure, one of them with 2 % of gain.
#[tokio::test(flavor = "multi_thread")]
async fn sensors_of_a_board_on_the_network_are_compared() {
    let device = Device::paired().await;
    let job = booked(&device, "Dunlin 1060", "stalls").await;
    let path = format!("{job}/bench");
    let elsewhere = [("source", "network"), ("address", "8.8.8.8:53")];
    let refused = device.submit(&path, &elsewhere).await;
    assert_eq!(refused.status, StatusCode::UNPROCESSABLE_ENTITY);
    let (board, address) = Board::listen();
    let form = [("source", "network"), ("address", address.as_str())];
    let set = device.submit(&path, &form).await;
    assert_eq!(set.status, StatusCode::SEE_OTHER, "{set:?}");
    until(&device, 20, |g| state(g) == "connected").await;
    // Without a zero, what they differ by would be their zeros.
    for _ in 0..8 {
        assert_eq!(operate(&device, "compare").await, StatusCode::CONFLICT);
        tokio::time::sleep(Duration::from_millis(250)).await;
    }
    board.touch(Touch::Held {
        pa: 101_325.0,
        gain: 1.0,
    });
    zero(&device).await;
    for (gain, apart_kpa, agree) in [(1.02, 0.8, false), (1.0, 0.0, true)] {
        board.touch(Touch::Held { pa: 61_325.0, gain });
        tokio::time::sleep(Duration::from_millis(2_500)).await;
        assert!(operate(&device, "compare").await.is_redirection());
        let found = until(&device, 10, |g| g["comparison"].is_object()).await;
        let found = &found["comparison"];
        // Counts of 27 Pa averaged over a thousand samples, and both zeros: below 0.05 kPa.
        let apart = found["apart_kpa"].as_f64().unwrap();
        assert!((apart - apart_kpa).abs() < 0.05, "{found}");
        assert_eq!(found["agree"], agree, "{found}");
        // Without scripts the page says it as well.
        let page = device.get("/bench").await.text;
        let said = if agree {
            "They agree:"
        } else {
            "They differ by"
        };
        assert!(page.contains(said), "{said} in {page}");
    }
    // That they agree stands among the checks of the job.
    let start = Instant::now();
    while !device
        .get(&format!("{job}/checks"))
        .await
        .text
        .contains("id=\"known-h\"")
    {
        assert!(start.elapsed() < Duration::from_secs(10));
        tokio::time::sleep(Duration::from_millis(200)).await;
    }
    board.touch(Touch::Engine(PracticeCommand::Throttle(Throttle::Closed)));
}

/// A board that sends whatever is followed, faster than the clock: nothing is dropped and nothing lost.
#[tokio::test(flavor = "multi_thread")]
async fn samples_may_come_faster_than_the_clock() {
    let device = Device::paired().await;
    let job = booked(&device, "Dunlin 1060", "stalls").await;
    let followed = Arc::new(AtomicU64::new(0));
    let (_board, address) = Board::listen_at(Pace::Followed(Arc::clone(&followed)));
    let form = [("source", "network"), ("address", address.as_str())];
    let set = device.submit(&format!("{job}/bench"), &form).await;
    assert_eq!(set.status, StatusCode::SEE_OTHER, "{set:?}");
    let glance = until(&device, 60, |g| {
        let samples = g["live"]["samples"].as_u64().unwrap_or(0);
        followed.fetch_max(samples, Ordering::Relaxed);
        samples > 60_000
    })
    .await;
    assert_eq!(glance["live"]["dropped"], 0, "{glance:#}");
    assert_eq!(glance["live"]["lost_samples"], 0, "{glance:#}");
}

/// A recording of the job is shown again and not kept twice; a file is read and kept.
#[tokio::test(flavor = "multi_thread")]
async fn recordings_are_played_on_the_bench() {
    let device = Device::paired().await;
    let job = booked(&device, "Dunlin 1060", "stalls").await;
    let example = concat!(env!("CARGO_MANIFEST_DIR"), "/../../examples/jobs/healthy/");
    let file = std::fs::read_dir(example)
        .unwrap()
        .filter_map(|e| Some(e.ok()?.path()))
        .find(|p| p.extension().is_some_and(|e| e == "csv") && p.to_string_lossy().contains("idle"))
        .expect("a recording at idle");
    let bytes = std::fs::read(&file).unwrap();
    let path = format!("{job}/bench");
    let fields = [("source", "replay")];
    let set = send_form(&device, &path, &fields, ("replay", "../idle.csv", &bytes)).await;
    assert_eq!(set.status, StatusCode::SEE_OTHER, "{set:?}");
    let glance = until(&device, 30, |g| g["live"]["rpm"].is_number()).await;
    assert!(glance["kept"].is_object(), "{glance:#}");
    let none = send_form(&device, &path, &fields, ("replay", "x.csv", b"")).await;
    assert_eq!(none.status, StatusCode::UNPROCESSABLE_ENTITY);
    let nonsense = send_form(&device, &path, &fields, ("replay", "x.csv", b"no numbers")).await;
    assert_eq!(
        nonsense.status,
        StatusCode::UNPROCESSABLE_ENTITY,
        "{nonsense:?}"
    );
    // The bench is what it was before the form that could not be used.
    assert_eq!(device.get("/bench").await.status, StatusCode::OK);
    let fields = [("condition", "idle"), ("engine_c", "75")];
    let kept = send_form(
        &device,
        &format!("{job}/readings"),
        &fields,
        ("recording", "idle.csv", &bytes),
    )
    .await;
    assert_eq!(kept.status, StatusCode::SEE_OTHER, "{kept:?}");
    let page = device.get(&format!("{job}/readings")).await.text;
    let (_, rest) = page
        .split_once("<select id=\"reading\" name=\"reading\"><option value=\"")
        .unwrap();
    let id = rest.split('"').next().unwrap().to_owned();
    let form = [("source", "replay"), ("reading", id.as_str())];
    let set = device.submit(&path, &form).await;
    assert_eq!(set.status, StatusCode::SEE_OTHER, "{set:?}");
    let glance = until(&device, 30, |g| g["live"]["rpm"].is_number()).await;
    assert_eq!(glance["kept"], serde_json::Value::Null);
    let foreign = [("source", "replay"), ("reading", "999")];
    let refused = device.submit(&path, &foreign).await;
    assert_eq!(refused.status, StatusCode::UNPROCESSABLE_ENTITY);
}

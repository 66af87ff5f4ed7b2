use std::time::{Duration, Instant};

use axum::http::StatusCode;

use crate::client::Device;

#[tokio::test]
async fn the_bench_shows_its_engine_screws_and_places() {
    let device = Device::paired().await;
    let page = device.get("/bench").await;
    assert_eq!(page.status, StatusCode::OK);
    for text in [
        "Heron 1060",
        "balance screw",
        "bleed, left",
        "stop, right",
        "stay sealed",
        "hold 3750",
        "idle, bleeds shut",
        "data-config=",
    ] {
        assert!(page.text.contains(text), "{text} in {}", page.text);
    }
    // What is wrong with the engine is not told before it is asked for.
    assert!(!page.text.contains("class=\"truth\""));
    let told = device.submit("/bench/do", &[("do", "reveal")]).await;
    assert_eq!(told.status, StatusCode::SEE_OTHER);
    assert!(device.get("/bench").await.text.contains("class=\"truth\""));
}

#[tokio::test]
async fn what_is_not_there_is_refused_with_what_there_is() {
    let device = Device::paired().await;
    for (fields, text) in [
        (&[("station", "hodl")][..], "hold"),
        (
            &[("adjuster", "balance"), ("turns", "0.1")][..],
            "balance screw",
        ),
        (&[("adjuster", "stop.left"), ("turns", "one")][..], "turns"),
        (&[("adjuster", "stop.left"), ("turns", "500")][..], "20"),
        (&[("do", "fly")][..], "start, kill"),
        (&[("follow", "0")][..], "assess"),
        (&[("follow", "-1")][..], "follow"),
    ] {
        let answer = device.submit("/bench/do", fields).await;
        assert_eq!(
            answer.status,
            StatusCode::UNPROCESSABLE_ENTITY,
            "{fields:?}"
        );
        assert!(answer.text.contains(text), "{text} in {}", answer.text);
    }
    for profile in ["../../etc/passwd", "/etc/hostname", ""] {
        let form = [("profile", profile), ("fault", "none")];
        let answer = device.submit("/bench/new", &form).await;
        assert_eq!(answer.status, StatusCode::UNPROCESSABLE_ENTITY);
        assert!(answer.text.contains("heron-270"), "{}", answer.text);
    }
    let answer = device.submit("/bench/assess", &[]).await;
    assert_eq!(answer.status, StatusCode::CONFLICT);
    assert_eq!(
        device.get("/bench/findings").await.status,
        StatusCode::NOT_FOUND
    );
}

/// The engine runs in real time: 50 cycles of idle last five seconds, and it has to settle.
#[tokio::test(flavor = "multi_thread")]
async fn a_reading_is_taken_by_itself_and_assessed() {
    let device = Device::paired().await;
    device.get("/bench").await;
    device.submit("/bench/do", &[("do", "start")]).await;
    device.submit("/bench/do", &[("station", "idle")]).await;
    let start = Instant::now();
    while !device.get("/bench").await.text.contains("/bench/assess") {
        assert!(start.elapsed() < Duration::from_secs(120), "no reading");
        tokio::time::sleep(Duration::from_millis(500)).await;
    }
    let answer = device.submit("/bench/assess", &[]).await;
    assert_eq!(answer.status, StatusCode::SEE_OTHER, "{answer:?}");
    let findings = device.get("/bench/findings").await;
    assert_eq!(findings.status, StatusCode::OK);
    assert!(findings.text.contains("Findings"));
    let policy = findings.header("content-security-policy");
    assert!(
        !policy.contains("script-src") && policy.contains("default-src 'none'"),
        "{policy}"
    );
}

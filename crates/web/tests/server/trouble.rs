//! What goes wrong around the pages: uploads without end, a full disk, hostile text everywhere.

use std::fmt::Write as _;
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};

use axum::body::{Body, Bytes};
use axum::http::StatusCode;
use evenpull_web::listed_routes;
use futures_util::StreamExt;
use futures_util::stream::repeat_with;

use crate::client::{Device, send_form};
use crate::records::{PNG, booked};

const MB: usize = 1024 * 1024;

#[tokio::test(flavor = "multi_thread")]
async fn a_huge_upload_is_refused() {
    let device = Device::paired().await;
    let job = booked(&device, "Dunlin", "").await;
    let claimed = device
        .request("POST", &format!("{job}/photos"))
        .header("content-type", "multipart/form-data; boundary=edge")
        .header("content-length", "999999999999");
    let answer = device.send(claimed.body(Body::empty()).unwrap()).await;
    assert_eq!(answer.status, StatusCode::PAYLOAD_TOO_LARGE);
    // Without an honest length the body itself is counted.
    let body = vec![b'x'; 97 * MB];
    let file = ("photo", "big.png", body.as_slice());
    let answer = send_form(&device, &format!("{job}/photos"), &[], file).await;
    assert_eq!(answer.status, StatusCode::PAYLOAD_TOO_LARGE);
}

/// A gigabyte that comes in pieces is not taken in: every form stops at its limit.
#[tokio::test(flavor = "multi_thread")]
async fn a_gigabyte_in_pieces_is_stopped_at_every_form() {
    let device = Device::paired().await;
    booked(&device, "Dunlin", "").await;
    let piece = Bytes::from(vec![b'x'; MB]);
    for route in listed_routes().into_iter().filter(|r| r.method == "POST") {
        let names = ["{id}", "{owner}", "{reading}", "{remark}", "{turn}"];
        let path = names
            .into_iter()
            .fold(route.path.to_owned(), |path, name| path.replace(name, "1"));
        let sent = Arc::new(AtomicUsize::new(0));
        let (count, piece) = (Arc::clone(&sent), piece.clone());
        let head = Bytes::from_static(
            b"--edge\r\nContent-Disposition: form-data; name=\"photo\"; filename=\"a.png\"\r\n\r\n",
        );
        let pieces = repeat_with(move || {
            count.fetch_add(1, Ordering::Relaxed);
            piece.clone()
        });
        let pieces = futures_util::stream::iter([head]).chain(pieces.take(1024));
        let body = Body::from_stream(pieces.map(Ok::<_, std::io::Error>));
        let request = device
            .request("POST", &path)
            .header("content-type", "multipart/form-data; boundary=edge");
        let answer = device.send(request.body(body).unwrap()).await;
        assert_eq!(answer.status, StatusCode::PAYLOAD_TOO_LARGE, "{path}");
        let taken = sent.load(Ordering::Relaxed);
        assert!(taken <= 98, "{path} took {taken} MB");
    }
}

/// On a full disk the page says so, nothing acknowledged is lost, and the pages go on.
#[tokio::test(flavor = "multi_thread")]
async fn a_full_disk_is_said_on_the_page() {
    let device = Device::paired().await;
    let job = booked(&device, "Dunlin", "").await;
    device.records.limit_growth(1).await.unwrap();
    let path = format!("{job}/readings");
    // A recording of noise: as such it is kept, and it cannot be packed much.
    let mut noise = String::from("time_s,left_kpa,right_kpa\n");
    for i in 0_u32..8_000 {
        let kpa = |n: u32| 60.0 + f64::from(n.wrapping_mul(2_654_435_761) >> 13) / 26_214.4;
        let (left, right) = (kpa(2 * i), kpa(2 * i + 1));
        let _ = writeln!(noise, "{:.3},{left:.5},{right:.5}", f64::from(i) / 1e3);
    }
    let fields = [
        ("condition", "hold"),
        ("gauge.left", "40"),
        ("gauge.right", "43"),
        ("unit", "kPa"),
    ];
    let mut kept = 0;
    let refused = loop {
        let file = ("recording", "noise.csv", noise.as_bytes());
        let answer = send_form(&device, &path, &fields, file).await;
        if answer.status != StatusCode::SEE_OTHER {
            break answer;
        }
        kept += 1;
        assert!(kept < 50, "the file grows without end");
    };
    assert_eq!(refused.status, StatusCode::UNPROCESSABLE_ENTITY);
    assert!(
        refused.text.contains("the disk is full"),
        "{}",
        refused.text
    );
    let page = device.get(&path).await;
    assert_eq!(page.status, StatusCode::OK);
    assert_eq!(page.text.matches("noise.csv").count(), 2 * kept);
}

/// A device that opens the stream and reads nothing of it holds nobody up.
#[tokio::test(flavor = "multi_thread")]
async fn a_stalled_watcher_harms_nobody() {
    let device = Device::paired().await;
    device.get("/bench").await;
    let mut stalled = Vec::new();
    for _ in 0..20 {
        stalled.push(device.open_stream().await);
    }
    let mut numbers = Vec::new();
    for _ in 0..10 {
        let glance = device.glance().await;
        numbers.push(glance["live"]["number"].as_u64().unwrap());
    }
    assert!(numbers.windows(2).all(|w| w[0] <= w[1]), "{numbers:?}");
    let shop = device.get("/shop").await;
    assert_eq!(shop.status, StatusCode::OK);
    // What a stalled device gets when it reads again is new, not what it missed.
    let newest = device.glance().await["live"]["number"].as_u64().unwrap();
    for stream in stalled {
        let first = Device::next_glance(stream).await;
        assert!(
            first["live"]["number"].as_u64().unwrap() + 5 >= newest,
            "{first:#}"
        );
    }
}

/// Script in the settings and in what is typed beside the bench.
#[tokio::test(flavor = "multi_thread")]
async fn script_in_settings_and_sources_comes_back_as_text() {
    let device = Device::paired().await;
    let script = "<script>alert(1)</script>\"'><img src=x onerror=alert(1)>";
    let job = booked(&device, "Dunlin", "").await;
    let settings = [
        ("pressure", "kPa"),
        ("decimal", "point"),
        ("name", script),
        ("address", script),
        ("currency", script),
        ("line_words.0", script),
    ];
    device.submit("/shop", &settings).await;
    let file = ("photo", script, PNG);
    send_form(
        &device,
        &format!("{job}/photos"),
        &[("caption", script)],
        file,
    )
    .await;
    let mut answers = vec![device.get("/shop").await];
    for form in [
        [("source", script), ("address", script)],
        [("source", "network"), ("address", script)],
    ] {
        answers.push(device.submit(&format!("{job}/bench"), &form).await);
    }
    let query = crate::client::encoded(&[("stop", script), ("turns", script)]);
    answers.push(device.get(&format!("/what-if?{query}")).await);
    answers.push(
        device
            .get(&format!(
                "/jobs?{}",
                crate::client::encoded(&[("text", script)])
            ))
            .await,
    );
    for answer in answers {
        assert!(!answer.text.contains("<script>alert"), "{}", answer.text);
        assert!(!answer.text.contains("<img src=x"), "{}", answer.text);
        assert!(answer.text.contains("&#60;script&#62;"), "{}", answer.text);
    }
}

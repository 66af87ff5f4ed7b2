use std::time::{Duration, Instant};

use axum::http::StatusCode;

use crate::client::Device;
use crate::records::booked;

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
        (
            &[("adjuster", "stop.left"), ("turns", "one")][..],
            "`Turns`",
        ),
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

/// Waits for a reading that its keeper has not taken over yet; readings taken and kept then. Where the
/// keeper was sooner, another reading is taken.
async fn taken_and_not_kept(device: &Device, csrf: &str) -> (u64, u64) {
    let start = Instant::now();
    let mut seen = 0;
    loop {
        let glance = device.glance().await;
        let readings = glance["readings"].as_u64().unwrap();
        let kept = glance["kept"]["kept"].as_u64().unwrap();
        if readings > kept {
            return (readings, kept);
        }
        if readings > seen {
            seen = readings;
            device
                .post("/bench/do", &[("csrf", csrf), ("do", "again")])
                .await;
        }
        assert!(start.elapsed() < Duration::from_secs(120), "{glance:#}");
        tokio::time::sleep(Duration::from_millis(5)).await;
    }
}

/// Sets the bench up for a job, a sound practice engine in place of a board.
async fn set_up(device: &Device, csrf: &str, job: &str) {
    let form = [
        ("csrf", csrf),
        ("source", "practice"),
        ("fault", "none"),
        ("seed", "3"),
    ];
    let set = device.post(&format!("{job}/bench"), &form).await;
    assert_eq!(set.status, StatusCode::SEE_OTHER, "{set:?}");
}

fn number(job: &str) -> i64 {
    job.rsplit('/').next().unwrap().parse().unwrap()
}

/// Readings on record of a job, once there are as many as wanted.
async fn on_record(device: &Device, job: &str, wanted: u64) -> usize {
    let start = Instant::now();
    loop {
        let found = device.records.job(number(job)).await.unwrap();
        let found = found.readings.len();
        if found as u64 >= wanted || start.elapsed() > Duration::from_secs(10) {
            return found;
        }
        tokio::time::sleep(Duration::from_millis(20)).await;
    }
}

/// Readings are looked for four times a second; the bench is set up for another job, and the server
/// ended, sooner than that after one was taken.
#[tokio::test(flavor = "multi_thread")]
async fn a_reading_lands_on_the_job_it_was_begun_for() {
    let device = Device::paired().await;
    let first = booked(&device, "Dunlin 1060", "stalls").await;
    let second = booked(&device, "Dunlin 270", "hunts").await;
    let csrf = device.csrf().await;
    let run = [
        [("csrf", csrf.as_str()), ("do", "start")],
        [("csrf", csrf.as_str()), ("station", "idle")],
    ];
    set_up(&device, &csrf, &first).await;
    for fields in &run {
        device.post("/bench/do", fields).await;
    }
    let (taken, kept) = taken_and_not_kept(&device, &csrf).await;
    assert!(taken > kept);
    set_up(&device, &csrf, &second).await;
    assert_eq!(on_record(&device, &first, taken).await as u64, taken);
    assert_eq!(on_record(&device, &second, 0).await, 0);
    for fields in &run {
        device.post("/bench/do", fields).await;
    }
    let (taken, _) = taken_and_not_kept(&device, &csrf).await;
    assert_eq!(device.web.end_bench(Duration::from_secs(10)).await, 0);
    // At once: the end has waited for it.
    assert_eq!(on_record(&device, &second, 0).await as u64, taken);
    let found = device.records.job(number(&first)).await.unwrap();
    let bench = found.readings.iter().filter(|r| r.recording.is_some());
    assert_eq!(bench.count(), found.readings.len());
}

/// A turn that was acknowledged is on record, whether a reading follows it or not, and each once.
#[tokio::test(flavor = "multi_thread")]
async fn a_turn_is_on_record_when_it_is_acknowledged() {
    let device = Device::paired().await;
    let job = booked(&device, "Dunlin 1060", "stalls").await;
    let csrf = device.csrf().await;
    set_up(&device, &csrf, &job).await;
    let on_record = async || {
        let found = device.records.job(number(&job)).await.unwrap();
        let all = found.adjustments.into_iter();
        all.map(|a| (a.turns, a.reading_id.is_some()))
            .collect::<Vec<_>>()
    };
    for turns in ["-0.125", "0.25"] {
        let form = [
            ("csrf", csrf.as_str()),
            ("adjuster", "balance screw"),
            ("turns", turns),
        ];
        let done = device.post("/bench/do", &form).await;
        assert_eq!(done.status, StatusCode::SEE_OTHER, "{done:?}");
        assert!(on_record().await.len() >= if turns == "0.25" { 2 } else { 1 });
    }
    assert_eq!(on_record().await, [(-0.125, false), (0.25, false)]);
    for fields in [("do", "start"), ("station", "idle")] {
        device
            .post("/bench/do", &[("csrf", csrf.as_str()), fields])
            .await;
    }
    taken_and_not_kept(&device, &csrf).await;
    assert_eq!(device.web.end_bench(Duration::from_secs(10)).await, 0);
    assert_eq!(on_record().await, [(-0.125, true), (0.25, true)]);
}

/// The job's barometer stays, the engine runs in it, and what it read is marked as practice.
#[tokio::test(flavor = "multi_thread")]
async fn the_practice_engine_leaves_the_air_of_a_job_as_it_was_booked() {
    let device = Device::paired().await;
    let job = booked(&device, "Dunlin 1060", "stalls").await;
    let csrf = device.csrf().await;
    set_up(&device, &csrf, &job).await;
    let start = Instant::now();
    for fields in [("do", "zero"), ("do", "start"), ("station", "idle")] {
        let form = [("csrf", csrf.as_str()), fields];
        // There is nothing to take a zero from before the first samples.
        while device.post("/bench/do", &form).await.status != StatusCode::SEE_OTHER {
            assert!(start.elapsed() < Duration::from_secs(30), "{fields:?}");
            tokio::time::sleep(Duration::from_millis(50)).await;
        }
    }
    taken_and_not_kept(&device, &csrf).await;
    assert_eq!(device.web.end_bench(Duration::from_secs(10)).await, 0);
    let text = device
        .records
        .job_texts(number(&job))
        .await
        .unwrap()
        .job_toml;
    // As it was typed when the job was booked in; nobody typed a temperature.
    assert!(text.contains("pressure_kpa = 99.3"), "{text}");
    assert!(!text.contains("temperature_c"), "{text}");
    assert!(text.contains("key_off_kpa"), "{text}");
    assert!(text.contains("practice = true"), "{text}");
}

/// Sensor hoses on each other's bodies: told beside the picture while the engine runs, without scripts
/// too, and at the reading that is taken all the same.
#[tokio::test(flavor = "multi_thread")]
async fn crossed_hoses_are_told_at_once_with_what_to_do() {
    let device = Device::paired().await;
    let form = [
        ("profile", "heron-270"),
        ("fault", "crossed-hoses"),
        ("seed", "5"),
    ];
    let set = device.submit("/bench/new", &form).await;
    assert_eq!(set.status, StatusCode::SEE_OTHER, "{set:?}");
    let told = "Hoses crossed: the one named left is on right";
    assert!(!device.get("/bench").await.text.contains(told));
    device.submit("/bench/do", &[("do", "start")]).await;
    device.submit("/bench/do", &[("station", "idle")]).await;
    let start = Instant::now();
    let glance = loop {
        let glance = device.glance().await;
        if glance["live"]["crossed"]
            .as_array()
            .is_some_and(|c| !c.is_empty())
        {
            break glance;
        }
        assert!(start.elapsed() < Duration::from_secs(30), "{glance:#}");
        tokio::time::sleep(Duration::from_millis(20)).await;
    };
    println!("told after {:.1} s", start.elapsed().as_secs_f64());
    assert_eq!(glance["readings"], 0, "before anything is read");
    let first = &glance["live"]["crossed"][0];
    assert_eq!(
        (&first["trace"], &first["on"]),
        (&"left".into(), &"right".into())
    );
    let page = device.get("/bench").await.text;
    for text in [told, "Stop the engine"] {
        assert!(page.contains(text), "{text} in {page}");
    }
    let start = Instant::now();
    while !device.get("/bench").await.text.contains("(hoses crossed)") {
        assert!(start.elapsed() < Duration::from_secs(120), "no reading");
        tokio::time::sleep(Duration::from_millis(500)).await;
    }
}

/// A stream that is opened just after the bench was set up for another job begins with that bench, also
/// where somebody watched the one before: not with the last that was written of that.
#[tokio::test(flavor = "multi_thread")]
async fn a_stream_begins_with_the_bench_as_it_is_set_up_now() {
    let device = Device::paired().await;
    let first = booked(&device, "Dunlin 1060", "stalls").await;
    let second = booked(&device, "Dunlin 270", "hunts").await;
    let csrf = device.csrf().await;
    // Somebody looks on throughout.
    let _asleep = device.open_stream().await;
    for job in [&first, &second, &first, &second] {
        set_up(&device, &csrf, job).await;
        let glance = device.glance().await;
        assert_eq!(glance["kept"]["job"], number(job), "{glance:#}");
    }
}

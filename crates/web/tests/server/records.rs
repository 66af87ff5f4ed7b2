use axum::http::StatusCode;

use crate::client::{Device, send_form as send};

const SCRIPT: &str = "<script>alert(1)</script>\"'><img src=x onerror=alert(1)>";

/// Books a machine and a job in; returns the path of the job.
pub(crate) async fn booked(device: &Device, name: &str, complaint: &str) -> String {
    let machine = device
        .submit(
            "/machines",
            &[
                ("name", name),
                ("registration", name),
                ("profile", "heron-270"),
                ("owner", name),
                ("contact", name),
                ("retain_until", "2031-12-31"),
            ],
        )
        .await;
    assert_eq!(machine.status, StatusCode::SEE_OTHER, "{machine:?}");
    let to = format!("{}/jobs", machine.header("location"));
    let form = [
        ("complaint", complaint),
        ("odometer_km", "21500"),
        ("pressure_kpa", "99,3"),
    ];
    let job = device.submit(&to, &form).await;
    assert_eq!(job.status, StatusCode::SEE_OTHER, "{job:?}");
    job.header("location")
        .trim_end_matches("/booking")
        .to_owned()
}

/// A picture of one black point.
pub(crate) const PNG: &[u8] = &[
    0x89, b'P', b'N', b'G', 0x0d, 0x0a, 0x1a, 0x0a, 0, 0, 0, 0x0d, b'I', b'H', b'D', b'R', 0, 0, 0,
    1, 0, 0, 0, 1, 8, 0, 0, 0, 0, 0x3a, 0x7e, 0x9b, 0x55, 0, 0, 0, 0x0a, b'I', b'D', b'A', b'T',
    0x78, 0x9c, 0x63, 0x60, 0, 0, 0, 2, 0, 1, 0x48, 0xaf, 0xa4, 0x71, 0, 0, 0, 0, b'I', b'E', b'N',
    b'D', 0xae, 0x42, 0x60, 0x82,
];

#[tokio::test(flavor = "multi_thread")]
async fn a_job_goes_from_booking_in_to_handover_on_gauges() {
    let device = Device::paired().await;
    let job = booked(&device, "Dunlin 1060", "stalls on closing").await;
    let seals = [
        ("seal.stop.left", "disturbed"),
        ("seal.stop.right", "intact"),
    ];
    let kept = device.submit(&format!("{job}/seals"), &seals).await;
    assert_eq!(kept.status, StatusCode::SEE_OTHER, "{kept:?}");
    let checks = [
        ("cable_slack", "yes"),
        ("inlet_mm.left", "0,10"),
        ("exhaust_mm.left", "0.15"),
        ("inlet_mm.right", "0.10"),
        ("exhaust_mm.right", "0.15"),
    ];
    let kept = device.submit(&format!("{job}/checks"), &checks).await;
    assert_eq!(kept.status, StatusCode::SEE_OTHER, "{kept:?}");
    for (condition, left, right) in [("idle", "44,1", "43.9"), ("hold", "40", "43")] {
        let reading = [
            ("condition", condition),
            ("gauge.left", left),
            ("gauge.right", right),
            ("unit", "kpa"),
            ("engine_c", "75"),
        ];
        let kept = device.submit(&format!("{job}/readings"), &reading).await;
        assert_eq!(kept.status, StatusCode::SEE_OTHER, "{kept:?}");
    }
    let done = device.submit(&format!("{job}/assess"), &[]).await;
    assert_eq!(done.status, StatusCode::SEE_OTHER, "{done:?}");
    let findings = device.get(&format!("{job}/findings/page")).await;
    assert_eq!(findings.status, StatusCode::OK);
    let turn = [
        ("adjuster", "balance screw"),
        ("turns", "0.25"),
        ("way", "less"),
    ];
    let kept = device.submit(&format!("{job}/turns"), &turn).await;
    assert_eq!(kept.status, StatusCode::SEE_OTHER, "{kept:?}");
    let work = device.get(&format!("{job}/work")).await.text;
    assert!(work.contains("not of the latest records"), "{work}");
    assert!(
        work.contains("clearances recorded, all within tolerance"),
        "{work}"
    );
    let handover = device.get(&format!("{job}/handover")).await.text;
    for text in [
        "Before and after",
        "balance screw: 0.25",
        "disturbed",
        "44.1",
    ] {
        assert!(handover.contains(text), "{text} in {handover}");
    }
    let closed = device
        .submit(&format!("{job}/stage"), &[("stage", "closed")])
        .await;
    assert_eq!(closed.status, StatusCode::SEE_OTHER);
    assert!(device.get("/jobs").await.text.contains("closed"));
    assert!(!device.get("/jobs?open=yes").await.text.contains("Dunlin"));
}

/// The middle of a page without the token of its forms.
async fn shown_there(device: &Device, path: &str) -> String {
    let page = device.get(path).await.text;
    let page = between(&page, "<main", "</main>").replace(&device.csrf().await, "");
    // The number of a form is another each time.
    let once = "name=\"once\" value=\"";
    let mut parts = page.split(once);
    let first = parts.next().unwrap_or_default().to_owned();
    parts.fold(first, |all, part| {
        all + part.split_once('"').map_or(part, |(_, rest)| rest)
    })
}

/// Condition and gauges [kPa] of a twin whose left side pulls less.
const UNEVEN: [(&str, &str, &str); 2] = [("idle", "37", "44.5"), ("hold", "39.8", "43")];

/// Posts one gauge reading of a twin.
async fn read(device: &Device, job: &str, (condition, left, right): (&str, &str, &str)) {
    let reading = [
        ("condition", condition),
        ("gauge.left", left),
        ("gauge.right", right),
        ("unit", "kpa"),
    ];
    device.submit(&format!("{job}/readings"), &reading).await;
}

/// What was found is on every page of the job after the server was ended and started again.
#[tokio::test(flavor = "multi_thread")]
async fn findings_are_shown_after_a_restart() {
    let device = Device::paired().await;
    let job = booked(&device, "Dunlin 1060", "uneven").await;
    for reading in UNEVEN {
        read(&device, &job, reading).await;
    }
    device.submit(&format!("{job}/assess"), &[]).await;
    let paths = ["findings", "work", "handover"].map(|end| format!("{job}/{end}"));
    let mut before = Vec::new();
    for path in &paths {
        before.push(shown_there(&device, path).await);
    }
    assert!(!before[0].contains("No findings yet"), "{}", before[0]);
    let device = device.restarted().await;
    for (path, before) in paths.iter().zip(&before) {
        assert_eq!(shown_there(&device, path).await, *before, "{path}");
    }
    let whole = device.get(&format!("{job}/findings/page")).await;
    assert_eq!(whole.status, StatusCode::OK);
    let turn = [
        ("adjuster", "balance screw"),
        ("turns", "0.25"),
        ("way", "more"),
    ];
    device.submit(&format!("{job}/turns"), &turn).await;
    let stale = device.get(&paths[0]).await.text;
    assert!(stale.contains("Something was recorded since"), "{stale}");
    let handover = device.get(&paths[2]).await.text;
    assert!(
        handover.contains("nothing is read after it yet"),
        "{handover}"
    );
}

/// The part of a page between two marks.
fn between<'a>(page: &'a str, from: &str, to: &str) -> &'a str {
    let start = page.find(from).map(|at| at + from.len());
    let rest = &page[start.unwrap_or_else(|| panic!("no {from} in {page}"))..];
    &rest[..rest.find(to).unwrap_or(rest.len())]
}

#[tokio::test(flavor = "multi_thread")]
async fn the_findings_of_a_job_say_no_more_than_its_whole_page() {
    let device = Device::paired().await;
    let job = booked(&device, "Dunlin 1060", "uneven").await;
    let mut said = Vec::new();
    for reading in UNEVEN {
        read(&device, &job, reading).await;
        device.submit(&format!("{job}/assess"), &[]).await;
        let whole = device.get(&format!("{job}/findings/page")).await.text;
        let short = device.get(&format!("{job}/findings")).await.text;
        let work = device.get(&format!("{job}/work")).await.text;
        let headline = between(&whole, "class=\"headline\">", "<");
        let odds = between(&whole, "class=\"odds\">", "</p>");
        for page in [short, work] {
            assert!(page.contains(headline), "{headline} in {page}");
            assert!(page.contains(odds), "{odds} in {page}");
        }
        said.push(headline.to_owned());
    }
    assert!(said.iter().any(|s| s == "Undetermined"), "{said:?}");
}

#[tokio::test(flavor = "multi_thread")]
async fn a_sealed_part_needs_its_stage_and_a_written_reason() {
    let device = Device::paired().await;
    let job = booked(&device, "Dunlin 1060", "").await;
    let turn = [
        ("adjuster", "stop.left"),
        ("turns", "0.25"),
        ("way", "less"),
    ];
    let to = format!("{job}/turns");
    let turned = || device.submit(&to, &turn);
    let refused = turned().await;
    assert_eq!(refused.status, StatusCode::CONFLICT, "{refused:?}");
    assert!(refused.text.contains("sealed"), "{}", refused.text);
    device
        .submit(&format!("{job}/stage"), &[("stage", "baseline")])
        .await;
    assert_eq!(turned().await.status, StatusCode::CONFLICT);
    let reason = |text: &'static str| [("adjuster", "stop.left"), ("reason", text)];
    let path = format!("{job}/overrides");
    let short = device.submit(&path, &reason("because")).await;
    assert_eq!(short.status, StatusCode::CONFLICT, "{short:?}");
    let long = reason("seal broken, plate found 0.6 degrees open");
    assert_eq!(
        device.submit(&path, &long).await.status,
        StatusCode::SEE_OTHER
    );
    assert_eq!(turned().await.status, StatusCode::SEE_OTHER);
}

#[tokio::test(flavor = "multi_thread")]
async fn scripts_in_every_text_field_come_back_as_text() {
    let device = Device::paired().await;
    let job = booked(&device, SCRIPT, SCRIPT).await;
    let photo = format!("{job}/photos");
    let file = ("photo", "../../seal.png", PNG);
    let kept = send(&device, &photo, &[("caption", SCRIPT)], file).await;
    assert_eq!(kept.status, StatusCode::SEE_OTHER, "{kept:?}");
    let gauge = [
        ("condition", "hold"),
        ("gauge.left", "40"),
        ("gauge.right", "43"),
        ("unit", "kpa"),
    ];
    device.submit(&format!("{job}/readings"), &gauge).await;
    let withdrawn = [("reason", SCRIPT)];
    device
        .submit(&format!("{job}/readings/1/withdraw"), &withdrawn)
        .await;
    device
        .submit(&format!("{job}/stage"), &[("stage", "baseline")])
        .await;
    let reason = format!("found {SCRIPT} on it and more");
    let sealed = [("adjuster", "stop.left"), ("reason", reason.as_str())];
    device.submit(&format!("{job}/overrides"), &sealed).await;
    device
        .submit(&format!("{job}/handover"), &[("note", SCRIPT)])
        .await;
    device.submit(&format!("{job}/readings"), &gauge).await;
    device.submit(&format!("{job}/assess"), &[]).await;
    let mut seen = 0;
    for path in [
        "/jobs".to_owned(),
        "/machines".to_owned(),
        "/machines/1".to_owned(),
        format!("{job}/booking"),
        format!("{job}/checks"),
        format!("{job}/readings"),
        format!("{job}/findings"),
        format!("{job}/findings/page"),
        format!("{job}/work"),
        format!("{job}/handover"),
    ] {
        let answer = device.get(&path).await;
        assert_eq!(answer.status, StatusCode::OK, "{path}: {answer:?}");
        assert!(!answer.text.contains("<script>alert"), "{path}");
        assert!(!answer.text.contains("<img src=x"), "{path}");
        seen += usize::from(answer.text.contains("&#60;script&#62;"));
    }
    assert!(seen >= 8, "{seen}");
}

#[tokio::test(flavor = "multi_thread")]
async fn a_photo_is_asked_for_by_number_and_is_a_picture() {
    let device = Device::paired().await;
    let job = booked(&device, "Dunlin", "").await;
    let path = format!("{job}/photos");
    let file = ("photo", "../../../etc/seal.png", PNG);
    assert_eq!(
        send(&device, &path, &[("caption", "left stop")], file)
            .await
            .status,
        StatusCode::SEE_OTHER
    );
    let photo = device.get("/photos/1").await;
    assert_eq!(photo.header("content-type"), "image/png");
    assert_eq!(
        device.get("/photos/..%2f..%2fetc%2fpasswd").await.status,
        StatusCode::NOT_FOUND
    );
    assert_eq!(device.get("/photos/99").await.status, StatusCode::NOT_FOUND);
    let page = ("photo", "seal.png", &b"<html><script>alert(1)</script>"[..]);
    let refused = send(&device, &path, &[("caption", "x")], page).await;
    assert_eq!(
        refused.status,
        StatusCode::UNPROCESSABLE_ENTITY,
        "{refused:?}"
    );
}

#[tokio::test(flavor = "multi_thread")]
async fn a_recording_is_uploaded_and_read() {
    let device = Device::paired().await;
    let job = booked(&device, "Dunlin", "").await;
    let example = concat!(
        env!("CARGO_MANIFEST_DIR"),
        "/../../examples/jobs/healthy/01_idle_1250.csv"
    );
    let bytes = std::fs::read(example).unwrap();
    let path = format!("{job}/readings");
    let fields = [
        ("condition", "idle"),
        ("hose_length_m", "0,25"),
        ("hose_bore_mm", "4"),
        ("hose_dead_cc", "0.6"),
    ];
    let kept = send(&device, &path, &fields, ("recording", "idle.csv", &bytes)).await;
    assert_eq!(kept.status, StatusCode::SEE_OTHER, "{kept:?}");
    let done = device.submit(&format!("{job}/assess"), &[]).await;
    assert_eq!(done.status, StatusCode::SEE_OTHER, "{done:?}");
    let page = device.get(&path).await.text;
    let told = page.split_once("Mean depression, from the recording</dt><dd><bdi>left ");
    let (_, told) = told.unwrap_or_else(|| panic!("{page}"));
    let left: f64 = told.split(',').next().unwrap().parse().unwrap();
    // An idling engine draws some tens of kPa.
    assert!((20.0..70.0).contains(&left), "{left}");
    let nothing = send(&device, &path, &fields, ("recording", "", b"")).await;
    assert_eq!(nothing.status, StatusCode::UNPROCESSABLE_ENTITY);
}

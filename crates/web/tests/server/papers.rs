//! Documents of a job: offered, made, kept as versions; an inspection on one page.

use axum::http::StatusCode;

use crate::client::Device;
use crate::records::booked;

/// Fields with their texts, as a mechanic types an inspection of a twin.
const INSPECTION: [(&str, &str); 17] = [
    ("seal.stop.left", "intact"),
    ("seal.stop.right", "intact"),
    ("seal.link.left", "cannot see"),
    ("seal.link.right", "intact"),
    ("seal.sensor", "intact"),
    ("idle.gauge.left", "44,1"),
    ("idle.gauge.right", "43,8"),
    ("idle.rpm", "1250"),
    ("idle.sensor_v", "0,556"),
    ("idle.steps", "40"),
    ("hold.gauge.left", "36,2"),
    ("hold.gauge.right", "36,9"),
    ("hold.rpm", "3800"),
    ("unit", "kPa"),
    ("engine_c", "82"),
    (
        "found",
        "Lock nut of the right stop shows tool marks; filter brown on the clean side; no oil in the airbox.",
    ),
    ("left", "Cold start: the engine came in warm."),
];

#[tokio::test(flavor = "multi_thread")]
async fn an_inspection_is_one_page_and_under_ten_minutes_of_typing() {
    let device = Device::paired().await;
    let job = booked(&device, "Dunlin 1060", "to be bought").await;
    let page = device.get(&format!("{job}/inspection")).await.text;
    for (name, _) in INSPECTION {
        assert!(
            page.contains(&format!("name=\"{name}\"")),
            "no field {name}"
        );
    }
    // Keystroke-level model (Card, Moran, Newell 1983; times from memory): 0.28 s a key for a person
    // who types a little, doubled for gloves off and on; 1.1 s to point, 1.35 s to think, each field.
    let touched = |name: &str| name.starts_with("seal.") || name == "unit";
    let keys: usize = INSPECTION
        .iter()
        .filter(|(name, _)| !touched(name))
        .map(|(_, text)| text.len())
        .sum();
    let touches = INSPECTION.len() + 1;
    let seconds = 0.56 * keys as f64 + 2.45 * touches as f64;
    println!(
        "{} fields, {touches} touches, {keys} keys: {seconds:.0} s",
        INSPECTION.len()
    );
    assert!(seconds < 600.0, "{seconds} s");

    let kept = device
        .submit(&format!("{job}/inspection"), &INSPECTION)
        .await;
    assert_eq!(kept.status, StatusCode::SEE_OTHER, "{kept:?}");
    assert_eq!(
        kept.header("location"),
        format!("{job}/papers/inspection.pdf")
    );
    let sheet = device.get(kept.header("location")).await;
    assert_eq!(sheet.status, StatusCode::OK, "{}", sheet.text);
    assert!(sheet.text.starts_with("%PDF"));
    let page = device
        .get(&format!("{job}/papers/inspection.html"))
        .await
        .text;
    for part in [
        "4 intact, 0 disturbed, 1 that could not be seen, 0 not noted",
        "tool marks",
        "Cold start: the engine",
        "0.556 V",
    ] {
        assert!(page.contains(part), "no {part:?} in {page}");
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn a_wrong_figure_keeps_nothing_of_an_inspection() {
    let device = Device::paired().await;
    let job = booked(&device, "Dunlin 1060", "to be bought").await;
    let mut fields = INSPECTION;
    fields[11].1 = "thirty-six";
    let refused = device.submit(&format!("{job}/inspection"), &fields).await;
    assert_eq!(
        refused.status,
        StatusCode::UNPROCESSABLE_ENTITY,
        "{refused:?}"
    );
    assert!(
        refused.text.contains("`hold, Gauges, right`"),
        "{}",
        refused.text
    );
    let page = device.get(&format!("{job}/inspection")).await.text;
    assert!(!page.contains("\" checked>"), "a seal was kept");
}

/// Of two readings on one page, the one that cannot be is named, also in a job that has readings.
#[tokio::test(flavor = "multi_thread")]
async fn a_refused_inspection_names_the_reading() {
    let device = Device::paired().await;
    let job = booked(&device, "Dunlin 1060", "to be bought").await;
    for (wrong, value, label) in [
        ("hold.rpm", "38000", "`hold, rpm`"),
        ("idle.rpm", "12", "`idle, rpm`"),
        ("hold.gauge.left", "362", "`hold, Gauges, left`"),
    ] {
        let fields = INSPECTION.map(|(name, text)| match name == wrong {
            true => (name, value),
            false => (name, text),
        });
        let refused = device.submit(&format!("{job}/inspection"), &fields).await;
        assert_eq!(
            refused.status,
            StatusCode::UNPROCESSABLE_ENTITY,
            "{refused:?}"
        );
        for part in [label, value] {
            assert!(refused.text.contains(part), "{part} in {}", refused.text);
        }
        let reading = [
            ("condition", "idle"),
            ("gauge.left", "40"),
            ("gauge.right", "43"),
        ];
        device.submit(&format!("{job}/readings"), &reading).await;
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn a_handover_is_three_touches_from_the_job_and_a_change_makes_a_version() {
    let device = Device::paired().await;
    let job = booked(&device, "<b>Dunlin</b>", "<script>alert(1)</script>").await;
    let reading = [
        ("condition", "hold"),
        ("gauge.left", "40"),
        ("gauge.right", "43"),
        ("unit", "kPa"),
        ("rpm", "3800"),
    ];
    device.submit(&format!("{job}/readings"), &reading).await;
    // One: handover on the job's pages. Two: the sheet. Three: print, in the browser.
    let first = device.get(&format!("{job}/readings")).await.text;
    assert!(first.contains(&format!("href=\"{job}/handover\"")));
    let second = device.get(&format!("{job}/handover")).await.text;
    let sheet = format!("{job}/papers/handover.pdf");
    assert!(second.contains(&format!("href=\"{sheet}\"")));
    let third = device.get(&sheet).await;
    assert_eq!(third.status, StatusCode::OK, "{}", third.text);
    assert_eq!(third.header("content-type"), "application/pdf");
    assert!(
        third
            .header("content-disposition")
            .contains("handover-1-1.pdf")
    );

    let page = device.get(&format!("{job}/papers/handover.html")).await;
    assert!(
        page.header("content-security-policy")
            .contains("default-src 'none'")
    );
    assert!(!page.text.contains("<script") && page.text.contains("script"));
    let remark = [("topic", "declined"), ("text", "new inlet stubs")];
    let kept = device.submit(&format!("{job}/remarks"), &remark).await;
    assert_eq!(kept.status, StatusCode::SEE_OTHER, "{kept:?}");
    let again = device.get(&format!("{job}/papers/handover.html")).await;
    assert!(
        again
            .header("content-disposition")
            .contains("handover-1-2.html")
    );
    assert!(again.text.contains("new inlet stubs"));
    let page = device.get(&format!("{job}/handover")).await.text;
    assert!(page.contains("new inlet stubs") && page.contains("Version"));
    let gone = device
        .submit(&format!("{job}/remarks/1/withdraw"), &[])
        .await;
    assert_eq!(gone.status, StatusCode::SEE_OTHER, "{gone:?}");
    let page = device.get(&format!("{job}/handover")).await.text;
    assert!(!page.contains("new inlet stubs"), "{page}");
    for wrong in [
        "nothing.pdf",
        "handover.exe",
        "handover",
        "..%2Fhandover.pdf",
    ] {
        let answer = device.get(&format!("{job}/papers/{wrong}")).await;
        assert_eq!(answer.status, StatusCode::NOT_FOUND, "{wrong}");
    }
}

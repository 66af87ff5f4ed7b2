//! Forms of a job as they are filled in over a day: in part, with slips, twice.

use axum::http::StatusCode;

use crate::client::Device;
use crate::records::booked;

/// What the checks of a job are by now, as its file has them.
async fn job_text(device: &Device) -> String {
    device.records.job_texts(1).await.unwrap().job_toml
}

#[tokio::test(flavor = "multi_thread")]
async fn a_later_check_leaves_what_was_noted_of_the_other_bodies() {
    let device = Device::paired().await;
    let job = booked(&device, "Dunlin", "").await;
    let path = format!("{job}/checks");
    for form in [
        &[
            ("stub_spray.left", "change"),
            ("compression_kpa.left", "1170"),
        ][..],
        &[
            ("stub_spray.right", "no change"),
            ("compression_kpa.right", "1100"),
        ],
        &[("spindle_play_mm.left", "0,05"), ("inlet_mm.left", "0,10")],
        &[
            ("spindle_play_mm.right", "0.02"),
            ("exhaust_mm.left", "0.15"),
        ],
        &[("inlet_mm.left", "0,22"), ("cable_slack", "yes")],
    ] {
        let kept = device.submit(&path, form).await;
        assert_eq!(kept.status, StatusCode::SEE_OTHER, "{kept:?}");
    }
    let text = job_text(&device).await;
    for line in [
        "stub_spray = { left = \"change\", right = \"no change\" }",
        "compression_kpa = { left = 1170, right = 1100 }",
        "spindle_play_mm = { left = 0.05, right = 0.02 }",
        "clearances = { left = { exhaust_mm = 0.15, inlet_mm = 0.22 } }",
        "cable_slack = true",
    ] {
        assert!(text.contains(line), "{line} in {text}");
    }
    let page = device.get(&path).await.text;
    assert!(page.contains("value=\"stub_spray.left\""), "{page}");
    for taken in [
        "stub_spray.left",
        "cable_slack",
        "spindle_play_mm.left",
        "spindle_play_mm.right",
    ] {
        let done = device
            .submit(&format!("{path}/withdraw"), &[("check", taken)])
            .await;
        assert_eq!(done.status, StatusCode::SEE_OTHER, "{done:?}");
    }
    let text = job_text(&device).await;
    assert!(
        text.contains("stub_spray = { right = \"no change\" }"),
        "{text}"
    );
    assert!(
        !text.contains("cable_slack") && !text.contains("spindle_play"),
        "{text}"
    );
    let page = device.get(&path).await.text;
    assert!(!page.contains("value=\"cable_slack\""), "{page}");
    let unknown = device
        .submit(&format!("{path}/withdraw"), &[("check", "stub_spray.left")])
        .await;
    assert_eq!(unknown.status, StatusCode::NOT_FOUND);
}

#[tokio::test(flavor = "multi_thread")]
async fn a_form_is_kept_whole_or_not_at_all() {
    let device = Device::paired().await;
    let job = booked(&device, "Dunlin", "").await;
    let checks = format!("{job}/checks");
    device
        .submit(&checks, &[("compression_kpa.right", "1100")])
        .await;
    let before = job_text(&device).await;
    for wrong in [
        &[
            ("compression_kpa.left", "1170"),
            ("leak_down_percent.left", "150"),
        ][..],
        &[
            ("compression_kpa.left", "1170"),
            ("spindle_play_mm.left", "x"),
        ],
        &[("compression_kpa.left", "1170"), ("lid_off", "perhaps")],
        &[],
    ] {
        let refused = device.submit(&checks, wrong).await;
        assert_eq!(
            refused.status,
            StatusCode::UNPROCESSABLE_ENTITY,
            "{refused:?}"
        );
        assert_eq!(job_text(&device).await, before, "{wrong:?}");
    }
    let inspection = [
        ("seal.stop.left", "intact"),
        ("idle.gauge.left", "38"),
        ("idle.gauge.right", "39"),
        ("idle.rpm", "1250"),
        ("hold.gauge.left", "38"),
        ("hold.gauge.right", "39"),
        ("hold.rpm", "37"),
        ("unit", "kPa"),
        ("found", "oil in the airbox"),
    ];
    let refused = device
        .submit(&format!("{job}/inspection"), &inspection)
        .await;
    assert_eq!(
        refused.status,
        StatusCode::UNPROCESSABLE_ENTITY,
        "{refused:?}"
    );
    assert_eq!(job_text(&device).await, before);
    assert!(device.records.job(1).await.unwrap().remarks.is_empty());
    let seals = [("seal.stop.left", "intact"), ("seal.stop.right", "gone")];
    let refused = device.submit(&format!("{job}/seals"), &seals).await;
    assert_eq!(
        refused.status,
        StatusCode::UNPROCESSABLE_ENTITY,
        "{refused:?}"
    );
    assert_eq!(job_text(&device).await, before);
}

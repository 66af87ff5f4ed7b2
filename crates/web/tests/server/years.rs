use axum::http::StatusCode;

use crate::client::Device;

/// Two visits by gauges make a history with pictures on the machine's page.
#[tokio::test(flavor = "multi_thread")]
async fn a_machine_shows_its_years() {
    let device = Device::paired().await;
    let new = [("name", "Dunlin 1060"), ("profile", "heron-270")];
    let made = device.submit("/machines", &new).await;
    assert_eq!(made.status, StatusCode::SEE_OTHER, "{made:?}");
    let machine = made.header("location").to_owned();
    assert!(
        device
            .get(&machine)
            .await
            .text
            .contains("Two visits with findings")
    );
    for (odometer, left) in [("21500", "44.1"), ("27000", "43.6")] {
        let booking = [
            ("complaint", ""),
            ("odometer_km", odometer),
            ("pressure_kpa", "99.3"),
        ];
        let job = device.submit(&format!("{machine}/jobs"), &booking).await;
        let job = job
            .header("location")
            .trim_end_matches("/booking")
            .to_owned();
        for condition in ["idle", "hold"] {
            let reading = [
                ("condition", condition),
                ("gauge.left", left),
                ("gauge.right", "43.9"),
                ("unit", "kpa"),
                ("engine_c", "75"),
            ];
            let kept = device.submit(&format!("{job}/readings"), &reading).await;
            assert_eq!(kept.status, StatusCode::SEE_OTHER, "{kept:?}");
        }
        let done = device.submit(&format!("{job}/assess"), &[]).await;
        assert_eq!(done.status, StatusCode::SEE_OTHER, "{done:?}");
    }
    let page = device.get(&machine).await.text;
    for text in [
        "Over the years",
        "svg id=\"years-0\"",
        "Idle depression, left",
    ] {
        assert!(page.contains(text), "{text} in {page}");
    }
}

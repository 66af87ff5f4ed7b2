//! A job moves on with what is recorded, says so, and offers the stage that only the shop can begin.

use axum::http::StatusCode;

use crate::client::Device;
use crate::records::booked;

#[tokio::test(flavor = "multi_thread")]
async fn a_job_moves_on_by_itself_and_offers_the_rest() {
    let device = Device::paired().await;
    let job = booked(&device, "Dunlin 1060", "stalls on closing").await;
    let send = async |end: &str, fields: &[(&str, &str)]| {
        let kept = device.submit(&format!("{job}/{end}"), fields).await;
        assert_eq!(kept.status, StatusCode::SEE_OTHER, "{kept:?}");
    };
    let page = async |end: &str| device.get(&format!("{job}/{end}")).await.text;
    let reading = [
        ("condition", "hold"),
        ("gauge.left", "40"),
        ("gauge.right", "43"),
    ];
    assert!(page("work").await.contains("<strong>booking-in</strong>"));
    send("readings", &reading).await;
    let work = page("work").await;
    assert!(work.contains("<strong>as found</strong>"), "{work}");
    assert!(
        work.contains("before it booking-in: a reading was kept"),
        "{work}"
    );
    assert!(!work.contains("Go on to the stage"), "{work}");
    let turn = [
        ("adjuster", "balance screw"),
        ("turns", "0.25"),
        ("way", "less"),
    ];
    send("turns", &turn).await;
    let work = page("work").await;
    assert!(work.contains("<strong>tune</strong>"), "{work}");
    assert!(!work.contains("Go on to the stage"), "{work}");
    send("readings", &reading).await;
    for end in ["work", "handover"] {
        let page = page(end).await;
        assert!(page.contains("A reading followed the last turn"), "{page}");
        assert!(page.contains("Go on to the stage verify"), "{page}");
    }
    send("stage", &[("stage", "verify")]).await;
    let work = page("work").await;
    assert!(work.contains("before it tune: chosen by hand"), "{work}");
    assert!(!work.contains("Go on to the stage"), "{work}");
    let fitted = [("moment", "fitted"), ("seal.stop.left", "intact")];
    send("seals", &fitted).await;
    assert!(
        page("handover")
            .await
            .contains("Go on to the stage handover")
    );
}

//! A machine is sold, and an owner is deleted, on the page of the machine.

use axum::http::StatusCode;

use crate::client::Device;
use crate::records::booked;

#[tokio::test(flavor = "multi_thread")]
async fn a_sold_machine_has_another_owner_and_both_can_be_deleted() {
    let device = Device::paired().await;
    booked(&device, "Dunlin 1060", "stalls on closing").await;
    let page = async || device.get("/machines/1").await.text;
    let refused = async |fields: &[(&str, &str)], said: &str| {
        let answer = device.submit("/machines/1/sold", fields).await;
        assert_eq!(
            answer.status,
            StatusCode::UNPROCESSABLE_ENTITY,
            "{answer:?}"
        );
        assert!(answer.text.contains(said), "{said} in {}", answer.text);
        assert!(!page().await.contains("since 20"), "a sale was kept");
    };
    let day = |text| [("sold_on", text)];
    refused(&day("2026-02-30"), "is no day").await;
    refused(&day(""), "`First day of the next owner`").await;
    refused(&day("2099-01-01"), "still to come").await;
    let orphan = [("sold_on", "2020-05-04"), ("contact", "Ninth Lane 9")];
    refused(&orphan, "the name of the owner is not").await;

    let sale = [
        ("sold_on", "2020-05-04"),
        ("owner", "B. Elsewhere"),
        ("contact", "Ninth Lane 9"),
        ("retain_until", "2031-12-31"),
        ("registration", "NO 88"),
    ];
    let kept = device.submit("/machines/1/sold", &sale).await;
    assert_eq!(kept.status, StatusCode::SEE_OTHER, "{kept:?}");
    let sold = page().await;
    for part in [
        "<strong><bdi>B. Elsewhere</bdi></strong> since 2020-05-04",
        "<strong><bdi>Dunlin 1060</bdi></strong> until 2020-05-04",
        "<dd><bdi>NO 88</bdi></dd>",
        "/machines/1/owners/1/delete",
        "/machines/1/owners/2/delete",
    ] {
        assert!(sold.contains(part), "{part} in {sold}");
    }

    let delete =
        async |path: &str, fields: &[(&str, &str)]| device.submit(path, fields).await.status;
    let earlier = "/machines/1/owners/1/delete";
    let unsure = delete(earlier, &[]).await;
    assert_eq!(unsure, StatusCode::UNPROCESSABLE_ENTITY);
    assert!(page().await.contains("/machines/1/owners/1/delete"));
    let sure = [("sure", "yes")];
    assert_eq!(delete(earlier, &sure).await, StatusCode::SEE_OTHER);
    let after = page().await;
    let gone = "<strong><bdi>Not known, or deleted</bdi></strong> until 2020-05-04";
    assert!(after.contains(gone), "{after}");
    assert!(after.contains("B. Elsewhere") && after.contains("NO 88"));
    // Twice, and one who never had this machine.
    assert_eq!(delete(earlier, &sure).await, StatusCode::NOT_FOUND);
    booked(&device, "Plover 900", "").await;
    let other = "/machines/1/owners/3/delete";
    assert_eq!(delete(other, &sure).await, StatusCode::NOT_FOUND);
    let present = "/machines/1/owners/2/delete";
    assert_eq!(delete(present, &sure).await, StatusCode::SEE_OTHER);
    let after = page().await;
    assert!(
        !after.contains("Elsewhere") && !after.contains("NO 88"),
        "{after}"
    );
    assert!(
        device
            .get("/machines/2")
            .await
            .text
            .contains("/machines/2/owners/3/delete")
    );
}

/// The clock of these tests shows the first of January 2026.
#[tokio::test(flavor = "multi_thread")]
async fn an_owner_whose_last_day_is_past_is_told() {
    let device = Device::paired().await;
    booked(&device, "Dunlin 1060", "").await;
    let told = "may be kept no longer";
    assert!(!device.get("/machines/1").await.text.contains(told));
    for (day, past) in [("2026-01-01", false), ("2025-12-31", true)] {
        let mut owner = device.records.owner(1).await.unwrap().data;
        owner.retain_until = day.to_owned();
        device.records.correct_owner(1, &owner).await.unwrap();
        let page = device.get("/machines/1").await.text;
        assert_eq!(page.contains(told), past, "{page}");
        assert_eq!(page.contains(&format!("kept until {day}")), !past, "{page}");
    }
}

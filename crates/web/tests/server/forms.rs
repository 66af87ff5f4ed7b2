//! Forms of a job as they are filled in over a day: in part, with slips, twice.

use axum::body::Body;
use axum::http::StatusCode;

use evenpull_app::{Condition, ReadingEntry, RecordingEntry};

use crate::client::{Device, ORIGIN, encoded, send_form};
use crate::records::{PNG, booked};

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

#[tokio::test(flavor = "multi_thread")]
async fn a_turn_whose_sign_is_against_its_way_is_refused() {
    let device = Device::paired().await;
    let job = booked(&device, "Dunlin", "").await;
    let path = format!("{job}/turns");
    for (turns, way, status) in [
        ("-0,25", "more", StatusCode::UNPROCESSABLE_ENTITY),
        ("+0.25", "less", StatusCode::UNPROCESSABLE_ENTITY),
        ("-0,25", "less", StatusCode::SEE_OTHER),
        ("0.5", "less", StatusCode::SEE_OTHER),
        ("0.125", "more", StatusCode::SEE_OTHER),
    ] {
        let form = [
            ("adjuster", "balance screw"),
            ("turns", turns),
            ("way", way),
        ];
        let answer = device.submit(&path, &form).await;
        assert_eq!(answer.status, status, "{turns} {way}: {answer:?}");
    }
    let noted = device.records.job(1).await.unwrap().adjustments;
    let turns: Vec<f64> = noted.iter().map(|a| a.turns).collect();
    assert_eq!(turns, [-0.25, -0.5, 0.125]);
}

/// The Heron's bleeds have two turns from the seat.
#[tokio::test(flavor = "multi_thread")]
async fn turns_out_of_sense_are_asked_about() {
    let device = Device::paired().await;
    let job = booked(&device, "Dunlin", "").await;
    let path = format!("{job}/turns");
    let turn = async |adjuster: &str, turns: &str, way: &str, sure: &str| {
        let form = [
            ("adjuster", adjuster),
            ("turns", turns),
            ("way", way),
            ("sure", sure),
        ];
        device.submit(&path, &form).await
    };
    for (adjuster, turns) in [("balance screw", "25"), ("bleed.left", "2.5")] {
        let asked = turn(adjuster, turns, "more", "").await;
        assert_eq!(asked.status, StatusCode::UNPROCESSABLE_ENTITY, "{asked:?}");
        assert!(asked.text.contains(turns), "{}", asked.text);
    }
    let reading = [
        ("condition", "idle"),
        ("gauge.left", "38"),
        ("gauge.right", "39"),
        ("unit", "kPa"),
        ("bleed.left", "1"),
        ("bleed.right", "0.5"),
    ];
    let kept = device.submit(&format!("{job}/readings"), &reading).await;
    assert_eq!(kept.status, StatusCode::SEE_OTHER, "{kept:?}");
    for (turns, way) in [("1.5", "more"), ("1.5", "less")] {
        let asked = turn("bleed.left", turns, way, "").await;
        assert_eq!(asked.status, StatusCode::UNPROCESSABLE_ENTITY, "{asked:?}");
        assert!(asked.text.contains("stood 1 turns"), "{}", asked.text);
    }
    assert!(device.records.job(1).await.unwrap().adjustments.is_empty());
    for (adjuster, turns, sure) in [("bleed.left", "0.5", ""), ("bleed.left", "1.5", "yes")] {
        let kept = turn(adjuster, turns, "more", sure).await;
        assert_eq!(kept.status, StatusCode::SEE_OTHER, "{kept:?}");
    }
}

/// With either decimal sign of the shop.
#[tokio::test(flavor = "multi_thread")]
async fn a_mark_between_thousands_is_not_read_as_a_decimal_mark() {
    let device = Device::paired().await;
    let job = booked(&device, "Dunlin", "").await;
    let base = [("pressure", "kPa"), ("currency", "EUR")];
    for decimal in ["comma", "point"] {
        let shop = |rate: &'static str| {
            let mut form = base.to_vec();
            form.extend([("decimal", decimal), ("rate", rate)]);
            form
        };
        device.submit("/shop", &shop("95")).await;
        let reading = [
            ("condition", "hold"),
            ("gauge.left", "38.125"),
            ("gauge.right", "38,250"),
            ("unit", "kPa"),
            ("sensor_v", "1.125"),
        ];
        let kept = device.submit(&format!("{job}/readings"), &reading).await;
        assert_eq!(kept.status, StatusCode::SEE_OTHER, "{kept:?}");
        for typed in ["1.085", "1,085"] {
            let gauges = [
                ("condition", "hold"),
                ("gauge.left", "38"),
                ("gauge.right", "39"),
                ("unit", "kPa"),
                ("rpm", typed),
            ];
            for (path, form) in [
                ("/shop", &shop(typed)[..]),
                ("/machines/1/jobs", &[("odometer_km", typed)]),
                (&format!("{job}/checks"), &[("compression_kpa.left", typed)]),
                (&format!("{job}/readings"), &gauges),
            ] {
                let refused = device.submit(path, form).await;
                assert_eq!(
                    refused.status,
                    StatusCode::UNPROCESSABLE_ENTITY,
                    "{path}: {refused:?}"
                );
                assert!(refused.text.contains("Write 1085"), "{}", refused.text);
            }
        }
    }
    assert!(!job_text(&device).await.contains("compression"));
    let kept = device
        .submit(
            &format!("{job}/checks"),
            &[("compression_kpa.left", "1150.5")],
        )
        .await;
    assert_eq!(kept.status, StatusCode::SEE_OTHER, "{kept:?}");
}

/// Nothing that the assessment would stop at is kept, and the file is named as its owner calls it.
#[tokio::test(flavor = "multi_thread")]
async fn a_file_that_is_no_recording_is_refused_by_its_name() {
    let device = Device::paired().await;
    let job = booked(&device, "Dunlin", "").await;
    let letter = b"Dear sir,\nthe machine hunts at idle.\nYours\n";
    let condition = [("condition", "idle"), ("source", "replay")];
    for (field, path, names) in [
        (
            "recording",
            format!("{job}/readings"),
            ["seal.png", "letter.txt", "all.zip", "ab.csv", "two.csv"],
        ),
        (
            "replay",
            format!("{job}/bench"),
            ["seal.png", "letter.txt", "all.zip", "ab.csv", "two.csv"],
        ),
    ] {
        for (name, bytes) in names.into_iter().zip([
            PNG,
            letter,
            b"PK\x03\x04\x14\0\0\0\x08\0",
            b"a,b\n",
            b"a,b\n1,2\n2,3\n3,4\n",
        ]) {
            let refused = send_form(&device, &path, &condition, (field, name, bytes)).await;
            assert_eq!(
                refused.status,
                StatusCode::UNPROCESSABLE_ENTITY,
                "{name}: {refused:?}"
            );
            assert!(refused.text.contains(name), "{name}: {}", refused.text);
            let folder = device.work.path().display().to_string();
            assert!(!refused.text.contains(&folder), "{name}: {}", refused.text);
        }
    }
    assert!(device.records.job(1).await.unwrap().readings.is_empty());
}

#[tokio::test(flavor = "multi_thread")]
async fn a_refused_assessment_names_no_folder_of_the_server() {
    let device = Device::paired().await;
    let job = booked(&device, "Dunlin", "").await;
    // As the command line or an older program left it.
    let entry = ReadingEntry {
        recording: Some(RecordingEntry {
            file_name: "seal.png".to_owned(),
            bytes: PNG.to_vec(),
        }),
        ..ReadingEntry::new(Condition::Idle)
    };
    device.records.add_reading(1, &entry).await.unwrap();
    let refused = device.submit(&format!("{job}/assess"), &[]).await;
    assert_eq!(
        refused.status,
        StatusCode::UNPROCESSABLE_ENTITY,
        "{refused:?}"
    );
    assert!(refused.text.contains("<bdi>seal.png: "), "{}", refused.text);
    let folder = std::env::temp_dir().display().to_string();
    assert!(
        !refused.text.contains(&format!("{folder}/")),
        "{}",
        refused.text
    );
}

/// The Heron idles at 1250 rpm and is held between 3500 and 4000.
#[tokio::test(flavor = "multi_thread")]
async fn a_speed_that_does_not_fit_its_place_is_remarked_on() {
    let device = Device::paired().await;
    let job = booked(&device, "Dunlin", "").await;
    let path = format!("{job}/readings");
    let remark = "does not fit the place";
    for (condition, rpm, remarks) in [
        ("idle", "1250", 0),
        ("hold", "3800", 0),
        ("sweep", "5000", 0),
        ("idle", "3800", 1),
        ("hold", "1250", 2),
    ] {
        let reading = [
            ("condition", condition),
            ("gauge.left", "38"),
            ("gauge.right", "39"),
            ("unit", "kPa"),
            ("rpm", rpm),
        ];
        let kept = device.submit(&path, &reading).await;
        assert_eq!(kept.status, StatusCode::SEE_OTHER, "{kept:?}");
        let page = device.get(&path).await.text;
        assert_eq!(
            page.matches(remark).count(),
            remarks,
            "{condition} {rpm}: {page}"
        );
    }
    let withdrawn = [("reason", "wrong place")];
    device
        .submit(&format!("{path}/4/withdraw"), &withdrawn)
        .await;
    let page = device.get(&path).await.text;
    assert_eq!(page.matches(remark).count(), 1, "{page}");
}

/// Nobody sees the names that a form is sent with, nor the file that a job is put together to.
#[tokio::test(flavor = "multi_thread")]
async fn a_refusal_names_the_label_the_value_and_what_would_be_right() {
    let device = Device::paired().await;
    let job = booked(&device, "Dunlin", "").await;
    let (readings, checks) = (format!("{job}/readings"), format!("{job}/checks"));
    let reading = |field, value| {
        vec![
            ("condition", "hold"),
            ("gauge.left", "38"),
            ("gauge.right", "39"),
            ("unit", "kPa"),
            (field, value),
        ]
    };
    for (path, form, said) in [
        (
            "/machines/1/jobs",
            vec![("odometer_km", "21 thousand")],
            ["Odometer, km", "21 thousand", "12.5"],
        ),
        (
            "/machines/1/jobs",
            vec![("pressure_kpa", "993")],
            ["Barometer, kPa", "993", "kPa"],
        ),
        (&readings, reading("rpm", "38"), ["`rpm`", "38", "1/min"]),
        (
            &readings,
            reading("engine_c", "warm"),
            ["Engine, C", "warm", "12.5"],
        ),
        (
            &checks,
            vec![("leak_down_percent.left", "150")],
            ["Leak-down, left", "150", "100"],
        ),
    ] {
        let refused = device.submit(path, &form).await;
        let status = refused.status;
        assert_eq!(status, StatusCode::UNPROCESSABLE_ENTITY, "{form:?}");
        let (_, text) = refused.text.split_once("<main").unwrap();
        for word in said {
            assert!(text.contains(word), "{word} in {text}");
        }
        for word in ["odometer_km", "pressure_kpa", "engine_c", "job.toml", "^"] {
            assert!(!text.contains(word), "{word} in {text}");
        }
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn a_turn_typed_wrong_is_taken_back_and_stays_in_sight() {
    let device = Device::paired().await;
    let job = booked(&device, "Dunlin", "").await;
    let path = format!("{job}/turns");
    let form = [
        ("adjuster", "balance screw"),
        ("turns", "0.25"),
        ("way", "more"),
    ];
    device.submit(&path, &form).await;
    device.submit(&path, &form).await;
    let done = device.submit(&format!("{path}/1/withdraw"), &[]).await;
    assert_eq!(done.status, StatusCode::SEE_OTHER, "{done:?}");
    let record = device.records.job(1).await.unwrap();
    assert_eq!(record.adjustments.len(), 2);
    assert_eq!(record.turns_made().count(), 1);
    let page = device.get(&format!("{job}/work")).await.text;
    assert!(page.contains("Taken back 1000 ms"), "{page}");
    assert!(!page.contains("/turns/1/withdraw"), "{page}");
    assert!(page.contains("/turns/2/withdraw"), "{page}");
    let eighth = [form[0], ("turns", "0.125"), ("way", "more")];
    device.submit(&path, &eighth).await;
    device.submit(&format!("{path}/2/withdraw"), &[]).await;
    let paper = device.get(&format!("{job}/handover")).await.text;
    assert!(paper.contains("balance screw: 0.125 "), "{paper}");
    // Taken back already, and of no job.
    for other in ["1", "7"] {
        let again = device
            .submit(&format!("{path}/{other}/withdraw"), &[])
            .await;
        assert_eq!(again.status, StatusCode::NOT_FOUND);
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn a_closed_job_opens_at_its_handover() {
    let device = Device::paired().await;
    let job = booked(&device, "Dunlin", "").await;
    let to = async || device.get(&job).await.header("location").to_owned();
    assert_eq!(to().await, format!("{job}/booking"));
    let stage = format!("{job}/stage");
    device.submit(&stage, &[("stage", "closed")]).await;
    assert_eq!(to().await, format!("{job}/handover"));
}

#[tokio::test(flavor = "multi_thread")]
async fn a_booking_is_corrected_and_what_stood_there_is_told() {
    let device = Device::paired().await;
    let job = booked(&device, "Dunlin", "hunts").await;
    let path = format!("{job}/booking");
    let page = device.get(&path).await.text;
    for value in ["21500", "99.3"] {
        assert!(page.contains(&format!("value=\"{value}\"")), "{page}");
    }
    let form = [
        ("complaint", "hunts at idle"),
        ("odometer_km", "12500"),
        ("pressure_kpa", "98,1"),
        ("temperature_c", ""),
    ];
    let done = device.submit(&path, &form).await;
    assert_eq!(done.status, StatusCode::SEE_OTHER, "{done:?}");
    let page = device.get(&path).await.text;
    for told in [
        "Odometer, km: was 21500 until 1000 ms",
        "Barometer, kPa: was 99.3 until 1000 ms",
        "Complaint: was hunts until 1000 ms",
        "value=\"12500\"",
    ] {
        assert!(page.contains(told), "{told} in {page}");
    }
    let text = job_text(&device).await;
    assert!(text.contains("pressure_kpa = 98.1"), "{text}");
    let refused = device.submit(&path, &[("odometer_km", "12.500")]).await;
    assert_eq!(refused.status, StatusCode::UNPROCESSABLE_ENTITY);
    assert!(refused.text.contains("Odometer, km"), "{}", refused.text);
}

/// The booked job stands at 21,500 km.
#[tokio::test(flavor = "multi_thread")]
async fn an_odometer_below_an_earlier_visit_is_asked_about_where_it_is_typed() {
    let device = Device::paired().await;
    booked(&device, "Dunlin 1060", "").await;
    let asked = "`Odometer, km` = `2150`: lower than 21500 on";
    let low = [("odometer_km", "2150")];
    let sure = [("odometer_km", "2150"), ("sure", "yes")];
    let book = "/machines/1/jobs";
    let answer = device.submit(book, &low).await;
    assert_eq!(
        answer.status,
        StatusCode::UNPROCESSABLE_ENTITY,
        "{answer:?}"
    );
    assert!(answer.text.contains(asked), "{}", answer.text);
    assert!(answer.text.contains("job 1"), "{}", answer.text);
    assert_eq!(device.get("/jobs/2").await.status, StatusCode::NOT_FOUND);
    let equal = device.submit(book, &[("odometer_km", "21500")]).await;
    assert_eq!(equal.status, StatusCode::SEE_OTHER, "{equal:?}");
    // Corrected to less than before it is asked about too, but what stands is not asked about again.
    let correct = "/jobs/2/booking";
    let answer = device.submit(correct, &low).await;
    assert!(answer.text.contains(asked), "{}", answer.text);
    let kept = device.submit(correct, &sure).await;
    assert_eq!(kept.status, StatusCode::SEE_OTHER, "{kept:?}");
    let same = [("complaint", "hunts"), ("odometer_km", "2150")];
    let kept = device.submit(correct, &same).await;
    assert_eq!(kept.status, StatusCode::SEE_OTHER, "{kept:?}");
    // A visit before it may be corrected to any value; a new one is asked about, and kept where it is so.
    let first = device.submit("/jobs/1/booking", &low).await;
    assert_eq!(first.status, StatusCode::SEE_OTHER, "{first:?}");
    let lower = [("odometer_km", "99")];
    let answer = device.submit(book, &lower).await;
    assert!(
        answer.text.contains("lower than 2150 on"),
        "{}",
        answer.text
    );
    let kept = device.submit(book, &[lower[0], ("sure", "yes")]).await;
    assert_eq!(kept.status, StatusCode::SEE_OTHER, "{kept:?}");
}

#[tokio::test(flavor = "multi_thread")]
async fn a_machine_and_its_owner_are_corrected() {
    let device = Device::paired().await;
    booked(&device, "Dunlin", "hunts").await;
    let form = |name, owner, contact, until| {
        [
            ("name", name),
            ("registration", "NO 77"),
            ("owner", owner),
            ("contact", contact),
            ("retain_until", until),
        ]
    };
    let right = form("Dunlin 1060", "Ottilie Nowhere", "07 77", "2031-12-31");
    let done = device.submit("/machines/1", &right).await;
    assert_eq!(done.status, StatusCode::SEE_OTHER, "{done:?}");
    let page = device.get("/machines/1").await.text;
    for told in [
        "<h1><bdi>Dunlin 1060</bdi>",
        "Name of the owner: was Dunlin until 1000 ms",
        "Contact: was Dunlin until 1000 ms",
        "value=\"07 77\"",
    ] {
        assert!(page.contains(told), "{told} in {page}");
    }
    for (wrong, label) in [
        (form("", "Ottilie Nowhere", "", "2031-12-31"), "name"),
        (form("Dunlin", "", "", ""), "owner needs a name"),
        (form("Dunlin", "Ottilie", "", "2031-02-30"), "Keep until"),
        (form("Dunlin", "Ottilie", "", "2025-12-31"), "Keep until"),
    ] {
        let refused = device.submit("/machines/1", &wrong).await;
        let status = refused.status;
        assert_eq!(status, StatusCode::UNPROCESSABLE_ENTITY, "{wrong:?}");
        assert!(refused.text.contains(label), "{}", refused.text);
    }
    let kept = device.records.machine(1).await.unwrap();
    assert_eq!(kept.data.name, "Dunlin 1060");
}

#[tokio::test(flavor = "multi_thread")]
async fn half_a_hose_is_not_dropped() {
    let device = Device::paired().await;
    let job = booked(&device, "Dunlin", "").await;
    let (length, bore) = ("Hose, length in m", "Hose, bore in mm");
    for (given, missing) in [
        ("hose_length_m", bore),
        ("hose_bore_mm", length),
        ("hose_dead_cc", length),
    ] {
        let reading = [
            ("condition", "hold"),
            ("gauge.left", "38"),
            ("gauge.right", "39"),
            ("unit", "kPa"),
            (given, "0.3"),
        ];
        let refused = device.submit(&format!("{job}/readings"), &reading).await;
        assert_eq!(
            refused.status,
            StatusCode::UNPROCESSABLE_ENTITY,
            "{refused:?}"
        );
        assert!(refused.text.contains(missing), "{}", refused.text);
    }
}

/// The clock of these tests shows the first of January 2026.
#[tokio::test(flavor = "multi_thread")]
async fn an_owner_is_named_and_the_day_is_one_to_come() {
    let device = Device::paired().await;
    let form = |owner, contact, day| {
        [
            ("name", "Dunlin"),
            ("profile", "heron-270"),
            ("owner", owner),
            ("contact", contact),
            ("retain_until", day),
        ]
    };
    let retain = "Keep until; needed with an owner";
    for (owner, contact, day, field) in [
        ("", "by the harbour", "", "Contact"),
        ("", "", "2031-12-31", retain),
        ("A. Owner", "", "2031-02-30", retain),
        ("A. Owner", "", "", retain),
        ("A. Owner", "", "2025-12-31", retain),
    ] {
        let refused = device.submit("/machines", &form(owner, contact, day)).await;
        assert_eq!(
            refused.status,
            StatusCode::UNPROCESSABLE_ENTITY,
            "{refused:?}"
        );
        assert!(
            refused.text.contains(&format!("`{field}`")),
            "{}",
            refused.text
        );
    }
    let mut broken = form("A. Owner", "", "2031-12-31").to_vec();
    broken.push(("profile_toml", "format = 1"));
    let refused = device.submit("/machines", &broken).await;
    assert_eq!(
        refused.status,
        StatusCode::UNPROCESSABLE_ENTITY,
        "{refused:?}"
    );
    assert!(device.records.owners().await.unwrap().is_empty());
    for (owner, day) in [("", ""), ("A. Owner", "2026-01-01")] {
        let kept = device.submit("/machines", &form(owner, "", day)).await;
        assert_eq!(kept.status, StatusCode::SEE_OTHER, "{kept:?}");
    }
    assert_eq!(device.records.owners().await.unwrap().len(), 1);
}

#[tokio::test(flavor = "multi_thread")]
async fn a_word_in_place_of_a_number_leads_nowhere() {
    let device = Device::paired().await;
    for path in [
        "/jobs/new",
        "/jobs/x/checks",
        "/machines/new",
        "/photos/x",
        "/jobs?before=x",
    ] {
        let answer = device.get(path).await;
        assert_eq!(answer.status, StatusCode::NOT_FOUND, "{path}");
        assert!(
            answer.text.contains("There is nothing at this address"),
            "{path}: {}",
            answer.text
        );
        assert!(!answer.text.contains("i64"), "{path}: {}", answer.text);
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn a_refused_form_leads_back_to_its_page() {
    let device = Device::paired().await;
    let job = booked(&device, "Dunlin", "").await;
    let csrf = device.csrf().await;
    let form = encoded(&[("csrf", &csrf), ("compression_kpa.left", "x")]);
    let own = format!("{ORIGIN}{job}/checks");
    for (from, leads) in [
        (own.as_str(), true),
        ("http://evil.example/jobs/1/checks", false),
        ("http://127.0.0.1:8087//evil.example", false),
    ] {
        let request = device
            .request("POST", &format!("{job}/checks"))
            .header("referer", from)
            .header("content-type", "application/x-www-form-urlencoded");
        let answer = device
            .send(request.body(Body::from(form.clone())).unwrap())
            .await;
        assert_eq!(answer.status, StatusCode::UNPROCESSABLE_ENTITY);
        let link = format!("href=\"{job}/checks\"");
        assert_eq!(
            answer.text.contains(&link),
            leads,
            "{from}: {}",
            answer.text
        );
        for elsewhere in ["href=\"//", "href=\"http"] {
            assert!(!answer.text.contains(elsewhere), "{from}: {}", answer.text);
        }
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn parts_and_gates_are_told_in_words() {
    let device = Device::paired().await;
    let job = booked(&device, "Dunlin", "").await;
    let reading = [
        ("condition", "hold"),
        ("gauge.left", "38"),
        ("gauge.right", "39"),
        ("unit", "kPa"),
    ];
    device.submit(&format!("{job}/readings"), &reading).await;
    let done = device.submit(&format!("{job}/assess"), &[]).await;
    assert_eq!(done.status, StatusCode::SEE_OTHER, "{done:?}");
    for page in ["booking", "inspection", "work", "handover"] {
        let text = device.get(&format!("{job}/{page}")).await.text;
        assert!(text.contains("stop screw, left"), "{page}: {text}");
        assert!(!text.contains(">stop.left<"), "{page}: {text}");
    }
    let work = device.get(&format!("{job}/work")).await.text;
    for words in [
        "record the valve clearances of every body",
        "record the speed",
    ] {
        assert!(work.contains(words), "{words} in {work}");
    }
    for code in [
        "checks.clearances`",
        "engine_c`",
        "`rpm`",
        "idle-bleeds-shut`",
    ] {
        assert!(!work.contains(code), "{code} in {work}");
    }
}

/// The number that a page gives its forms.
async fn once(device: &Device, page: &str) -> String {
    let text = device.get(page).await.text;
    let (_, rest) = text.split_once("name=\"once\" value=\"").unwrap();
    rest.split('"').next().unwrap().to_owned()
}

#[tokio::test(flavor = "multi_thread")]
async fn a_form_sent_twice_is_kept_once() {
    let device = Device::paired().await;
    let job = booked(&device, "Dunlin", "").await;
    let page = format!("{job}/readings");
    let number = once(&device, &page).await;
    let reading = |left, number| {
        [
            ("once", number),
            ("condition", "hold"),
            ("gauge.left", left),
            ("gauge.right", "39"),
            ("unit", "kPa"),
        ]
    };
    let count = async || device.records.job(1).await.unwrap().readings.len();
    let (same, at_once) = (reading("38", &number), reading("38", &number));
    let both = tokio::join!(device.submit(&page, &same), device.submit(&page, &at_once));
    for kept in [both.0, both.1, device.submit(&page, &same).await] {
        assert_eq!(kept.status, StatusCode::SEE_OTHER, "{kept:?}");
        assert_eq!(kept.header("location"), page);
    }
    assert_eq!(count().await, 1);
    // What was put right after going back, and the same again from a page of its own, are new.
    let refused = device.submit(&page, &reading("x", &number)).await;
    assert_eq!(refused.status, StatusCode::UNPROCESSABLE_ENTITY);
    device.submit(&page, &reading("38.5", &number)).await;
    let anew = once(&device, &page).await;
    device.submit(&page, &reading("38", &anew)).await;
    assert_eq!(count().await, 3);
    let number = once(&device, "/machines/1").await;
    let booking = [("once", number.as_str()), ("complaint", "hunts")];
    let first = device.submit("/machines/1/jobs", &booking).await;
    let second = device.submit("/machines/1/jobs", &booking).await;
    assert_eq!(first.header("location"), "/jobs/2/booking");
    assert_eq!(second.header("location"), "/jobs/2/booking");
    for page in [
        "/machines",
        "/jobs/1/booking",
        "/jobs/1/inspection",
        "/jobs/1/work",
        "/jobs/1/handover",
    ] {
        assert_eq!(once(&device, page).await.len(), 64, "{page}");
    }
}

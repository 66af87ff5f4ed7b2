use crate::program::{evenpull, open_job, shown};

const RATES: &str = "format = \"evenpull.rates/1\"\ncurrency = \"EUR\"\nrate_per_hour = 68\n\
    [[line]]\nwords = \"new stub\"\nminutes = 45\nprice = 19.50\nway = \"repair\"\n";

#[test]
fn every_document_of_a_folder_in_both_forms() {
    let dir = tempfile::tempdir().unwrap();
    let job = shown(&open_job("stub-leak"));
    let rates = dir.path().join("rates.toml");
    std::fs::write(&rates, RATES).unwrap();
    for command in [
        "handover",
        "inspection",
        "job-card",
        "why-sealed",
        "estimate",
    ] {
        // Each is assessed anew; both forms of the handover are enough.
        let ends: &[&str] = if command == "handover" {
            &["pdf", "html"]
        } else {
            &["html"]
        };
        for end in ends.iter().copied() {
            let file = shown(&dir.path().join(format!("{command}.{end}")));
            let mut args = vec![command, &job, "--to", &file, "--paper", "letter"];
            let rates = shown(&rates);
            if command == "estimate" {
                args.extend(["--rates", &rates]);
            }
            let a = evenpull(&args);
            assert_eq!(a.code, Some(0), "{a:#?}");
            let bytes = std::fs::read(&file).unwrap();
            let start: &[u8] = if end == "pdf" {
                b"%PDF"
            } else {
                b"<!DOCTYPE html>"
            };
            assert!(bytes.starts_with(start), "{command} {end}");
            if end == "html" && command == "estimate" {
                // 45 min at 68.00 and 19.50.
                assert!(String::from_utf8_lossy(&bytes).contains("Repair: 70.50 EUR"));
            }
        }
    }
}

#[test]
fn a_stored_handover_is_a_version_and_remarks_make_the_next() {
    let dir = tempfile::tempdir().unwrap();
    let data = shown(&dir.path().join("data"));
    let job = shown(&open_job("balance-off"));
    let a = evenpull(&["import", &job, "--data", &data]);
    assert_eq!(a.code, Some(0), "{a:#?}");
    let file = shown(&dir.path().join("h.html"));
    let write = || {
        let a = evenpull(&["handover", "1", "--to", &file, "--data", &data]);
        assert_eq!(a.code, Some(0), "{a:#?}");
        a.out
    };
    assert!(write().ends_with("version 1\n"));
    assert!(write().ends_with("version 1\n"));
    let remark = [
        "records",
        "note-remark",
        "1",
        "--topic",
        "declined",
        "new stubs",
        "--data",
        &data,
    ];
    let a = evenpull(&remark);
    assert_eq!(a.out, "kept as remark 1\n", "{a:#?}");
    assert!(write().ends_with("version 2\n"));
    assert!(
        std::fs::read_to_string(&file)
            .unwrap()
            .contains("new stubs")
    );
}

#[test]
fn unit_and_decimal_sign_are_chosen_for_one_document() {
    let dir = tempfile::tempdir().unwrap();
    let job = shown(&open_job("balance-off"));
    let file = shown(&dir.path().join("card.html"));
    let write = |more: &[&str]| {
        let args = [&["job-card", &job, "--to", &file][..], more].concat();
        let a = evenpull(&args);
        assert_eq!(a.code, Some(0), "{a:#?}");
        std::fs::read_to_string(&file).unwrap()
    };
    let plain = write(&[]);
    assert!(plain.contains("at most 1 kPa"), "{plain}");
    // NIST SP 811: 1 kPa = 0.7501 cmHg.
    let chosen = write(&["--unit", "cmHg", "--decimal", "comma"]);
    assert!(
        chosen.contains("at most 0,8 cmHg") && !chosen.contains(" kPa"),
        "{chosen}"
    );
    let a = evenpull(&["job-card", &job, "--to", &file, "--unit", "kPs"]);
    assert_eq!(a.code, Some(2), "{a:#?}");
    assert!(a.err.contains("kPs") && a.err.contains("cmHg"), "{}", a.err);
}

#[test]
fn what_cannot_be_written_is_told() {
    let job = shown(&open_job("healthy"));
    let dir = tempfile::tempdir().unwrap();
    let file = shown(&dir.path().join("handover.doc"));
    let a = evenpull(&["handover", &job, "--to", &file]);
    assert_eq!(a.code, Some(2), "{a:#?}");
    assert!(
        a.err.contains("`.pdf`") && a.err.contains("handover.doc"),
        "{}",
        a.err
    );
    let file = shown(&dir.path().join("no/such/folder/h.pdf"));
    let a = evenpull(&["handover", &job, "--to", &file]);
    assert_eq!(a.code, Some(2), "{a:#?}");
    assert!(a.err.contains("cannot be written"), "{}", a.err);
}

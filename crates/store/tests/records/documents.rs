//! Documents and remarks: kept, given out again, never overwritten.

use evenpull_store::{NewDocument, StoreError, sha256_hex};

use crate::workshop::{NOW, fill, open, run};

fn document(version: i64, form: &str, text: &str) -> NewDocument {
    NewDocument {
        kind: "handover".to_owned(),
        version,
        form: form.to_owned(),
        program_version: "0.1.0".to_owned(),
        data_sha256: sha256_hex(b"data"),
        bytes: text.repeat(100).into_bytes(),
        written: NOW,
    }
}

#[test]
fn a_document_comes_back_as_it_was_and_cannot_be_overwritten() {
    let dir = tempfile::tempdir().unwrap();
    run(async {
        let store = open(dir.path()).await;
        let job = fill(&store).await;
        let first = document(1, "html", "<p>first</p>");
        let id = store.add_document(job, &first, NOW).await.unwrap();
        let again = store
            .add_document(job, &document(1, "html", "other"), NOW)
            .await;
        assert!(
            matches!(again, Err(StoreError::Invalid { .. })),
            "{again:?}"
        );
        store
            .add_document(job, &document(1, "pdf-letter", "%PDF"), NOW)
            .await
            .unwrap();
        let (record, bytes) = store.document(id).await.unwrap();
        assert_eq!(bytes, first.bytes);
        assert_eq!(record.content_sha256, sha256_hex(&first.bytes));
        let names: Vec<String> = store
            .documents(job)
            .await
            .unwrap()
            .iter()
            .map(|d| d.file_name())
            .collect();
        assert_eq!(
            names,
            [
                "documents/handover-1-letter.pdf",
                "documents/handover-1.html"
            ]
        );
        let missing = store.add_document(job + 1, &first, NOW).await;
        assert!(
            matches!(missing, Err(StoreError::Missing { .. })),
            "{missing:?}"
        );
    });
}

#[test]
fn remarks_travel_with_the_job_and_withdrawn_ones_stay_behind() {
    let dir = tempfile::tempdir().unwrap();
    run(async {
        let store = open(&dir.path().join("here")).await;
        let job = fill(&store).await;
        store
            .record_remark(job, "declined", " new stubs ", NOW)
            .await
            .unwrap();
        let wrong = store
            .record_remark(job, "done", "by mistake", NOW)
            .await
            .unwrap();
        store.withdraw_remark(wrong, NOW).await.unwrap();
        let gone = store.withdraw_remark(wrong, NOW).await;
        assert!(matches!(gone, Err(StoreError::Missing { .. })), "{gone:?}");
        for (topic, text) in [("wish", "x"), ("done", "  "), ("done", &"x".repeat(5000))] {
            let refused = store.record_remark(job, topic, text, NOW).await;
            assert!(
                matches!(refused, Err(StoreError::Invalid { .. })),
                "{topic}"
            );
        }
        store
            .add_document(job, &document(1, "html", "<p/>"), NOW)
            .await
            .unwrap();
        let out = dir.path().join("out");
        store.export_job(job, &out, false).await.unwrap();
        assert!(out.join("documents/handover-1.html").is_file());
        let record = std::fs::read_to_string(out.join("record.json")).unwrap();
        assert!(record.contains("new stubs") && !record.contains("by mistake"));
    });
}

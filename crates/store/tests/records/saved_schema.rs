//! A saved database of every released schema opens and is brought up to date.

use std::path::Path;

use evenpull_store::{JobFilter, Store};

use crate::workshop::{fill, open, run};

const SAVED: [(&str, &[u8]); 1] = [("schema 1", include_bytes!("../data/schema-1.db.zst"))];

#[test]
fn saved_databases_open_and_hold_what_they_held() {
    for (name, packed) in SAVED {
        let dir = tempfile::tempdir().unwrap();
        let bytes = zstd::decode_all(packed).unwrap();
        std::fs::write(dir.path().join("evenpull.db"), bytes).unwrap();
        run(async {
            let store = open(dir.path()).await;
            let jobs = store.jobs(&JobFilter::default()).await.unwrap();
            assert_eq!(jobs.len(), 1, "{name}");
            assert_eq!(
                jobs[0].leading_cause.as_deref(),
                Some("balance-off"),
                "{name}"
            );
            assert_eq!(jobs[0].odometer_km, Some(31_200), "{name}");
            let text = store.job_texts(jobs[0].id).await.unwrap().job_toml;
            assert_eq!(text, expected(dir.path()).await, "{name}");
            let report = store.check().await.unwrap();
            // The picture lies beside the database and was not saved with it.
            assert_eq!(report.problems.len(), 1, "{name}: {report:?}");
            let recording = store.recording(1).await.unwrap();
            assert!(recording.bytes.ends_with(b"# 1\n"), "{name}");
        });
    }
}

/// The same job as it is written today.
async fn expected(beside: &Path) -> String {
    let store: Store = open(&beside.join("today")).await;
    let job = fill(&store).await;
    store.job_texts(job).await.unwrap().job_toml
}

/// Writes the saved database of the present schema anew; run by hand when a schema is released:
/// `EVENPULL_SAVE_SCHEMA=FILE cargo test -p evenpull-store --test records save_the_present_schema`.
#[test]
fn save_the_present_schema() {
    let Some(target) = std::env::var_os("EVENPULL_SAVE_SCHEMA") else {
        return;
    };
    let dir = tempfile::tempdir().unwrap();
    run(async {
        let store = open(dir.path()).await;
        fill(&store).await;
        store.close().await;
    });
    let raw = std::fs::read(dir.path().join("evenpull.db")).unwrap();
    std::fs::write(target, zstd::encode_all(raw.as_slice(), 19).unwrap()).unwrap();
}

//! Owners go when they are deleted, and everything technical stays.

use evenpull_store::{MachineLine, StoreError};

use crate::workshop::{NOW, files, fill, open, run};

fn anywhere(folder: &std::path::Path, words: &[&str]) -> Vec<String> {
    let mut found = Vec::new();
    for path in files(folder) {
        let bytes = std::fs::read(&path).unwrap();
        for word in words {
            if bytes.windows(word.len()).any(|w| w == word.as_bytes()) {
                found.push(format!("{word} in {}", path.display()));
            }
        }
    }
    found
}

const WORDS: [&str; 3] = ["Ottilie", "Seventh Lane", "NO 77"];

#[test]
fn a_deleted_owner_is_in_no_file_any_more() {
    let dir = tempfile::tempdir().unwrap();
    run(async {
        let store = open(dir.path()).await;
        let job = fill(&store).await;
        assert!(!anywhere(dir.path(), &WORDS).is_empty());
        let owner = store.owners().await.unwrap()[0].id;
        store.delete_owner(owner, NOW).await.unwrap();
        assert_eq!(anywhere(dir.path(), &WORDS), [""; 0]);
        let machines: Vec<MachineLine> = store.machines("", i64::MAX, 10).await.unwrap();
        assert_eq!(
            (machines[0].owner_id, machines[0].registration.as_str()),
            (None, "")
        );
        assert_eq!(store.readings(job).await.unwrap().len(), 2);
        let error = store.delete_owner(owner, NOW).await.unwrap_err();
        assert!(matches!(error, StoreError::Missing { .. }));
        store.close().await;
        assert_eq!(anywhere(dir.path(), &WORDS), [""; 0]);
    });
}

#[test]
fn an_export_without_the_owner_does_not_hold_them() {
    let dir = tempfile::tempdir().unwrap();
    run(async {
        let store = open(&dir.path().join("data")).await;
        let job = fill(&store).await;
        let without = dir.path().join("without");
        store.export_job(job, &without, false).await.unwrap();
        assert_eq!(anywhere(&without, &WORDS), [""; 0]);
        let with = dir.path().join("with");
        store.export_job(job, &with, true).await.unwrap();
        assert_eq!(anywhere(&with, &WORDS).len(), 3);
    });
}

#[test]
fn a_date_that_is_none_is_refused() {
    let dir = tempfile::tempdir().unwrap();
    run(async {
        let store = open(dir.path()).await;
        for date in [
            "31.12.2027",
            "2027-13-01",
            "2027-1-1",
            "soon",
            "2027-00-10",
            "zzzz-10-10",
            "2027-02-30",
        ] {
            let mut owner = crate::workshop::owner();
            owner.retain_until = date.to_owned();
            let error = store.add_owner(&owner, NOW).await.unwrap_err().to_string();
            assert!(error.contains("YYYY-MM-DD"), "{date}: {error}");
        }
        assert!(store.owners().await.unwrap().is_empty());
    });
}

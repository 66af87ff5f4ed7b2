//! Out and in again: exports, backups, and what can be saved of a damaged file.

use std::path::Path;

use evenpull_store::ArchiveLimits;
use evenpull_store::{
    DocumentRecord, ImportJob, NewPhoto, PhotoRecord, Store, StoreError, restore, salvage,
    unpack_archive,
};

use crate::workshop::{NOW, document as document_of, files, fill, hand_out, open, run};

async fn taken_in(store: &Store, folder: &Path) -> i64 {
    let new = ImportJob {
        job_toml: std::fs::read_to_string(folder.join("job.toml")).unwrap(),
        profile_toml: std::fs::read_to_string(folder.join("profile.toml")).unwrap(),
        machine_id: None,
    };
    store.import_job(folder, &new, NOW).await.unwrap().job_id
}

#[test]
fn prop_an_export_taken_in_exports_the_same_again() {
    let dir = tempfile::tempdir().unwrap();
    run(async {
        let store = open(&dir.path().join("data")).await;
        let job = fill(&store).await;
        hand_out(&store, job).await;
        let first = dir.path().join("first");
        store.export_job(job, &first, true).await.unwrap();
        let other = open(&dir.path().join("other")).await;
        let again = taken_in(&other, &first).await;
        let second = dir.path().join("second");
        other.export_job(again, &second, true).await.unwrap();
        let (a, b) = (files(&first), files(&second));
        // Job, profile, record, two recordings, a picture, three forms of two versions of a document.
        assert_eq!(a.len(), 9, "{a:?}");
        assert_eq!(a.len(), b.len());
        for (a, b) in a.iter().zip(&b) {
            assert_eq!(
                a.strip_prefix(&first).unwrap(),
                b.strip_prefix(&second).unwrap()
            );
            let read = |p| String::from_utf8_lossy(&std::fs::read(p).unwrap()).into_owned();
            assert_eq!(read(a), read(b), "{}", a.display());
        }
        assert_eq!(
            store.inputs_sha256(job).await.unwrap(),
            other.inputs_sha256(again).await.unwrap()
        );
        // The same as an archive.
        let archive = dir.path().join("job.zip");
        store.export_job(job, &archive, true).await.unwrap();
        let unpacked = dir.path().join("unpacked");
        unpack_archive(&archive, &unpacked, ArchiveLimits::JOB).unwrap();
        assert_eq!(files(&unpacked).len(), 9);
    });
}

#[test]
fn a_picture_noted_twice_goes_out_as_one_file_and_comes_back_twice() {
    let dir = tempfile::tempdir().unwrap();
    run(async {
        let store = open(&dir.path().join("data")).await;
        let job = fill(&store).await;
        let (_, bytes) = store
            .photo(store.photos(job).await.unwrap()[0].id)
            .await
            .unwrap();
        let again = NewPhoto {
            name: "again.png".to_owned(),
            bytes,
            caption: "the same, handed over".to_owned(),
        };
        store.add_photo(job, again, NOW).await.unwrap();
        let archive = dir.path().join("job.zip");
        store.export_job(job, &archive, true).await.unwrap();
        let unpacked = dir.path().join("unpacked");
        unpack_archive(&archive, &unpacked, ArchiveLimits::JOB).unwrap();
        assert_eq!(files(&unpacked.join("photos")).len(), 1);
        let other = open(&dir.path().join("other")).await;
        let there = taken_in(&other, &unpacked).await;
        let captions = |photos: Vec<PhotoRecord>| -> Vec<String> {
            photos.into_iter().map(|p| p.caption).collect()
        };
        assert_eq!(
            captions(other.photos(there).await.unwrap()),
            captions(store.photos(job).await.unwrap())
        );
    });
}

#[test]
fn documents_come_back_in_all_their_versions_and_a_changed_one_is_refused() {
    let dir = tempfile::tempdir().unwrap();
    run(async {
        let store = open(&dir.path().join("data")).await;
        let job = fill(&store).await;
        hand_out(&store, job).await;
        let out = dir.path().join("out");
        store.export_job(job, &out, false).await.unwrap();
        // Into the same records: another job, and the documents of the first stay its own.
        let again = taken_in(&store, &out).await;
        let shown = |all: Vec<DocumentRecord>| {
            let one = |d: DocumentRecord| (d.kind, d.version, d.form, d.content_sha256, d.written);
            all.into_iter().map(one).collect::<Vec<_>>()
        };
        let (first, second) = (
            store.documents(job).await.unwrap(),
            store.documents(again).await.unwrap(),
        );
        assert_eq!(second.len(), 3);
        for document in &second {
            let (record, bytes) = store.document(document.id).await.unwrap();
            assert_eq!(bytes, document_of(record.version, &record.form).bytes);
        }
        assert_eq!(shown(first), shown(second));
        // The next version follows those that came in, and none of them can be written over.
        let refused = store
            .add_document(again, &document_of(2, "html"), NOW)
            .await;
        assert!(refused.unwrap_err().to_string().contains("on record"));
        let file = out.join("documents/handover-2.html");
        std::fs::write(&file, "another handover").unwrap();
        let new = ImportJob {
            job_toml: std::fs::read_to_string(out.join("job.toml")).unwrap(),
            profile_toml: crate::workshop::PROFILE.to_owned(),
            machine_id: None,
        };
        let error = store.import_job(&out, &new, NOW).await.unwrap_err();
        let error = error.to_string();
        assert!(
            error.contains("documents/handover-2.html") && error.contains("digest"),
            "{error}"
        );
        std::fs::remove_file(&file).unwrap();
        let error = store.import_job(&out, &new, NOW).await.unwrap_err();
        assert!(error.to_string().contains("handover-2.html"), "{error}");
        let jobs = store.jobs(&evenpull_store::JobFilter::default()).await;
        assert_eq!(jobs.unwrap().len(), 2);
    });
}

#[test]
fn nothing_of_a_broken_import_is_kept() {
    let dir = tempfile::tempdir().unwrap();
    run(async {
        let store = open(&dir.path().join("data")).await;
        let job = fill(&store).await;
        let out = dir.path().join("out");
        store.export_job(job, &out, false).await.unwrap();
        let text = std::fs::read_to_string(out.join("job.toml")).unwrap();
        let new = |job_toml: String| ImportJob {
            job_toml,
            profile_toml: crate::workshop::PROFILE.to_owned(),
            machine_id: None,
        };
        let outside = text.replace("hold-2.csv", "../hold-2.csv");
        let error = store
            .import_job(&out, &new(outside), NOW)
            .await
            .unwrap_err();
        assert!(error.to_string().contains("leads out"), "{error}");
        let missing = text.replace("hold-2.csv", "hold-9.csv");
        let error = store
            .import_job(&out, &new(missing), NOW)
            .await
            .unwrap_err();
        assert!(error.to_string().contains("hold-9.csv"), "{error}");
        std::fs::write(out.join("record.json"), "{}").unwrap();
        let error = store.import_job(&out, &new(text), NOW).await.unwrap_err();
        assert!(error.to_string().contains("record.json"), "{error}");
        assert_eq!(
            store
                .jobs(&evenpull_store::JobFilter::default())
                .await
                .unwrap()
                .len(),
            1
        );
        assert_eq!(store.machines("", i64::MAX, 9).await.unwrap().len(), 1);
    });
}

#[cfg(unix)]
#[test]
fn a_link_that_leads_out_is_refused() {
    let dir = tempfile::tempdir().unwrap();
    run(async {
        let store = open(&dir.path().join("data")).await;
        let job = fill(&store).await;
        let out = dir.path().join("out");
        store.export_job(job, &out, false).await.unwrap();
        std::fs::write(dir.path().join("secret.csv"), "secret").unwrap();
        std::fs::remove_file(out.join("hold-1.csv")).unwrap();
        std::os::unix::fs::symlink(dir.path().join("secret.csv"), out.join("hold-1.csv")).unwrap();
        let new = ImportJob {
            job_toml: std::fs::read_to_string(out.join("job.toml")).unwrap(),
            profile_toml: crate::workshop::PROFILE.to_owned(),
            machine_id: None,
        };
        let error = store.import_job(&out, &new, NOW).await.unwrap_err();
        assert!(error.to_string().contains("link that leads out"), "{error}");
    });
}

#[test]
fn a_backup_made_at_work_brings_everything_back() {
    let dir = tempfile::tempdir().unwrap();
    run(async {
        let data = dir.path().join("data");
        let store = open(&data).await;
        let job = fill(&store).await;
        let file = dir.path().join("b.zip");
        let summary = store.backup(&file, "0.1.0", NOW).await.unwrap();
        assert_eq!((summary.photos, summary.made), (1, NOW));
        let error = store.backup(&file, "0.1.0", NOW).await.unwrap_err();
        assert!(error.to_string().contains("is there already"), "{error}");

        let elsewhere = dir.path().join("elsewhere");
        restore(&file, &elsewhere, false, "a test").await.unwrap();
        let again = open(&elsewhere).await;
        assert!(again.check().await.unwrap().problems.is_empty());
        assert_eq!(
            again.photos(job).await.unwrap(),
            store.photos(job).await.unwrap()
        );
        assert_eq!(
            again.job_texts(job).await.unwrap(),
            store.job_texts(job).await.unwrap()
        );
        again.close().await;

        // Never over records in use, and over others only when told, and then they are kept.
        let error = restore(&file, &data, true, "a test").await.unwrap_err();
        assert!(matches!(error, StoreError::InUse { .. }), "{error}");
        store.close().await;
        let error = restore(&file, &data, false, "a test").await.unwrap_err();
        assert!(error.to_string().contains("--overwrite"), "{error}");
        let done = restore(&file, &data, true, "a test").await.unwrap();
        assert!(done.replaced.unwrap().join("evenpull.db").is_file());
        assert_eq!(open(&data).await.readings(job).await.unwrap().len(), 2);
    });
}

#[test]
fn a_backup_with_one_changed_byte_is_refused_before_anything_is_touched() {
    let dir = tempfile::tempdir().unwrap();
    run(async {
        let data = dir.path().join("data");
        let store = open(&data).await;
        fill(&store).await;
        let file = dir.path().join("b.zip");
        store.backup(&file, "0.1.0", NOW).await.unwrap();
        store.close().await;
        let before = std::fs::read(data.join("evenpull.db")).unwrap();
        let sound = std::fs::read(&file).unwrap();
        for place in (0..sound.len()).step_by(sound.len() / 40) {
            let mut bytes = sound.clone();
            bytes[place] ^= 0x55;
            std::fs::write(&file, &bytes).unwrap();
            // A byte that means nothing, such as a time stamp, may change.
            if restore(
                &file,
                &dir.path().join(format!("r{place}")),
                false,
                "a test",
            )
            .await
            .is_ok()
            {
                let back = open(&dir.path().join(format!("r{place}"))).await;
                assert!(back.check().await.unwrap().problems.is_empty());
            }
            std::fs::write(&file, &sound[..place]).unwrap();
            assert!(restore(&file, &data, true, "a test").await.is_err());
        }
        assert_eq!(std::fs::read(data.join("evenpull.db")).unwrap(), before);
    });
}

#[test]
fn what_can_be_read_of_a_damaged_file_is_salvaged() {
    let dir = tempfile::tempdir().unwrap();
    run(async {
        let data = dir.path().join("data");
        let store = open(&data).await;
        let job = fill(&store).await;
        for n in 3..40 {
            store
                .add_reading(job, &crate::workshop::reading(n), NOW)
                .await
                .unwrap();
        }
        store.close().await;
        let whole = dir.path().join("whole");
        let report = salvage(&data, &whole, "a test", NOW).await.unwrap();
        assert!(report.complete(), "{report:?}");

        let file = data.join("evenpull.db");
        let mut bytes = std::fs::read(&file).unwrap();
        // The last page of recordings; all readings lie on another.
        let word = b"hold-39.csv";
        let at = bytes.windows(word.len()).rposition(|w| w == word);
        let page = at.unwrap() / 4096;
        bytes[page * 4096..(page + 1) * 4096].fill(0xa5);
        std::fs::write(&file, &bytes).unwrap();
        let partly = dir.path().join("partly");
        let report = salvage(&data, &partly, "a test", NOW).await.unwrap();
        assert!(!report.complete(), "{report:?}");
        // The damaged file is left as it is.
        assert_eq!(std::fs::read(&file).unwrap(), bytes);
        let saved = open(&partly).await;
        let kept = saved.readings(job).await.unwrap().len();
        assert!((10..=39).contains(&kept), "{kept} of 39: {report:?}");
        let check = saved.check().await.unwrap();
        assert!(check.problems.is_empty(), "{check:?}");
        // Work goes on, with numbers that were never given.
        let next = saved
            .add_reading(job, &crate::workshop::reading(1), NOW)
            .await
            .unwrap();
        assert!(next > 0);
        let error = salvage(&data, &partly, "a test", NOW).await.unwrap_err();
        assert!(error.to_string().contains("already"), "{error}");
    });
}

#[test]
fn a_check_names_a_changed_photo_and_a_torn_recording() {
    let dir = tempfile::tempdir().unwrap();
    run(async {
        let store = open(dir.path()).await;
        fill(&store).await;
        let photo = files(&dir.path().join("photos"))[0].clone();
        std::fs::write(&photo, "other").unwrap();
        std::fs::write(dir.path().join("photos/.left"), "half").unwrap();
        let report = store.check().await.unwrap();
        assert_eq!(report.problems.len(), 1, "{report:?}");
        assert!(report.problems[0].contains("changed since it was kept"));
        assert_eq!(report.unnamed_photos, [".left"]);
        assert_eq!((report.jobs, report.readings, report.recordings), (1, 2, 2));
    });
}

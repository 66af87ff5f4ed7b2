//! Opening: one writer, sound files, honest messages.

use evenpull_store::{Access, JobFilter, Moment, Store, StoreError, salvage};

use crate::workshop::{NOW, fill, open, run, try_open};

#[test]
fn a_second_writer_is_told_who_has_the_records() {
    let dir = tempfile::tempdir().unwrap();
    run(async {
        let first = open(dir.path()).await;
        let error = try_open(dir.path()).await.unwrap_err().to_string();
        assert!(error.contains("in use by a test (process"), "{error}");
        // Looking is allowed meanwhile.
        let (reader, _) = Store::open(dir.path(), Access::Read, "another", NOW)
            .await
            .unwrap();
        assert!(reader.jobs(&JobFilter::default()).await.unwrap().is_empty());
        reader.close().await;
        first.close().await;
        open(dir.path()).await.close().await;
    });
}

#[test]
fn looking_writes_nothing_and_makes_nothing() {
    let dir = tempfile::tempdir().unwrap();
    run(async {
        let nowhere = dir.path().join("nowhere");
        let error = Store::open(&nowhere, Access::Read, "a test", NOW)
            .await
            .unwrap_err();
        assert!(matches!(error, StoreError::NoRecords { .. }), "{error}");
        assert!(!nowhere.exists());
        let store = open(dir.path()).await;
        let job = fill(&store).await;
        store.close().await;
        let (reader, _) = Store::open(dir.path(), Access::Read, "a test", NOW)
            .await
            .unwrap();
        let error = reader.set_closed(job, true, NOW).await.unwrap_err();
        assert!(error.to_string().contains("for reading only"), "{error}");
    });
}

#[test]
fn a_newer_schema_is_left_alone() {
    let dir = tempfile::tempdir().unwrap();
    run(async {
        let store = open(dir.path()).await;
        store.close().await;
        let file = dir.path().join("evenpull.db");
        let options = sqlx::sqlite::SqliteConnectOptions::new().filename(&file);
        let pool = sqlx::SqlitePool::connect_with(options).await.unwrap();
        sqlx::query(
            "INSERT INTO _sqlx_migrations (version, description, success, checksum, execution_time) \
             VALUES (99, 'future', TRUE, X'00', 0)",
        )
        .execute(&pool)
        .await
        .unwrap();
        pool.close().await;
        let before = std::fs::read(&file).unwrap();
        for access in [Access::Write, Access::Read] {
            let error = Store::open(dir.path(), access, "a test", NOW)
                .await
                .unwrap_err();
            assert!(error.to_string().contains("schema 99"), "{error}");
        }
        assert_eq!(std::fs::read(&file).unwrap(), before);
    });
}

#[test]
fn what_is_no_database_is_named_with_the_way_back() {
    let dir = tempfile::tempdir().unwrap();
    std::fs::write(dir.path().join("evenpull.db"), "a letter to the owner").unwrap();
    run(async {
        for access in [Access::Write, Access::Read] {
            let error = Store::open(dir.path(), access, "a test", NOW)
                .await
                .unwrap_err();
            let text = error.to_string();
            assert!(
                text.contains("damaged") && text.contains("evenpull salvage"),
                "{text}"
            );
        }
    });
}

/// A byte of the type of a column, as the file describes its tables: what is read of such a table must not reach
/// the driver, and what is in it can be salvaged.
#[test]
fn a_table_described_in_no_text_is_damage_and_can_be_salvaged() {
    let dir = tempfile::tempdir().unwrap();
    let data = dir.path().join("data");
    run(async {
        let store = open(&data).await;
        fill(&store).await;
        store.close().await;
        let file = data.join("evenpull.db");
        let mut bytes = std::fs::read(&file).unwrap();
        for words in ["value BIGINT", "head_toml TEXT"] {
            let mut places = bytes.windows(words.len());
            let place = places.position(|w| w == words.as_bytes()).unwrap();
            bytes[place + words.len() - 2] = 0xfa;
        }
        std::fs::write(&file, bytes).unwrap();
        for access in [Access::Write, Access::Read] {
            let error = Store::open(&data, access, "a test", NOW).await.unwrap_err();
            let text = error.to_string();
            assert!(
                text.contains("no text") && text.contains("evenpull salvage"),
                "{text}"
            );
        }
        let whole = dir.path().join("whole");
        let report = salvage(&data, &whole, "a test", NOW).await.unwrap();
        assert!(report.complete(), "{report:?}");
        let saved = open(&whole).await;
        assert_eq!(saved.jobs(&JobFilter::default()).await.unwrap().len(), 1);
    });
}

#[test]
fn a_clock_set_back_is_told_and_order_is_kept() {
    let dir = tempfile::tempdir().unwrap();
    run(async {
        let store = open(dir.path()).await;
        let job = fill(&store).await;
        store.close().await;
        let earlier = Moment::from_ms(NOW.ms - 3 * 86_400_000);
        let (store, notices) = Store::open(dir.path(), Access::Write, "a test", earlier)
            .await
            .unwrap();
        let told = notices.iter().find(|n| n.code == "clock-set-back").unwrap();
        assert!(told.text.contains("3 days"), "{}", told.text);
        let id = store
            .add_reading(job, &crate::workshop::reading(3), earlier)
            .await
            .unwrap();
        let readings = store.readings(job).await.unwrap();
        assert_eq!(readings.last().unwrap().id, id);
        assert!(readings.last().unwrap().taken < readings[0].taken);
    });
}

#[test]
fn after_a_crash_the_records_are_checked_and_it_is_told() {
    let dir = tempfile::tempdir().unwrap();
    run(async {
        let store = open(dir.path()).await;
        fill(&store).await;
        // Dropped, not closed: the name of the holder stays behind, the lock does not.
        drop(store);
        let (_store, notices) = Store::open(dir.path(), Access::Write, "a test", NOW)
            .await
            .unwrap();
        assert!(
            notices.iter().any(|n| n.code == "not-closed"),
            "{notices:?}"
        );
    });
}

/// Root may write anywhere, so there is nothing to see for root.
#[cfg(unix)]
#[test]
fn a_folder_that_cannot_be_written_is_named_and_can_be_looked_at() {
    use std::os::unix::fs::PermissionsExt;
    let dir = tempfile::tempdir().unwrap();
    run(async {
        let store = open(dir.path()).await;
        fill(&store).await;
        store.close().await;
        let file = dir.path().join("evenpull.db");
        let set = |mode| {
            std::fs::set_permissions(dir.path(), PermissionsExt::from_mode(mode)).unwrap();
            std::fs::set_permissions(&file, PermissionsExt::from_mode(mode & 0o666)).unwrap();
        };
        set(0o555);
        let may_anything = std::fs::write(dir.path().join("probe"), "").is_ok();
        if !may_anything {
            let error = try_open(dir.path()).await.unwrap_err().to_string();
            assert!(
                error.contains("cannot be written") && error.contains("--data"),
                "{error}"
            );
        }
        let (reader, _) = Store::open(dir.path(), Access::Read, "a test", NOW)
            .await
            .unwrap();
        assert_eq!(reader.jobs(&JobFilter::default()).await.unwrap().len(), 1);
        reader.close().await;
        set(0o755);
    });
}

/// A database that may not grow answers as one on a full disk does.
#[test]
fn a_full_disk_is_named_and_nothing_acknowledged_is_lost() {
    let dir = tempfile::tempdir().unwrap();
    run(async {
        let store = open(dir.path()).await;
        let job = fill(&store).await;
        store.limit_growth(60).await.unwrap();
        let mut kept = store.readings(job).await.unwrap().len();
        let error = loop {
            let mut new = crate::workshop::reading(kept);
            // What cannot be packed, so that it fills the file.
            let noise = (0_u32..40_000).map(|i| (i.wrapping_mul(2_654_435_761) >> 13) as u8);
            new.recording.as_mut().unwrap().bytes = noise.collect();
            match store.add_reading(job, &new, NOW).await {
                Ok(_) => kept += 1,
                Err(e) => break e,
            }
            assert!(kept < 100, "the file grew without end");
        };
        assert!(error.to_string().contains("the disk is full"), "{error}");
        assert_eq!(store.readings(job).await.unwrap().len(), kept);
        drop(store);
        let again = open(dir.path()).await;
        assert_eq!(again.readings(job).await.unwrap().len(), kept);
        assert!(again.check().await.unwrap().problems.is_empty());
    });
}

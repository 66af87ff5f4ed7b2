//! Settings of the shop and paired devices.

use evenpull_store::{PairedDevice, StoreError, restore, salvage};

use crate::workshop::{NOW, open, run};

fn device(digit: char) -> PairedDevice {
    PairedDevice {
        token_sha256: digit.to_string().repeat(64),
        paired: NOW,
    }
}

#[test]
fn settings_and_devices_are_kept_as_they_were_said_last() {
    let dir = tempfile::tempdir().unwrap();
    run(async {
        let store = open(dir.path()).await;
        let name = |text: &str| [("shop_name", text.to_owned())];
        store.set_settings(&name("first"), NOW).await.unwrap();
        store.set_settings(&name("second"), NOW).await.unwrap();
        let other = [("currency", "EUR".to_owned())];
        store.set_settings(&other, NOW).await.unwrap();
        store
            .set_devices(&[device('a'), device('b')], NOW)
            .await
            .unwrap();
        store.set_devices(&[device('b')], NOW).await.unwrap();
        store.close().await;
        let store = open(dir.path()).await;
        let kept = store.settings().await.unwrap();
        assert_eq!((kept.len(), kept["shop_name"].as_str()), (2, "second"));
        assert_eq!(store.devices().await.unwrap(), [device('b')]);
        // A token itself is never taken, and nothing is changed by the attempt.
        let mut token = device('c');
        token.token_sha256 = "secret".to_owned();
        let error = store.set_devices(&[token], NOW).await.unwrap_err();
        assert!(matches!(error, StoreError::Invalid { .. }), "{error}");
        assert_eq!(store.devices().await.unwrap().len(), 1);
        let endless = [("shop_name", "x".repeat(100_000))];
        assert!(store.set_settings(&endless, NOW).await.is_err());
    });
}

#[test]
fn a_backup_and_a_salvage_hold_the_settings_and_no_device() {
    let dir = tempfile::tempdir().unwrap();
    run(async {
        let data = dir.path().join("data");
        let store = open(&data).await;
        let name = [("shop_name", "Workshop at the Weir".to_owned())];
        store.set_settings(&name, NOW).await.unwrap();
        store.set_devices(&[device('a')], NOW).await.unwrap();
        let backup = dir.path().join("backup.zip");
        store.backup(&backup, "0.1.0", NOW).await.unwrap();
        // The records themselves keep it.
        assert_eq!(store.devices().await.unwrap().len(), 1);
        store.close().await;
        let restored = dir.path().join("restored");
        restore(&backup, &restored, false, "a test").await.unwrap();
        let salvaged = dir.path().join("salvaged");
        salvage(&data, &salvaged, "a test", NOW).await.unwrap();
        for folder in [restored, salvaged] {
            let store = open(&folder).await;
            let kept = store.settings().await.unwrap();
            assert_eq!(kept["shop_name"], "Workshop at the Weir");
            assert_eq!(store.devices().await.unwrap(), []);
            store.close().await;
        }
    });
}

//! A machine changes hands: the next owner from a day on, and what was done before stays with the one before.

use evenpull_store::{Buyer, NewOwner, NewSale, Store, StoreError};

use crate::workshop::{NOW, files, fill, open, owner, run};

fn next_owner() -> NewOwner {
    NewOwner {
        name: "Balduin Elsewhere".to_owned(),
        contact: "Ninth Lane 9".to_owned(),
        ..owner()
    }
}

/// A sale after `until_job`.
fn sale(until_job: i64, buyer: Buyer) -> NewSale {
    NewSale {
        sold_on: "2026-10-01".to_owned(),
        until_job,
        registration: "NO 88".to_owned(),
        buyer,
    }
}

async fn exported(store: &Store, job: i64, to: std::path::PathBuf) -> String {
    store.export_job(job, &to, true).await.unwrap();
    std::fs::read_to_string(to.join("record.json")).unwrap()
}

fn anywhere(folder: &std::path::Path, word: &str) -> bool {
    let holds = |path: &std::path::PathBuf| {
        let bytes = std::fs::read(path).unwrap();
        bytes.windows(word.len()).any(|w| w == word.as_bytes())
    };
    files(folder).iter().any(holds)
}

#[test]
fn what_was_done_before_a_sale_stays_with_the_owner_before() {
    let dir = tempfile::tempdir().unwrap();
    run(async {
        let store = open(&dir.path().join("data")).await;
        let before = fill(&store).await;
        let machine = store.job_line(before).await.unwrap().machine_id;
        let seller = store.machine(machine).await.unwrap().data.owner_id;
        let new = sale(before, Buyer::New(next_owner()));
        store.record_sale(machine, &new, NOW).await.unwrap();
        let data = store.machine(machine).await.unwrap().data;
        assert_eq!(data.registration, "NO 88");
        let buyer = store.owner(data.owner_id.unwrap()).await.unwrap().data;
        assert_eq!(buyer, next_owner());
        let sales = store.sales(machine).await.unwrap();
        assert_eq!(
            (
                sales[0].owner_id,
                &*sales[0].registration,
                &*sales[0].sold_on
            ),
            (seller, "NO 77", "2026-10-01")
        );
        let booked = evenpull_store::NewJob {
            machine_id: machine,
            complaint: String::new(),
            odometer_km: None,
            head_toml: String::new(),
        };
        let after = store.add_job(&booked, NOW).await.unwrap();
        let reading = crate::workshop::reading(4);
        store.add_reading(after, &reading, NOW).await.unwrap();
        let old = exported(&store, before, dir.path().join("old")).await;
        assert!(old.contains("Ottilie") && old.contains("NO 77"), "{old}");
        assert!(!old.contains("Balduin") && !old.contains("NO 88"), "{old}");
        let new = exported(&store, after, dir.path().join("new")).await;
        assert!(new.contains("Balduin") && new.contains("NO 88"), "{new}");
        assert!(!new.contains("Ottilie") && !new.contains("NO 77"), "{new}");
    });
}

#[test]
fn an_owner_before_a_sale_is_deleted_from_every_file_and_the_next_one_stays() {
    let dir = tempfile::tempdir().unwrap();
    run(async {
        let store = open(dir.path()).await;
        let job = fill(&store).await;
        let machine = store.job_line(job).await.unwrap().machine_id;
        // The registration was corrected before the sale: that leads to the owner before as well.
        let stood = store.machine(machine).await.unwrap().data;
        let right = evenpull_store::MachineBooking {
            name: stood.name,
            registration: "NO 78".to_owned(),
            owner: None,
        };
        store.correct_machine(machine, &right, NOW).await.unwrap();
        let new = sale(job, Buyer::New(next_owner()));
        store.record_sale(machine, &new, NOW).await.unwrap();
        store
            .delete_owner(stood.owner_id.unwrap(), NOW)
            .await
            .unwrap();
        let sales = store.sales(machine).await.unwrap();
        assert_eq!(
            (
                sales[0].owner_id,
                &*sales[0].registration,
                &*sales[0].sold_on
            ),
            (None, "", "2026-10-01")
        );
        let data = store.machine(machine).await.unwrap().data;
        assert_eq!(data.registration, "NO 88");
        assert!(data.owner_id.is_some());
        store.close().await;
        for word in ["Ottilie", "Seventh Lane", "NO 77", "NO 78"] {
            assert!(!anywhere(dir.path(), word), "{word}");
        }
        assert!(anywhere(dir.path(), "Balduin"));
    });
}

#[test]
fn a_sale_that_cannot_be_changes_nothing() {
    let dir = tempfile::tempdir().unwrap();
    run(async {
        let store = open(dir.path()).await;
        let job = fill(&store).await;
        let machine = store.job_line(job).await.unwrap().machine_id;
        let seller = store.machine(machine).await.unwrap().data.owner_id.unwrap();
        let mut no_day = sale(job, Buyer::Unknown);
        no_day.sold_on = "2026-09-31".to_owned();
        let mut nameless = next_owner();
        nameless.name = String::new();
        for (wrong, said) in [
            (no_day, "YYYY-MM-DD"),
            (
                sale(job, Buyer::OnRecord(seller)),
                "has the machine already",
            ),
            (sale(job, Buyer::OnRecord(77)), "there is no owner 77"),
            (sale(job, Buyer::New(nameless)), "the name is empty"),
        ] {
            let error = store.record_sale(machine, &wrong, NOW).await.unwrap_err();
            assert!(error.to_string().contains(said), "{said}: {error}");
        }
        assert!(store.sales(machine).await.unwrap().is_empty());
        assert_eq!(
            store.machine(machine).await.unwrap().data.owner_id,
            Some(seller)
        );
        let first = sale(job, Buyer::Unknown);
        let missing = store.record_sale(99, &first, NOW).await.unwrap_err();
        assert!(matches!(missing, StoreError::Missing { .. }));
        store.record_sale(machine, &first, NOW).await.unwrap();
        assert_eq!(store.machine(machine).await.unwrap().data.owner_id, None);
        let mut earlier = sale(job, Buyer::OnRecord(seller));
        earlier.sold_on = "2026-09-30".to_owned();
        let error = store.record_sale(machine, &earlier, NOW).await.unwrap_err();
        assert!(
            error.to_string().contains("2026-10-01 or a later day"),
            "{error}"
        );
        // Bought back.
        let back = sale(job, Buyer::OnRecord(seller));
        store.record_sale(machine, &back, NOW).await.unwrap();
        assert_eq!(
            store.machine(machine).await.unwrap().data.owner_id,
            Some(seller)
        );
        // Nobody had it in between, so no registration was left that nobody can delete.
        assert_eq!(store.sales(machine).await.unwrap()[1].registration, "");
    });
}

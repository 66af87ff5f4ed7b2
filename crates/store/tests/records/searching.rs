//! Machines and jobs found by a part of what was written down.

use evenpull_store::{JobFilter, NewJob, NewMachine};

use crate::workshop::{NOW, PROFILE, open, run};

/// In capitals or not, and without the marks on the letters; signs that stand for others in a pattern are found as
/// what they are.
#[test]
fn a_machine_is_found_by_any_part_of_its_name() {
    let dir = tempfile::tempdir().unwrap();
    run(async {
        let store = open(dir.path()).await;
        for (name, complaint) in [("Öre 270", "ÄRGER im Leerlauf"), ("dunlin 100%", "hunts")] {
            let machine = NewMachine {
                name: name.to_owned(),
                registration: "NO 77".to_owned(),
                profile_toml: PROFILE.to_owned(),
                owner_id: None,
            };
            let machine_id = store.add_machine(&machine, NOW).await.unwrap();
            let job = NewJob {
                machine_id,
                complaint: complaint.to_owned(),
                odometer_km: None,
                head_toml: "[ambient]\npressure_kpa = 99.3\n".to_owned(),
            };
            store.add_job(&job, NOW).await.unwrap();
        }
        for (text, machines, jobs) in [
            ("", 2, 2),
            ("Öre", 1, 1),
            ("ÖRE 2", 1, 1),
            ("öre", 1, 1),
            ("ore", 1, 1),
            ("OERE", 1, 1),
            ("ärger", 0, 1),
            ("arger im", 0, 1),
            ("DUNLIN", 1, 1),
            ("0%", 1, 1),
            ("_", 0, 0),
            ("no 7", 2, 0),
            ("ÄRGER", 0, 1),
            ("Hunts", 0, 1),
        ] {
            let found = store.machines(text, i64::MAX, 10).await.unwrap();
            assert_eq!(found.len(), machines, "machines by {text:?}");
            let filter = JobFilter {
                text: text.to_owned(),
                ..JobFilter::default()
            };
            let found = store.jobs(&filter).await.unwrap();
            assert_eq!(found.len(), jobs, "jobs by {text:?}");
        }
        // The limit counts what was found, not what was looked at.
        let found = store.machines("ore", i64::MAX, 1).await.unwrap();
        assert_eq!(found[0].name, "Öre 270");
        let filter = JobFilter {
            text: "ore".to_owned(),
            limit: 1,
            ..JobFilter::default()
        };
        assert_eq!(store.jobs(&filter).await.unwrap()[0].machine, "Öre 270");
        store.close().await;
    });
}

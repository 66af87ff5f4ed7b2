//! What was noted wrongly is put right, and what stood there stays on record.

use evenpull_store::{Booking, ImportJob, JobFilter, MachineBooking, Store, StoreError};

use crate::workshop::{NOW, files, fill, open, owner, run};

#[test]
fn a_turn_that_was_taken_back_counts_no_more_and_stays_on_record() {
    let dir = tempfile::tempdir().unwrap();
    run(async {
        let store = open(dir.path()).await;
        let job = fill(&store).await;
        let before = store.inputs_sha256(job).await.unwrap();
        let turns = store.adjustments(job).await.unwrap();
        assert_eq!(turns.len(), 2);
        for turn in &turns {
            store.withdraw_adjustment(turn.id, NOW).await.unwrap();
        }
        let text = store.job_texts(job).await.unwrap().job_toml;
        assert!(!text.contains("adjusted"), "{text}");
        assert_ne!(store.inputs_sha256(job).await.unwrap(), before);
        let after = store.adjustments(job).await.unwrap();
        assert_eq!(after.len(), 2);
        assert!(after.iter().all(|t| t.withdrawn == Some(NOW)));
        let again = store.withdraw_adjustment(turns[0].id, NOW).await;
        assert!(matches!(again, Err(StoreError::Missing { .. })));
        // A reading that follows carries none of them.
        let reading = crate::workshop::reading(3);
        store.add_reading(job, &reading, NOW).await.unwrap();
        let text = store.job_texts(job).await.unwrap().job_toml;
        assert!(!text.contains("adjusted"), "{text}");
        let folder = dir.path().join("out");
        store.export_job(job, &folder, false).await.unwrap();
        let record = std::fs::read_to_string(folder.join("record.json")).unwrap();
        assert!(record.contains("\"turned_since\": []"), "{record}");
    });
}

#[test]
fn a_booking_is_corrected_and_what_stood_there_stays_on_record() {
    let dir = tempfile::tempdir().unwrap();
    run(async {
        let store = open(dir.path()).await;
        let job = fill(&store).await;
        let stood = store.booking(job).await.unwrap();
        assert_eq!(stood.odometer_km, Some(31_200));
        assert_eq!(
            (stood.pressure_kpa, stood.temperature_c),
            (Some(99.3), None)
        );
        let revision = store.job_line(job).await.unwrap().revision;
        // Nothing changed: nothing is noted.
        store.correct_booking(job, &stood, NOW).await.unwrap();
        assert!(store.corrections(job).await.unwrap().is_empty());
        assert_eq!(store.job_line(job).await.unwrap().revision, revision);
        let right = Booking {
            odometer_km: Some(32_100),
            pressure_kpa: None,
            temperature_c: Some(21.5),
            ..stood
        };
        store.correct_booking(job, &right, NOW).await.unwrap();
        assert_eq!(store.booking(job).await.unwrap(), right);
        let noted = store.corrections(job).await.unwrap();
        let noted: Vec<_> = noted.iter().map(|c| (&*c.field, &*c.was)).collect();
        assert_eq!(
            noted,
            [
                ("odometer_km", "31200"),
                ("pressure_kpa", "99.3"),
                ("temperature_c", "")
            ]
        );
        let text = store.job_texts(job).await.unwrap().job_toml;
        assert!(text.contains("[ambient]\ntemperature_c = 21.5\n"), "{text}");
        assert!(text.contains("came on a trailer"), "{text}");
        // What cannot be is refused, and nothing of it is kept.
        for wrong in [
            Booking {
                odometer_km: Some(-1),
                ..right.clone()
            },
            Booking {
                complaint: "other".to_owned(),
                pressure_kpa: Some(9930.0),
                ..right.clone()
            },
        ] {
            store.correct_booking(job, &wrong, NOW).await.unwrap_err();
            assert_eq!(store.booking(job).await.unwrap(), right);
        }
        let bare = Booking {
            temperature_c: None,
            ..right
        };
        store.correct_booking(job, &bare, NOW).await.unwrap();
        let text = store.job_texts(job).await.unwrap().job_toml;
        assert!(!text.contains("ambient"), "{text}");
    });
}

/// The machine with another name, registration and contact of its owner.
fn put_right() -> MachineBooking {
    let mut right = MachineBooking {
        name: "Dunlin 1080".to_owned(),
        registration: "NO 78".to_owned(),
        owner: Some(owner()),
    };
    right.owner.as_mut().unwrap().contact = "Eighth Lane 8".to_owned();
    right
}

#[test]
fn a_machine_and_its_owner_are_corrected_and_the_history_goes_with_the_owner() {
    let dir = tempfile::tempdir().unwrap();
    run(async {
        let store = open(dir.path()).await;
        let job = fill(&store).await;
        let machine = store.job_line(job).await.unwrap().machine_id;
        let mut right = put_right();
        store.correct_machine(machine, &right, NOW).await.unwrap();
        let data = store.machine(machine).await.unwrap().data;
        assert_eq!((&*data.name, &*data.registration), ("Dunlin 1080", "NO 78"));
        let owner_id = data.owner_id.unwrap();
        let now = store.owner(owner_id).await.unwrap().data;
        assert_eq!(now.contact, "Eighth Lane 8");
        let noted = store.machine_corrections(machine).await.unwrap();
        let noted: Vec<_> = noted.iter().map(|c| (&*c.field, &*c.was)).collect();
        assert_eq!(
            noted,
            [
                ("contact", "Seventh Lane 7"),
                ("name", "Dunlin 1060"),
                ("registration", "NO 77")
            ]
        );
        // An open job goes by the new name, on its papers too.
        let text = store.job_texts(job).await.unwrap().job_toml;
        assert!(text.contains("machine = \"Dunlin 1080\""), "{text}");
        // An owner that cannot be leaves all as it was.
        right.name = "Dunlin".to_owned();
        right.owner.as_mut().unwrap().retain_until = "2027-02-30".to_owned();
        store
            .correct_machine(machine, &right, NOW)
            .await
            .unwrap_err();
        let data = store.machine(machine).await.unwrap().data;
        assert_eq!(data.name, "Dunlin 1080");

        store.delete_owner(owner_id, NOW).await.unwrap();
        let noted = store.machine_corrections(machine).await.unwrap();
        let noted: Vec<_> = noted.iter().map(|c| &*c.field).collect();
        assert_eq!(noted, ["name"]);
        store.close().await;
        for path in files(dir.path()) {
            let bytes = std::fs::read(&path).unwrap();
            for word in ["Seventh Lane", "Eighth Lane", "NO 77", "NO 78"] {
                let there = bytes.windows(word.len()).any(|w| w == word.as_bytes());
                assert!(!there, "{word} in {}", path.display());
            }
        }
    });
}

#[test]
fn a_machine_without_an_owner_gets_one_and_a_closed_job_keeps_its_name() {
    let dir = tempfile::tempdir().unwrap();
    run(async {
        let store = open(dir.path()).await;
        let job = fill(&store).await;
        store.set_closed(job, true, NOW).await.unwrap();
        let machine = store.job_line(job).await.unwrap().machine_id;
        let first = store.machine(machine).await.unwrap().data.owner_id.unwrap();
        store.delete_owner(first, NOW).await.unwrap();
        let named = MachineBooking {
            name: "Dunlin, the red one".to_owned(),
            registration: String::new(),
            owner: Some(owner()),
        };
        store.correct_machine(machine, &named, NOW).await.unwrap();
        assert_eq!(store.owners().await.unwrap().len(), 1);
        let text = store.job_texts(job).await.unwrap().job_toml;
        assert!(text.contains("machine = \"Dunlin 1060\""), "{text}");
        let jobs = store.jobs(&JobFilter::default()).await.unwrap();
        assert_eq!(jobs[0].machine, "Dunlin, the red one");
    });
}

/// What was corrected, as words: of what a value was, and what stood there.
async fn told(store: &Store, job: i64) -> Vec<(String, String)> {
    let machine = store.job_line(job).await.unwrap().machine_id;
    let of_job = store.corrections(job).await.unwrap();
    let of_machine = store.machine_corrections(machine).await.unwrap();
    let all = of_job.into_iter().chain(of_machine);
    all.map(|c| (c.field, c.was)).collect()
}

#[test]
fn corrections_turns_taken_back_and_stages_travel_with_an_exported_job() {
    let dir = tempfile::tempdir().unwrap();
    run(async {
        let store = open(&dir.path().join("here")).await;
        let job = fill(&store).await;
        let machine = store.job_line(job).await.unwrap().machine_id;
        let right = put_right();
        store.correct_machine(machine, &right, NOW).await.unwrap();
        let mut booking = store.booking(job).await.unwrap();
        booking.odometer_km = Some(32_100);
        store.correct_booking(job, &booking, NOW).await.unwrap();
        let turns = store.adjustments(job).await.unwrap();
        let last = turns.last().unwrap().id;
        store.withdraw_adjustment(last, NOW).await.unwrap();
        let known = told(&store, job).await;
        assert_eq!(known.len(), 4, "{known:?}");
        let stages = store.stage_moves(job).await.unwrap();

        for with_owner in [true, false] {
            let folder = dir.path().join(format!("with-{with_owner}"));
            store.export_job(job, &folder, with_owner).await.unwrap();
            let text = std::fs::read_to_string(folder.join("record.json")).unwrap();
            for word in ["Seventh Lane", "NO 77"] {
                assert_eq!(text.contains(word), with_owner, "{word}: {text}");
            }
            let there = open(&dir.path().join(format!("there-{with_owner}"))).await;
            let texts = store.job_texts(job).await.unwrap();
            let new = ImportJob {
                job_toml: std::fs::read_to_string(folder.join("job.toml")).unwrap(),
                profile_toml: texts.profile_toml,
                machine_id: None,
            };
            let taken = there.import_job(&folder, &new, NOW).await.unwrap();
            let mut wanted = known.clone();
            if !with_owner {
                wanted.retain(|(field, _)| !["contact", "registration"].contains(&&**field));
            }
            assert_eq!(told(&there, taken.job_id).await, wanted, "{with_owner}");
            let moves = there.stage_moves(taken.job_id).await.unwrap();
            assert_eq!(moves, stages);
            let back = there.adjustments(taken.job_id).await.unwrap();
            let back: Vec<_> = back.iter().filter(|t| !t.counts()).collect();
            assert_eq!(back.len(), 1);
            assert_eq!(
                (&*back[0].adjuster, back[0].turns, back[0].withdrawn),
                ("bleed.left", 0.25, Some(NOW))
            );
            // A second import into the machine that is there brings its job's corrections alone.
            let again = ImportJob {
                machine_id: Some(taken.machine_id),
                ..new
            };
            let again = there.import_job(&folder, &again, NOW).await.unwrap();
            let of_job = there.corrections(again.job_id).await.unwrap();
            assert_eq!(of_job.len(), 1);
            let of_machine = there.machine_corrections(taken.machine_id).await.unwrap();
            assert_eq!(of_machine.len(), wanted.len() - 1);
        }
        // A word that nobody wrote is refused before anything is kept.
        let folder = dir.path().join("with-true");
        let file = folder.join("record.json");
        let text = std::fs::read_to_string(&file).unwrap();
        std::fs::write(
            &file,
            text.replace("\"of\": \"machine\"", "\"of\": \"cat\""),
        )
        .unwrap();
        let there = open(&dir.path().join("wrong")).await;
        let new = ImportJob {
            job_toml: std::fs::read_to_string(folder.join("job.toml")).unwrap(),
            profile_toml: crate::workshop::PROFILE.to_owned(),
            machine_id: None,
        };
        let error = there.import_job(&folder, &new, NOW).await.unwrap_err();
        assert!(error.to_string().contains("`cat`"), "{error}");
        assert!(there.jobs(&JobFilter::default()).await.unwrap().is_empty());
    });
}

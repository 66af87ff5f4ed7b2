//! A job moves on by what is recorded: only forward, never past what that shows, and on record.

use evenpull_job::{SealState, Stage};
use evenpull_store::{CheckEdit, NewJob, NewMachine, NotedTogether, SealMoment, Store};

use crate::workshop::{NOW, PROFILE, open, reading, run};

async fn booked(store: &Store) -> i64 {
    let machine = NewMachine {
        name: "Dunlin 1060".to_owned(),
        registration: String::new(),
        profile_toml: PROFILE.to_owned(),
        owner_id: None,
    };
    let new = NewJob {
        machine_id: store.add_machine(&machine, NOW).await.unwrap(),
        complaint: String::new(),
        odometer_km: None,
        head_toml: String::new(),
    };
    store.add_job(&new, NOW).await.unwrap()
}

async fn moves(store: &Store, job: i64) -> Vec<(String, String)> {
    let all = store.stage_moves(job).await.unwrap();
    let last = all.last().map(|m| m.stage.clone());
    let stands = store.job_line(job).await.unwrap().stage;
    assert_eq!(last.unwrap_or_else(|| "booking-in".to_owned()), stands);
    all.into_iter().map(|m| (m.stage, m.why)).collect()
}

fn words(all: &[(&str, &str)]) -> Vec<(String, String)> {
    all.iter()
        .map(|(stage, why)| ((*stage).to_owned(), (*why).to_owned()))
        .collect()
}

#[test]
fn a_job_moves_on_with_what_is_recorded_and_never_back() {
    let dir = tempfile::tempdir().unwrap();
    run(async {
        let store = open(dir.path()).await;
        let job = booked(&store).await;
        assert!(moves(&store, job).await.is_empty());
        // What the bench notes by itself begins no checks.
        store
            .record_check(job, "gauges_zeroed", "true", NOW)
            .await
            .unwrap();
        assert!(moves(&store, job).await.is_empty());
        let id = store.add_reading(job, &reading(1), NOW).await.unwrap();
        assert_eq!(moves(&store, job).await, words(&[("as-found", "reading")]));
        // The reading itself was taken of the machine as found.
        let readings = store.readings(job).await.unwrap();
        assert_eq!((readings[0].id, &*readings[0].stage), (id, "as-found"));
        store
            .record_check(job, "cable_slack", "true", NOW)
            .await
            .unwrap();
        store
            .record_adjustment(job, "bleed.left", 0.25, NOW)
            .await
            .unwrap();
        let tuning = words(&[
            ("as-found", "reading"),
            ("checks", "check"),
            ("tune", "turn"),
        ]);
        assert_eq!(moves(&store, job).await, tuning);
        let turns = store.adjustments(job).await.unwrap();
        assert_eq!(turns[0].stage, "tune");
        // Nothing of these leads back, and nothing further than to tune.
        store.add_reading(job, &reading(2), NOW).await.unwrap();
        store
            .record_check(job, "cable_slack", "false", NOW)
            .await
            .unwrap();
        let found = SealMoment::Found;
        store
            .record_seal(job, found, "stop.left", SealState::Intact, NOW)
            .await
            .unwrap();
        store
            .record_seal(job, SealMoment::Fitted, "stop.left", SealState::Intact, NOW)
            .await
            .unwrap();
        store.withdraw_adjustment(turns[0].id, NOW).await.unwrap();
        assert_eq!(moves(&store, job).await, tuning);
        // A hand leads both ways; the same stage again is no move.
        store.set_stage(job, Stage::Verify, NOW).await.unwrap();
        store.set_stage(job, Stage::Verify, NOW).await.unwrap();
        store
            .record_adjustment(job, "bleed.left", 0.25, NOW)
            .await
            .unwrap();
        store.set_stage(job, Stage::BookingIn, NOW).await.unwrap();
        let all = moves(&store, job).await;
        assert_eq!(
            all[3..],
            words(&[("verify", "hand"), ("booking-in", "hand")])
        );
    });
}

#[test]
fn a_form_moves_a_job_on_to_the_furthest_that_it_shows() {
    let dir = tempfile::tempdir().unwrap();
    run(async {
        let store = open(dir.path()).await;
        let edit = |value: Option<&str>| CheckEdit {
            path: vec!["cable_slack".to_owned()],
            value_toml: value.map(str::to_owned),
        };
        let seal = |moment| (moment, "stop.left".to_owned(), SealState::Intact);
        let seen = NotedTogether {
            seals: vec![seal(SealMoment::Found)],
            readings: vec![reading(1)],
            ..NotedTogether::default()
        };
        let checked = NotedTogether {
            checks: vec![edit(Some("true"))],
            ..seen.clone()
        };
        let taken_back = NotedTogether {
            seals: vec![seal(SealMoment::Fitted)],
            checks: vec![edit(None)],
            ..NotedTogether::default()
        };
        for (noted, wanted) in [
            (&seen, &[("as-found", "seal")][..]),
            (&checked, &[("checks", "check")]),
            (&taken_back, &[]),
        ] {
            let job = booked(&store).await;
            store.record_together(job, noted, NOW).await.unwrap();
            assert_eq!(moves(&store, job).await, words(wanted));
            let readings = store.readings(job).await.unwrap();
            assert!(readings.iter().all(|r| r.stage == wanted[0].0));
        }
    });
}

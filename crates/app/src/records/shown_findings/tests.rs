use std::path::Path;
use std::sync::Arc;

use evenpull_job::{Condition, GateState};
use evenpull_report::Writing;
use evenpull_store::{Access, Moment};

use crate::{GaugeEntry, NewJob, NewMachine, ReadingEntry, Records, block_on};

async fn open(folder: &Path) -> Records {
    let clock: crate::Clock = Arc::new(|| Moment::from_ms(1_000));
    Records::open(folder, Access::Write, "a test", clock)
        .await
        .unwrap()
}

fn gauges(left: f64, right: f64) -> ReadingEntry {
    ReadingEntry {
        gauge: Some(GaugeEntry {
            values: vec![("left".to_owned(), left), ("right".to_owned(), right)],
            unit: "kPa".to_owned(),
        }),
        rpm: Some(3_800.0),
        engine_c: Some(80.0),
        ..ReadingEntry::new(Condition::Hold)
    }
}

async fn read(records: &Records, readings: &[(f64, f64)]) -> i64 {
    let profile_toml = include_str!("../../../../../examples/jobs/healthy/profile.toml").to_owned();
    let machine = NewMachine {
        name: "Dunlin 1060".to_owned(),
        registration: String::new(),
        profile_toml,
        owner_id: None,
    };
    let new = NewJob {
        machine_id: records.add_machine(&machine).await.unwrap(),
        complaint: String::new(),
        odometer_km: None,
        head_toml: "[ambient]\npressure_kpa = 99.3\n".to_owned(),
    };
    let id = records.add_job(&new).await.unwrap();
    for (left, right) in readings {
        records
            .add_reading(id, &gauges(*left, *right))
            .await
            .unwrap();
    }
    id
}

#[test]
fn findings_are_shown_again_by_records_opened_anew_until_the_job_changes() {
    let made = tempfile::tempdir().unwrap();
    block_on(async {
        let records = open(made.path()).await;
        let id = read(&records, &[(34.0, 37.0)]).await;
        assert_eq!(records.shown_findings(id).await?, None);
        let first = records.assess(id).await?.shown;
        records.close().await;

        let records = open(made.path()).await;
        let again = records.shown_findings(id).await?.unwrap();
        let said = |f: &super::ShownFindings| {
            let steps: Vec<String> = (f.advice.iter())
                .map(|a| format!("{} {:.3?} {}", a.adjuster, a.turns.map(|t| t.value), a.why))
                .collect();
            let seen = f.seen.len();
            (
                f.verdict.clone(),
                f.next.clone(),
                steps,
                f.gates.clone(),
                seen,
            )
        };
        assert_eq!(said(&again), said(&first));
        assert!(!again.stale);
        let met = |g: &evenpull_job::GateCheck| matches!(g.state, GateState::Met(_));
        assert!(again.gates.iter().any(met), "{:?}", again.gates);

        records.record_adjustment(id, "balance screw", 0.25).await?;
        assert!(records.shown_findings(id).await?.unwrap().stale);
        assert!(!records.assess(id).await?.shown.stale);
        // One taken back and another noted: as many count as before, and they are not the same.
        let first = records.job(id).await?.adjustments[0].id;
        records.withdraw_adjustment(first).await?;
        records
            .record_adjustment(id, "balance screw", -0.25)
            .await?;
        assert!(records.shown_findings(id).await?.unwrap().stale);
        records.assess(id).await?;
        records.add_reading(id, &gauges(35.0, 35.2)).await?;
        assert!(records.shown_findings(id).await?.unwrap().stale);
        Ok(())
    })
    .unwrap();
}

#[test]
fn before_is_before_the_first_turn_and_after_is_after_the_last() {
    let made = tempfile::tempdir().unwrap();
    block_on(async {
        let records = open(made.path()).await;
        let id = read(&records, &[(34.0, 37.0), (34.1, 36.9)]).await;
        records.assess(id).await?;
        let shown = records.shown_findings(id).await?.unwrap();
        let texts = records.job_texts(id).await?;
        let profile = crate::Profile::from_toml("profile", &texts.profile_toml)?;
        let pair = |shown: &super::ShownFindings, since| {
            let all = shown.before_after(&profile, since, Writing::default());
            let apart = |side: &Option<(Vec<Option<f64>>, f64)>| {
                side.as_ref().map(|(_, kpa)| (kpa * 10.0).round() / 10.0)
            };
            (apart(&all[0].before), apart(&all[0].after))
        };
        // Nothing turned: first and last. Turned after both: both are before.
        assert_eq!(pair(&shown, false), (Some(3.0), Some(2.8)));
        assert_eq!(pair(&shown, true), (Some(2.8), None));
        records.record_adjustment(id, "balance screw", 0.25).await?;
        records.add_reading(id, &gauges(35.0, 35.6)).await?;
        let shown = records.assess(id).await?.shown;
        assert_eq!(pair(&shown, false), (Some(2.8), Some(0.6)));
        assert_eq!(pair(&shown, true), (Some(2.8), None));
        Ok(())
    })
    .unwrap();
}

#[test]
fn depressions_are_known_by_the_number_of_their_reading() {
    let made = tempfile::tempdir().unwrap();
    block_on(async {
        let records = open(made.path()).await;
        let id = read(&records, &[(34.0, 37.0), (34.5, 36.5)]).await;
        assert!(records.read_depressions(id).await?.is_empty());
        records.withdraw_reading(1, "wrong hose").await?;
        records.assess(id).await?;
        // Withdrawn, and kept after the findings were made.
        records.add_reading(id, &gauges(35.0, 35.2)).await?;
        let read = records.read_depressions(id).await?;
        let read: Vec<_> = read.into_iter().collect();
        assert_eq!(read, [(2, vec![Some(34.5), Some(36.5)])]);
        Ok(())
    })
    .unwrap();
}

use std::path::PathBuf;

use super::*;
use crate::job_folder::load_job;
use evenpull_job::Condition;

fn example(name: &str) -> PathBuf {
    PathBuf::from(concat!(env!("CARGO_MANIFEST_DIR"), "/../../examples/jobs")).join(name)
}

fn clock_at(ms: i64) -> Clock {
    Arc::new(move || Moment::from_ms(ms))
}

async fn open(folder: &Path) -> Records {
    Records::open(folder, Access::Write, "a test", clock_at(1_000))
        .await
        .unwrap()
}

async fn machine(records: &Records) -> i64 {
    let profile_toml = std::fs::read_to_string(example("healthy/profile.toml")).unwrap();
    let new = NewMachine {
        name: "Dunlin 1060".to_owned(),
        registration: "AB 12".to_owned(),
        profile_toml,
        owner_id: None,
    };
    records.add_machine(&new).await.unwrap()
}

async fn job(records: &Records) -> i64 {
    let new = NewJob {
        machine_id: machine(records).await,
        complaint: "stalls on closing".to_owned(),
        odometer_km: Some(21_500),
        head_toml: "[ambient]\npressure_kpa = 99.3\ntemperature_c = 20\n".to_owned(),
    };
    records.add_job(&new).await.unwrap()
}

fn gauges(condition: Condition, left: f64, right: f64) -> ReadingEntry {
    ReadingEntry {
        gauge: Some(GaugeEntry {
            values: vec![("left".to_owned(), left), ("right".to_owned(), right)],
            unit: "kPa".to_owned(),
        }),
        ..ReadingEntry::new(condition)
    }
}

#[test]
fn a_job_typed_in_comes_out_as_a_folder() {
    let made = tempfile::tempdir().unwrap();
    block_on(async {
        let records = open(&made.path().join("data")).await;
        let id = job(&records).await;
        records
            .record_seal(id, SealMoment::Found, "stop.left", SealState::Disturbed)
            .await?;
        records.record_check(id, "cable_slack", "true").await?;
        records
            .add_reading(id, &gauges(Condition::Hold, 34.0, 36.5))
            .await?;
        let swapped = ReadingEntry {
            rpm: Some(3800.0),
            swapped: true,
            ..gauges(Condition::Hold, 36.0, 35.0)
        };
        records.add_reading(id, &swapped).await?;
        let folder = made.path().join("out");
        records.store().write_job_folder(id, &folder).await?;
        let loaded = load_job(&folder)?;
        assert_eq!(loaded.job.readings.len(), 2);
        assert_eq!(loaded.job.seal("stop.left"), Some(SealState::Disturbed));
        assert_eq!(loaded.job.checks.cable_slack, Some(true));
        assert!(loaded.job.readings[1].swapped);
        assert_eq!(loaded.job.readings[1].rpm, Some(3800.0));
        records.close().await;
        Ok(())
    })
    .unwrap();
}

#[test]
fn every_value_of_an_entry_arrives() {
    let made = tempfile::tempdir().unwrap();
    block_on(async {
        let records = open(&made.path().join("data")).await;
        let id = job(&records).await;
        let both = |l, r| vec![("left".to_owned(), l), ("right".to_owned(), r)];
        let entry = ReadingEntry {
            recording: Some(RecordingEntry {
                file_name: "idle.csv".to_owned(),
                bytes: b"time_s,left_kpa\n0,61.2\n".to_vec(),
            }),
            rpm: Some(1250.0),
            sensor_v: Some(0.556),
            ecu_opening_deg: Some(-0.25),
            idle_valve_steps: Some(35.0),
            engine_c: Some(82.5),
            bleed_turns: both(0.5, 0.75),
            hose: Some(evenpull_job::HoseData {
                length_m: 0.25,
                bore_mm: 4.0,
                dead_volume_cc: 0.6,
            }),
            swapped: true,
            pinched: vec![evenpull_job::Pinch::IdleValve],
            jet: Some(("right".to_owned(), 1.5)),
            lambda: both(1.02, 0.98),
            ..gauges(Condition::Idle, 33.25, 33.5)
        };
        records.add_reading(id, &entry).await?;
        let folder = made.path().join("out");
        records.store().write_job_folder(id, &folder).await?;
        let read = load_job(&folder)?.job.readings.remove(0);
        assert_eq!(read.condition, Condition::Idle);
        assert_eq!(read.recording.as_deref(), Some("idle.csv"));
        let depressions = read.gauge.unwrap().depression_kpa.all().unwrap();
        assert_eq!(depressions, [33.25, 33.5]);
        assert_eq!(
            [
                read.rpm,
                read.sensor_v,
                read.ecu_opening_deg,
                read.idle_valve_steps,
                read.engine_c
            ],
            [
                entry.rpm,
                entry.sensor_v,
                entry.ecu_opening_deg,
                entry.idle_valve_steps,
                entry.engine_c
            ]
        );
        assert_eq!(read.bleed_turns.unwrap().all().unwrap(), [0.5, 0.75]);
        assert_eq!(read.hose, entry.hose);
        assert!(read.swapped);
        assert_eq!(read.pinched, entry.pinched);
        let jet = read.jet.unwrap();
        assert_eq!((jet.body, jet.bore_mm), (1, 1.5));
        assert_eq!(read.lambda.unwrap().all().unwrap(), [1.02, 0.98]);
        Ok(())
    })
    .unwrap();
}

#[test]
fn a_turn_stands_before_the_reading_that_follows_it() {
    let made = tempfile::tempdir().unwrap();
    block_on(async {
        let records = open(made.path()).await;
        let id = job(&records).await;
        let hold = gauges(Condition::Hold, 34.0, 36.5);
        let first = records.add_reading(id, &hold).await?;
        records.record_adjustment(id, "balance screw", 0.25).await?;
        let turned = "adjusted = [{ adjuster = \"balance screw\", turns = 0.25 }]";
        assert!(!records.job_texts(id).await?.job_toml.contains(turned));
        let second = records.add_reading(id, &hold).await?;
        let text = records.job_texts(id).await?.job_toml;
        assert!(text.trim_end().ends_with(turned), "{text}");
        // The turn was made, whatever becomes of the reading after it.
        records.withdraw_reading(second, "a hose was off").await?;
        records.add_reading(id, &hold).await?;
        let text = records.job_texts(id).await?.job_toml;
        assert!(text.trim_end().ends_with(turned), "{text}");
        assert_eq!(text.matches("[[reading]]").count(), 2);
        assert_eq!(
            records.job(id).await?.adjustments[0].reading_id,
            Some(second)
        );
        assert!(first < second);
        Ok(())
    })
    .unwrap();
}

#[test]
fn what_does_not_read_as_a_job_is_not_kept_and_the_place_is_named() {
    let made = tempfile::tempdir().unwrap();
    block_on(async {
        let records = open(made.path()).await;
        let id = job(&records).await;
        let wrong = ReadingEntry {
            rpm: Some(200_000.0),
            ..gauges(Condition::Hold, 34.0, 36.5)
        };
        let error = records.add_reading(id, &wrong).await.unwrap_err();
        assert!(error.to_string().contains("`reading[1].rpm`"), "{error}");
        let error = records.record_check(id, "cable_slak", "true").await;
        let text = error.unwrap_err().to_string();
        assert!(text.contains("did you mean `cable_slack`"), "{text}");
        assert!(records.job(id).await?.readings.is_empty());
        assert!(records.job(id).await?.checks.is_empty());
        let error = records.assess(id).await.unwrap_err().to_string();
        assert!(error.contains("holds no readings yet"), "{error}");
        Ok(())
    })
    .unwrap();
}

#[test]
fn a_sealed_part_is_turned_only_in_the_baseline_stage_with_a_reason() {
    let made = tempfile::tempdir().unwrap();
    block_on(async {
        let records = open(made.path()).await;
        let id = job(&records).await;
        let turn = || records.record_adjustment(id, "stop.left", 0.25);
        let refused = |e: AppError| assert_eq!(e.kind(), crate::ErrorKind::Refused, "{e}");
        refused(turn().await.unwrap_err());
        records.set_stage(id, Stage::Baseline).await?;
        refused(turn().await.unwrap_err());
        refused(
            records
                .record_override(id, "stop.left", "because")
                .await
                .unwrap_err(),
        );
        records
            .record_override(id, "stop.left", "seal broken, plate found 0.6 degrees open")
            .await?;
        turn().await?;
        let record = records.job(id).await?;
        assert_eq!(
            record.adjustments[0].override_id,
            Some(record.overrides[0].id)
        );
        Ok(())
    })
    .unwrap();
}

#[test]
fn a_path_is_a_path_before_it_is_a_number() {
    assert_eq!(JobSource::of(Path::new("12")), JobSource::Stored(12));
    let path = Path::new("jobs/12");
    assert_eq!(JobSource::of(path), JobSource::Path(path.to_owned()));
    let here = example("healthy");
    assert_eq!(JobSource::of(&here), JobSource::Path(here));
}

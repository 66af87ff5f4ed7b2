//! Documents of folders and of the records.

use std::path::PathBuf;
use std::sync::Arc;

use evenpull_job::{Condition, PressureUnit};
use evenpull_report::{CivilTime, DocumentKind, Paper, RemarkTopic, Writing};
use evenpull_store::{Access, Moment};

use super::{Calendar, Chosen, DocumentFile, DocumentForm, folder_document};
use crate::{
    AppError, GaugeEntry, NewJob, NewMachine, ReadingEntry, RecordingEntry, Records, block_on,
};

const PAGE: DocumentForm = DocumentForm {
    pdf: false,
    paper: Paper::A4,
};
const SHEET: DocumentForm = DocumentForm {
    pdf: true,
    paper: Paper::A4,
};

fn time() -> CivilTime {
    CivilTime {
        year: 2031,
        month: 5,
        day: 3,
        hour: 9,
        ..CivilTime::default()
    }
}

fn calendar() -> Calendar {
    Arc::new(|_| time())
}

fn example(name: &str) -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR"))
        .join("../../examples/jobs")
        .join(name)
}

async fn open(folder: &std::path::Path) -> Records {
    let clock: crate::Clock = Arc::new(|| Moment::from_ms(1_900_000_000_000));
    Records::open(folder, Access::Write, "a test", clock)
        .await
        .unwrap()
}

async fn booked(records: &Records) -> i64 {
    let profile_toml = std::fs::read_to_string(example("healthy").join("profile.toml")).unwrap();
    let machine = NewMachine {
        name: "Dunlin 1060".to_owned(),
        registration: String::new(),
        profile_toml,
        owner_id: None,
    };
    let machine_id = records.add_machine(&machine).await.unwrap();
    let new = NewJob {
        machine_id,
        complaint: "hunts at idle".to_owned(),
        odometer_km: Some(31_200),
        head_toml: "[ambient]\npressure_kpa = 99.3\n".to_owned(),
    };
    records.add_job(&new).await.unwrap()
}

/// A job with one reading and nothing turned.
async fn read_once(records: &Records) -> i64 {
    let id = booked(records).await;
    records.add_reading(id, &hold(34.0, 36.5)).await.unwrap();
    id
}

fn hold(left: f64, right: f64) -> ReadingEntry {
    ReadingEntry {
        gauge: Some(GaugeEntry {
            values: vec![("left".to_owned(), left), ("right".to_owned(), right)],
            unit: "kPa".to_owned(),
        }),
        rpm: Some(3800.0),
        ..ReadingEntry::new(Condition::Hold)
    }
}

/// A job read before and after a turn.
async fn job(records: &Records) -> i64 {
    let id = booked(records).await;
    records.add_reading(id, &hold(34.0, 36.5)).await.unwrap();
    for _ in 0..2 {
        records
            .record_adjustment(id, "balance screw", 0.25)
            .await
            .unwrap();
    }
    records.add_reading(id, &hold(35.0, 35.4)).await.unwrap();
    id
}

/// A document of a stored job with nothing chosen.
async fn made_of(
    records: &Records,
    id: i64,
    kind: DocumentKind,
    form: DocumentForm,
) -> Result<DocumentFile, AppError> {
    let chosen = Chosen::default();
    records.document(id, kind, form, &chosen, &calendar()).await
}

fn text(bytes: &[u8]) -> String {
    String::from_utf8(bytes.to_vec()).unwrap()
}

#[test]
fn a_folder_gives_its_documents_with_their_digest() {
    let (job, chosen) = (example("stub-leak"), Chosen::default());
    let made =
        |kind, form| folder_document(&job, kind, form, time(), &chosen, &mut |_, _| {}).unwrap();
    for kind in [DocumentKind::Handover, DocumentKind::JobCard] {
        let page = made(kind, PAGE);
        let text = text(&page.bytes);
        assert!(text.contains("Dunlin 1060"), "{kind:?}");
        assert!(text.contains("job stub-leak · data "), "{kind:?}");
        assert_eq!(page.version, None);
    }
    let sheet = made(DocumentKind::WhySealed, SHEET);
    assert!(sheet.bytes.starts_with(b"%PDF-1.7"));
}

#[test]
fn a_card_is_there_before_anything_is_read() {
    let made = tempfile::tempdir().unwrap();
    block_on(async {
        let records = open(made.path()).await;
        let id = booked(&records).await;
        let kind = DocumentKind::JobCard;
        let card = made_of(&records, id, kind, PAGE).await?;
        assert!(text(&card.bytes).contains("hunts at idle"));
        let kind = DocumentKind::Handover;
        let none = made_of(&records, id, kind, PAGE).await;
        let error = none.unwrap_err();
        assert!(
            error.to_string().contains("holds no readings yet"),
            "{error}"
        );
        Ok(())
    })
    .unwrap();
}

#[test]
fn a_change_makes_a_new_version_and_the_old_one_stays() {
    let made = tempfile::tempdir().unwrap();
    block_on(async {
        let records = open(made.path()).await;
        let id = read_once(&records).await;
        let kind = DocumentKind::Handover;
        let first = made_of(&records, id, kind, PAGE).await?;
        let sheet = made_of(&records, id, kind, SHEET).await?;
        let again = made_of(&records, id, kind, PAGE).await?;
        assert_eq!([first.version, sheet.version, again.version], [Some(1); 3]);
        assert_eq!(first, again);
        assert!(records.documents(id).await?.iter().all(|d| d.current));

        let topic = RemarkTopic::Declined;
        records.record_remark(id, topic, "new inlet stubs").await?;
        assert!(records.documents(id).await?.iter().all(|d| !d.current));
        let second = made_of(&records, id, kind, PAGE).await?;
        assert_eq!(second.version, Some(2));
        assert!(text(&second.bytes).contains("new inlet stubs"));
        assert!(!text(&first.bytes).contains("new inlet stubs"));

        let kept = records.documents(id).await?;
        assert_eq!(kept.len(), 3);
        let oldest = kept.iter().map(|k| k.record.id).min().unwrap();
        let (_, bytes) = records.store().document(oldest).await?;
        assert_eq!(bytes, first.bytes);
        Ok(())
    })
    .unwrap();
}

#[test]
fn a_stored_handover_tells_readings_by_their_numbers_and_turns() {
    let made = tempfile::tempdir().unwrap();
    block_on(async {
        let records = open(made.path()).await;
        let id = job(&records).await;
        let file = made_of(&records, id, DocumentKind::Handover, PAGE).await?;
        let page = text(&file.bytes);
        for part in [
            "hunts at idle",
            "R1 → R2",
            "2, 2031-05-03 09:00",
            "balance screw: ½ turn (0.50)",
            "2.5 kPa apart before, 0.4 kPa after: good",
            "31,200 km",
        ] {
            assert!(page.contains(part), "no {part:?} in {page}");
        }
        Ok(())
    })
    .unwrap();
}

/// Turned after the last reading: no reading shows what came of it.
#[test]
fn a_stored_handover_holds_nothing_against_a_turn_that_nothing_was_read_after() {
    let made = tempfile::tempdir().unwrap();
    block_on(async {
        let records = open(made.path()).await;
        let id = read_once(&records).await;
        records.add_reading(id, &hold(34.2, 36.6)).await?;
        records.record_adjustment(id, "balance screw", 0.25).await?;
        let file = made_of(&records, id, DocumentKind::Handover, PAGE).await?;
        let page = text(&file.bytes);
        assert!(
            page.contains("2.4 kPa apart before anything was turned"),
            "{page}"
        );
        assert!(page.contains("Not read since the last turn"), "{page}");
        assert!(!page.contains("R1 →"), "{page}");
        Ok(())
    })
    .unwrap();
}

/// What was read before the first turn is assessed as well, and needs its recordings again.
#[test]
fn a_stored_handover_holds_recordings_of_before_and_after() {
    let made = tempfile::tempdir().unwrap();
    block_on(async {
        let records = open(made.path()).await;
        let id = booked(&records).await;
        for (job, recording) in [
            ("balance-off", "06_hold_3800.csv"),
            ("healthy", "06_hold_3800.csv"),
        ] {
            if job == "healthy" {
                records
                    .record_adjustment(id, "balance screw", -0.25)
                    .await?;
            }
            let mut entry = ReadingEntry::new(Condition::Hold);
            entry.recording = Some(RecordingEntry {
                file_name: format!("{job}.csv"),
                bytes: std::fs::read(example(job).join(recording)).unwrap(),
            });
            records.add_reading(id, &entry).await?;
        }
        let file = made_of(&records, id, DocumentKind::Handover, PAGE).await?;
        assert!(text(&file.bytes).contains("R1 → R2"));
        Ok(())
    })
    .unwrap();
}

#[test]
fn an_estimate_takes_the_rates_of_the_shop() {
    let made = tempfile::tempdir().unwrap();
    block_on(async {
        let records = open(made.path()).await;
        let id = read_once(&records).await;
        let line = crate::EstimateLine {
            words: "balance, read before and after".to_owned(),
            minutes: 75,
            price_hundredths: 500,
        };
        let settings = crate::ShopSettings {
            name: "Shop by the weir".to_owned(),
            address: "3 Mill Lane".to_owned(),
            currency: "EUR".to_owned(),
            rate_hundredths: Some(6_800),
            lines: vec![line],
            ..crate::ShopSettings::default()
        };
        records.set_shop_settings(&settings).await?;
        let kind = DocumentKind::Estimate;
        let file = made_of(&records, id, kind, PAGE).await?;
        let page = text(&file.bytes);
        // 75 min at 68.00 are 85.00, and 5.00.
        for part in ["All together: 90.00 EUR", "Shop by the weir, 3 Mill Lane"] {
            assert!(page.contains(part), "no {part:?} in {page}");
        }
        assert!(records.documents(id).await?[0].current);
        let dearer = crate::ShopSettings {
            rate_hundredths: Some(7_000),
            ..settings
        };
        records.set_shop_settings(&dearer).await?;
        assert!(!records.documents(id).await?[0].current);
        let again = made_of(&records, id, kind, PAGE).await?;
        assert_eq!(again.version, Some(2));
        Ok(())
    })
    .unwrap();
}

/// The card names the profile's limit of 1 kPa; NIST SP 811: 1 inHg = 3386.389 Pa, so 0.30 inHg, and 10 mbar.
#[test]
fn val_a_stored_document_is_written_as_the_shop_writes_and_a_change_makes_a_version() {
    let made = tempfile::tempdir().unwrap();
    block_on(async {
        let records = open(made.path()).await;
        let id = booked(&records).await;
        let kind = DocumentKind::JobCard;
        let plain = made_of(&records, id, kind, PAGE).await?;
        let settings = crate::ShopSettings {
            writing: Writing {
                comma: true,
                pressure: PressureUnit::InHg,
            },
            ..crate::ShopSettings::default()
        };
        records.set_shop_settings(&settings).await?;
        // Written otherwise from now on; what it says of the job still holds.
        assert!(records.documents(id).await?[0].current);
        let shop = made_of(&records, id, kind, PAGE).await?;
        assert_eq!((plain.version, shop.version), (Some(1), Some(2)));
        let page = text(&shop.bytes);
        assert!(page.contains("at most 0,30 inHg"), "{page}");
        assert!(!page.contains(" kPa"), "{page}");
        assert!(records.documents(id).await?[0].current);
        // What is chosen for one document stands before what the shop has set.
        let chosen = Chosen {
            pressure: Some(PressureUnit::Mbar),
            comma: Some(false),
            ..Chosen::default()
        };
        let own = records
            .document(id, kind, PAGE, &chosen, &calendar())
            .await?;
        assert!(text(&own.bytes).contains("at most 10 mbar"));
        assert_eq!(own.version, Some(3));
        let again = made_of(&records, id, kind, PAGE).await?;
        assert_eq!((again.version, again.bytes), (Some(2), shop.bytes));
        Ok(())
    })
    .unwrap();
}

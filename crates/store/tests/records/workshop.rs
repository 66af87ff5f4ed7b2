//! A small workshop to test with.

use std::path::{Path, PathBuf};

use evenpull_job::{SealState, Step};
use evenpull_store::{
    Access, Moment, NewDocument, NewFindings, NewJob, NewMachine, NewOwner, NewPhoto, NewReading,
    NewRecording, SealMoment, Store, StoreError,
};

pub(crate) const PROFILE: &str = include_str!("../../../../examples/jobs/healthy/profile.toml");
pub(crate) const NOW: Moment = Moment {
    ms: 1_790_000_000_000,
};

pub(crate) fn run<T>(future: impl Future<Output = T>) -> T {
    tokio::runtime::Builder::new_current_thread()
        .enable_time()
        .build()
        .unwrap()
        .block_on(future)
}

pub(crate) async fn open(folder: &Path) -> Store {
    try_open(folder).await.unwrap()
}

pub(crate) async fn try_open(folder: &Path) -> Result<Store, StoreError> {
    let opened = Store::open(folder, Access::Write, "a test", NOW).await?;
    Ok(opened.0)
}

pub(crate) fn owner() -> NewOwner {
    NewOwner {
        name: "Ottilie Nowhere".to_owned(),
        contact: "Seventh Lane 7".to_owned(),
        note: "photos yes".to_owned(),
        retain_until: "2027-12-31".to_owned(),
    }
}

/// A reading of gauges, with a recording that tells its number.
pub(crate) fn reading(number: usize) -> NewReading {
    let text = "time_s,left_kpa,right_kpa\n0.000,61.2,60.9\n";
    NewReading {
        values_toml: format!(
            "condition = \"hold\"\ngauge = {{ left = 34.{number}, right = \"35,5\", unit = \"kPa\" }}\n"
        ),
        recording: Some(NewRecording {
            file_name: format!("hold-{number}.csv"),
            bytes: format!("{text}# {number}\n").repeat(40).into_bytes(),
        }),
    }
}

/// The smallest picture that is one: a PNG of one point.
pub(crate) fn picture() -> Vec<u8> {
    const PNG: &[u8] = b"\x89PNG\x0d\x0a\x1a\x0a\x00\x00\x00\x0dIHDR\x00\x00\x00\x01\x00\x00\x00\x01\x08\x00\x00\x00\x00:~\
        \x9bU\x00\x00\x00\x0aIDATx\x9cc`\x00\x00\x00\x02\x00\x01H\xaf\xa4q\x00\x00\x00\x00IEND\xaeB`\x82";
    PNG.to_vec()
}

/// One machine with an owner, one job with everything a job can have; returns the job.
pub(crate) async fn fill(store: &Store) -> i64 {
    let owner_id = Some(store.add_owner(&owner(), NOW).await.unwrap());
    let machine = NewMachine {
        name: "Dunlin 1060".to_owned(),
        registration: "NO 77".to_owned(),
        profile_toml: PROFILE.to_owned(),
        owner_id,
    };
    let machine_id = store.add_machine(&machine, NOW).await.unwrap();
    let new = NewJob {
        machine_id,
        complaint: "hunts at idle".to_owned(),
        odometer_km: Some(31_200),
        head_toml: "notes = \"came on a trailer\"\n[ambient]\npressure_kpa = 99.3\n".to_owned(),
    };
    let job = store.add_job(&new, NOW).await.unwrap();
    let found = SealMoment::Found;
    store
        .record_seal(job, found, "stop.left", SealState::Intact, NOW)
        .await
        .unwrap();
    let fitted = SealMoment::Fitted;
    store
        .record_seal(job, fitted, "stop.left", SealState::Intact, NOW)
        .await
        .unwrap();
    store
        .record_check(job, "snap_shut_v", "[0.55, 0.56]", NOW)
        .await
        .unwrap();
    store.add_reading(job, &reading(1), NOW).await.unwrap();
    store
        .record_adjustment(job, "balance screw", -0.125, NOW)
        .await
        .unwrap();
    store.add_reading(job, &reading(2), NOW).await.unwrap();
    store
        .record_adjustment(job, "bleed.left", 0.25, NOW)
        .await
        .unwrap();
    store
        .record_step(job, Step::WarmUp, true, "82 C", NOW)
        .await
        .unwrap();
    let reason = evenpull_job::Override::new("seal broken when it came in").unwrap();
    store
        .record_override(job, "stop.left", &reason, NOW)
        .await
        .unwrap();
    let photo = NewPhoto {
        name: "seal.png".to_owned(),
        bytes: picture(),
        caption: "stop, left".to_owned(),
    };
    store.add_photo(job, photo, NOW).await.unwrap();
    let findings = NewFindings {
        program_version: "0.1.0".to_owned(),
        inputs_sha256: store.inputs_sha256(job).await.unwrap(),
        undetermined: false,
        leading_cause: "balance-off".to_owned(),
        probability: Some(0.98),
        answer_json: "{}".to_owned(),
    };
    store.add_findings(job, &findings, NOW).await.unwrap();
    job
}

/// A remark, and a handover in two versions, the first in two forms.
pub(crate) async fn hand_out(store: &Store, job: i64) {
    store
        .record_remark(job, "done", "airbox cleaned", NOW)
        .await
        .unwrap();
    for (version, form) in [(1, "pdf-a4"), (1, "html"), (2, "html")] {
        let new = document(version, form);
        store.add_document(job, &new, NOW).await.unwrap();
    }
}

/// A handover as bytes that tell its version and form.
pub(crate) fn document(version: i64, form: &str) -> NewDocument {
    NewDocument {
        kind: "handover".to_owned(),
        version,
        form: form.to_owned(),
        program_version: "0.1.0".to_owned(),
        data_sha256: format!("{version}f").repeat(32),
        bytes: format!("handover {version} as {form}\n")
            .repeat(30)
            .into_bytes(),
        written: NOW,
    }
}

/// Every file under a folder.
pub(crate) fn files(folder: &Path) -> Vec<PathBuf> {
    let mut all = Vec::new();
    let mut folders = vec![folder.to_owned()];
    while let Some(folder) = folders.pop() {
        for entry in std::fs::read_dir(folder).unwrap().flatten() {
            let path = entry.path();
            if path.is_dir() {
                folders.push(path);
            } else {
                all.push(path);
            }
        }
    }
    all.sort();
    all
}

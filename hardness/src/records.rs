//! What comes into the records from elsewhere: archives, job folders, backups, photos, and a
//! database that a failing disk has changed.

use std::cell::{OnceCell, RefCell};
use std::fs::File;
use std::io::Write;
use std::path::Path;

use evenpull_store::{
    Access, ArchiveLimits, ImportJob, JobFilter, Moment, Store, StoreError, cleaned_photo, restore,
    salvage, unpack_archive,
};
use zip::ZipWriter;
use zip::write::SimpleFileOptions;

#[path = "../../crates/store/tests/records/workshop.rs"]
#[expect(
    clippy::unwrap_used,
    reason = "the workshop of the tests of the records, where a test fails by panicking"
)]
mod workshop;

use workshop::{NOW, files, fill, hand_out, open, picture, run};

const DATABASE: &str = "evenpull.db";

/// An error that does not say what to do is no help.
fn helpful(error: &StoreError) {
    assert!(error.to_string().len() > 10, "{error}");
}

/// Unpacked bytes may be more than packed ones, but not by any factor.
const LIMITS: ArchiveLimits = ArchiveLimits {
    entries: 20,
    total_bytes: 3_000_000,
    ratio: 20,
};

/// An archive from elsewhere.
pub(crate) fn archive(bytes: &[u8]) {
    let work = tempfile::tempdir().expect("a folder");
    let (packed, folder) = (work.path().join("a.zip"), work.path().join("in"));
    std::fs::write(&packed, bytes).expect("a file");
    std::fs::create_dir(&folder).expect("a folder");
    if let Err(e) = unpack_archive(&packed, &folder, LIMITS) {
        helpful(&e);
    }
    let all = files(work.path());
    let inside = |p: &std::path::PathBuf| *p == packed || p.starts_with(&folder);
    assert!(all.iter().all(inside), "{all:?}");
    let total: u64 = all
        .iter()
        .filter(|p| **p != packed)
        .filter_map(|p| Some(p.metadata().ok()?.len()))
        .sum();
    // The file that breaks the limit is written up to it.
    assert!(total <= LIMITS.total_bytes + 70_000, "{total}");
}

/// A database with everything in it, as bytes.
fn filled() -> Vec<u8> {
    let work = tempfile::tempdir().expect("a folder");
    run(async {
        let store = open(work.path()).await;
        let job = fill(&store).await;
        hand_out(&store, job).await;
        store.close().await;
    });
    std::fs::read(work.path().join(DATABASE)).expect("the database")
}

thread_local! {
    static FILLED: OnceCell<Vec<u8>> = const { OnceCell::new() };
    static SHOP: RefCell<Option<Shop>> = const { RefCell::new(None) };
}

/// An archive that claims to be a backup, or the `manifest.json` of one.
pub(crate) fn backup(bytes: &[u8]) {
    let work = tempfile::tempdir().expect("a folder");
    let (packed, folder) = (work.path().join("b.zip"), work.path().join("in"));
    if bytes.starts_with(b"PK") {
        std::fs::write(&packed, bytes).expect("a file");
    } else {
        let mut zip = ZipWriter::new(File::create(&packed).expect("a file"));
        let database = FILLED.with(|filled| filled.get_or_init(self::filled).clone());
        for (name, content) in [(DATABASE, database.as_slice()), ("manifest.json", bytes)] {
            zip.start_file(name, SimpleFileOptions::default())
                .expect("an entry");
            zip.write_all(content).expect("its content");
        }
        zip.finish().expect("an archive");
    }
    match run(restore(&packed, &folder, false, "fuzz")) {
        Ok(_) => looked_through(&folder),
        Err(e) => {
            helpful(&e);
            // Nothing of a refused backup is left.
            assert!(!folder.join(DATABASE).exists(), "{e}");
        }
    }
}

/// A database with changed bytes: four bytes of input are a place and what stands there.
pub(crate) fn database(bytes: &[u8]) {
    let work = tempfile::tempdir().expect("a folder");
    let mut database = FILLED.with(|filled| filled.get_or_init(self::filled).clone());
    for change in bytes.chunks_exact(4) {
        let place = u32::from_be_bytes([0, change[0], change[1], change[2]]) as usize;
        let length = database.len();
        database[place % length] = change[3];
    }
    std::fs::write(work.path().join(DATABASE), &database).expect("a file");
    looked_through(work.path());
    let (damaged, other) = (work.path().join("damaged.db"), work.path().join("other"));
    std::fs::write(&damaged, &database).expect("a file");
    match run(salvage(&damaged, &other, "fuzz", NOW)) {
        Ok(_) => looked_through(&other),
        Err(e) => helpful(&e),
    }
}

/// Opens the records and reads everything that a page reads.
fn looked_through(folder: &Path) {
    let looked = run(async {
        let (store, _) = Store::open(folder, Access::Write, "fuzz", NOW).await?;
        let done = everything(&store).await;
        store.close().await;
        done
    });
    if let Err(e) = looked {
        helpful(&e);
    }
}

async fn everything(store: &Store) -> Result<(), StoreError> {
    store.check().await?;
    store.machines("", i64::MAX, 10).await?;
    store.owners().await?;
    for line in store.jobs(&JobFilter::default()).await? {
        // One broken entry must not keep the others from being read.
        let id = line.id;
        let _ = (store.job_texts(id).await, store.seals(id).await);
        let _ = (store.checks(id).await, store.adjustments(id).await);
        let _ = (store.progress(id).await, store.remarks(id).await);
        let _ = (store.latest_findings(id).await, store.documents(id).await);
        for reading in store.readings(id).await.unwrap_or_default() {
            let _ = store.recording(reading.id).await;
        }
        for photo in store.photos(id).await.unwrap_or_default() {
            let _ = store.photo(photo.id).await;
        }
    }
    Ok(())
}

/// Records that jobs are taken into, made anew now and then so that they stay small.
struct Shop {
    work: tempfile::TempDir,
    store: Store,
    runtime: tokio::runtime::Runtime,
    taken: usize,
}

/// Jobs taken in before the records are made anew.
const MOST_TAKEN: usize = 200;
const JOB: &str = include_str!("record-job.toml");

impl Shop {
    fn new() -> Self {
        let work = tempfile::tempdir().expect("a folder");
        let runtime = tokio::runtime::Builder::new_current_thread()
            .enable_time()
            .build()
            .expect("a runtime");
        let store = runtime.block_on(open(&work.path().join("records")));
        let folder = work.path().join("job");
        std::fs::create_dir(&folder).expect("a folder");
        std::fs::write(folder.join("p.png"), picture()).expect("a file");
        std::fs::write(folder.join("a.csv"), "0,61,60\n").expect("a file");
        Self {
            work,
            store,
            runtime,
            taken: 0,
        }
    }
}

/// `record.json` beside a sound job.
pub(crate) fn record(bytes: &[u8]) {
    SHOP.with(|slot| {
        let mut slot = slot.borrow_mut();
        if slot.as_ref().is_some_and(|shop| shop.taken >= MOST_TAKEN) {
            *slot = None;
        }
        let shop = slot.get_or_insert_with(Shop::new);
        let folder = shop.work.path().join("job");
        std::fs::write(folder.join("record.json"), bytes).expect("a file");
        let new = ImportJob {
            job_toml: JOB.to_owned(),
            profile_toml: workshop::PROFILE.to_owned(),
            machine_id: None,
        };
        let store = &shop.store;
        let taken = shop
            .runtime
            .block_on(store.import_job(&folder, &new, Moment::from_ms(1)));
        match taken {
            Ok(taken) => {
                shop.taken += 1;
                let out = shop.work.path().join("out");
                shop.runtime
                    .block_on(store.export_job(taken.job_id, &out, true))
                    .unwrap_or_else(|e| panic!("taken in, but cannot go out: {e}"));
                std::fs::remove_dir_all(&out).expect("a folder of ours");
            }
            Err(e) => helpful(&e),
        }
    });
}

/// A photo: what is kept of it, cleaned again, is the same, and it tells no place.
pub(crate) fn photo(bytes: &[u8]) {
    match cleaned_photo("fuzz.jpg", bytes.to_vec()) {
        Ok(kept) => {
            let again = cleaned_photo("fuzz.jpg", kept.clone())
                .unwrap_or_else(|e| panic!("cleaned, but not to be cleaned again: {e}"));
            assert_eq!(again, kept);
            let _ = evenpull_report::small_photo(&kept);
        }
        Err(e) => assert!(e.to_string().contains("fuzz.jpg"), "{e}"),
    }
}

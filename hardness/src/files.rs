//! Files that people write: profiles, jobs, rates, translations.

use std::cell::OnceCell;

use evenpull_app::load_rates;
use evenpull_job::{FileErrors, Job, Profile, builtin};
use evenpull_report::DocumentTexts;
use evenpull_store::JobParts;

/// An error that does not say where is no help.
fn placed(file: &str, errors: &FileErrors) {
    let text = errors.to_string();
    assert!(text.starts_with(&format!("{file}:")), "{text}");
    assert!(text.contains("remedy: "), "{text}");
}

/// `evenpull.profile/1`.
pub(crate) fn profile(bytes: &[u8]) {
    let text = String::from_utf8_lossy(bytes);
    match Profile::from_toml("profile.toml", &text) {
        Ok(profile) => assert!(!profile.bodies().is_empty()),
        Err(errors) => placed("profile.toml", &errors),
    }
}

/// `evenpull.job/1` under one of the profiles of the program, the first byte says which.
///
/// A job that reads must read the same after it was taken apart for the records and put together.
pub(crate) fn job(bytes: &[u8]) {
    let Some((which, bytes)) = bytes.split_first() else {
        return;
    };
    let text = String::from_utf8_lossy(bytes);
    PROFILES.with(|profiles| {
        let profiles = profiles.get_or_init(all_profiles);
        job_under(&profiles[usize::from(*which) % profiles.len()], &text);
    });
}

fn all_profiles() -> Vec<Profile> {
    builtin()
        .iter()
        .map(|p| Profile::from_toml("profile.toml", p.toml).expect("a profile of ours"))
        .collect()
}

fn job_under(profile: &Profile, text: &str) {
    if let Err(errors) = Job::draft_from_toml("job.toml", text, profile) {
        placed("job.toml", &errors);
    }
    if let Err(error) = Job::profile_ref("job.toml", text) {
        placed("job.toml", &error);
    }
    let parts = JobParts::of(text);
    match Job::from_toml("job.toml", text, profile) {
        Ok(job) => {
            let again = parts.expect("a job that reads can be taken apart").text();
            let again = Job::from_toml("job.toml", &again, profile)
                .unwrap_or_else(|e| panic!("put together again:\n{again}\n{e}"));
            // By their text: a number that is none equals nothing.
            assert_eq!(
                format!("{:?}", unplaced(job)),
                format!("{:?}", unplaced(again))
            );
        }
        Err(errors) => placed("job.toml", &errors),
    }
}

/// The job without the lines where things stand.
fn unplaced(mut job: Job) -> Job {
    for reading in &mut job.readings {
        reading.line = 0;
        reading.recording_line = None;
    }
    job
}

thread_local! {
    static PROFILES: OnceCell<Vec<Profile>> = const { OnceCell::new() };
    static FOLDER: OnceCell<tempfile::TempDir> = const { OnceCell::new() };
}

/// `evenpull.rates/1`.
pub(crate) fn rates(bytes: &[u8]) {
    FOLDER.with(|folder| {
        let folder = folder.get_or_init(|| tempfile::tempdir().expect("a folder"));
        let path = folder.path().join("rates.toml");
        std::fs::write(&path, bytes).expect("a file");
        match load_rates(&path) {
            Ok(rates) => {
                assert!(rates.rate_hundredths.is_none_or(|r| r >= 0));
                let sound = |l: &evenpull_report::PricedLine| {
                    l.price_hundredths >= 0 && l.minutes >= 0 && !l.words.trim().is_empty()
                };
                assert!(rates.lines.iter().all(sound), "{:?}", rates.lines);
            }
            Err(e) => assert!(e.to_string().contains("rates.toml"), "{e}"),
        }
    });
}

/// A translation of the documents.
pub(crate) fn texts(bytes: &[u8]) {
    if let Err(e) = DocumentTexts::translated(&String::from_utf8_lossy(bytes)) {
        assert!(e.to_string().starts_with("texts: "), "{e}");
    }
}

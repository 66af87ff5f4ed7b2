use std::path::PathBuf;
use std::sync::Arc;

use evenpull_store::{Access, Moment};

use super::*;
use crate::records::{Clock, block_on};

fn example(name: &str) -> PathBuf {
    PathBuf::from(concat!(env!("CARGO_MANIFEST_DIR"), "/../../examples/jobs")).join(name)
}

/// Two healthy visits of one machine and a visit of another of the profile: a history without changes, and
/// a library that the other is read beside.
#[test]
fn healthy_visits_make_a_history_and_a_library() {
    let made = tempfile::tempdir().unwrap();
    let clock: Clock = Arc::new(|| Moment::from_ms(1_790_000_000_000));
    block_on(async {
        let records = Records::open(made.path(), Access::Write, "a test", clock).await?;
        let healthy = example("healthy");
        let first = records.import(&healthy, None).await?;
        let second = records.import(&healthy, Some(first.machine_id)).await?;
        for job in [first.job_id, second.job_id] {
            let done = records.assess(job).await?.outcome;
            let said = |code: &str| done.assessment.notices.iter().any(|n| n.code == code);
            assert!(!said("changed-since"), "{:?}", done.assessment.notices);
            assert!(!said("library"), "nothing is handed over yet");
        }
        let years = records.history(first.machine_id).await?;
        assert_eq!(years.jobs, [first.job_id, second.job_id]);
        assert!(
            years.history.changes.is_empty(),
            "{:?}",
            years.history.changes
        );
        let leaks = years
            .answer()
            .series
            .into_iter()
            .filter(|s| s.quantity == "leak_mm2");
        assert_eq!(leaks.map(|s| s.visits.len()).collect::<Vec<_>>(), [2, 2]);
        assert!(
            years
                .picture(0, Writing::default())
                .is_some_and(|svg| svg.contains("years-0"))
        );

        let jobs = records.library().await?;
        assert_eq!(jobs.len(), 2, "{jobs:?}");
        assert!(
            jobs[0]
                .why_not
                .as_deref()
                .is_some_and(|w| w.contains("handed over"))
        );
        records.set_closed(first.job_id, true).await?;
        let profile = jobs[0].profile.clone();
        let view = records.library_of(&profile).await?;
        assert_eq!(view.machines, 1);
        assert!(
            view.values.iter().any(|v| v.next_sd < v.profile_sd),
            "{:?}",
            view.values
        );

        let other = records.import(&example("stop-turned-in"), None).await?;
        let beside = |notices: &[evenpull_trace::Notice]| {
            notices
                .iter()
                .find(|n| n.code == "library")
                .map(|n| n.text.clone())
        };
        let found = records.assess(other.job_id).await?.outcome.assessment;
        let text = beside(&found.notices);
        assert!(
            text.is_some_and(|t| t.contains("another machine of this profile")),
            "{:?}",
            found.notices
        );
        records
            .leave_out(first.job_id, "a trial of the switch")
            .await?;
        let found = records.assess(other.job_id).await?.outcome.assessment;
        assert_eq!(beside(&found.notices), None);
        records.take_in(first.job_id).await?;
        assert!(records.library().await?[0].in_library);
        let error = records.library_of("nobody").await.unwrap_err().to_string();
        assert!(error.contains(&profile), "{error}");
        records.close().await;
        Ok(())
    })
    .unwrap();
}

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
        assert_eq!(years.moved(), []);
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

/// A visit that reads a leak where the one before read none: two visits tell that it moved, not why.
#[test]
fn what_moved_between_two_visits_by_more_than_they_leave_open_is_listed() {
    let made = tempfile::tempdir().unwrap();
    let clock: Clock = Arc::new(|| Moment::from_ms(1_790_000_000_000));
    block_on(async {
        let records = Records::open(made.path(), Access::Write, "a test", clock).await?;
        let first = records.import(&example("healthy"), None).await?;
        records.assess(first.job_id).await?;
        let second = records
            .import(&example("stub-leak"), Some(first.machine_id))
            .await?;
        records.assess(second.job_id).await?;
        let answer = records.history(first.machine_id).await?.answer();
        let told = |part: &str| {
            let moved = answer.moved.iter();
            let mut moved = moved.filter(|m| m.quantity == "leak_mm2" && m.part == part);
            let by_hand = answer.changes.iter().filter(|c| c.touched == "leak");
            let mut by_hand = by_hand.filter(|c| c.parts.iter().any(|p| p == part));
            moved.next().is_some() || by_hand.next().is_some()
        };
        let leaks = answer.series.iter().filter(|s| s.quantity == "leak_mm2");
        for series in leaks {
            let ends = [&series.visits[0].read, &series.visits[1].read];
            let apart = ends[1].lo90 > ends[0].hi90 || ends[0].lo90 > ends[1].hi90;
            assert!(
                !apart || told(&series.part),
                "{series:?} {:?}",
                answer.moved
            );
        }
        assert!(
            told("left") || told("right"),
            "{:?} {:?}",
            answer.series,
            answer.moved
        );
        records.close().await;
        Ok(())
    })
    .unwrap();
}

//! Notes made together are kept together, or none of them.

use evenpull_job::SealState;
use evenpull_store::{CheckEdit, NotedTogether, SealMoment};

use crate::workshop::{NOW, fill, open, reading, run};

fn edit(path: &[&str], value: Option<&str>) -> CheckEdit {
    CheckEdit {
        path: path.iter().map(|key| (*key).to_owned()).collect(),
        value_toml: value.map(str::to_owned),
    }
}

#[test]
fn one_wrong_note_keeps_none_of_the_others() {
    let dir = tempfile::tempdir().unwrap();
    run(async {
        let store = open(dir.path()).await;
        let job = fill(&store).await;
        let before = store.job_texts(job).await.unwrap().job_toml;
        let sound = NotedTogether {
            seals: vec![(
                SealMoment::Fitted,
                "stop.left".to_owned(),
                SealState::Intact,
            )],
            checks: vec![edit(&["compression_kpa", "left"], Some("1170"))],
            readings: vec![reading(7)],
            remarks: vec![("found".to_owned(), "oil in the airbox".to_owned())],
        };
        let mut wrong = vec![sound.clone(); 4];
        wrong[0].seals[0].1 = "stop.middle".to_owned();
        wrong[1]
            .checks
            .push(edit(&["leak_down_percent", "left"], Some("150")));
        wrong[2].remarks[0].0 = "gossip".to_owned();
        wrong[3].checks.push(edit(&[], Some("1")));
        let seals = store.seals(job).await.unwrap();
        for noted in &wrong {
            store.record_together(job, noted, NOW).await.unwrap_err();
            assert_eq!(store.job_texts(job).await.unwrap().job_toml, before);
            assert_eq!(store.seals(job).await.unwrap(), seals);
        }
        store.record_together(job, &sound, NOW).await.unwrap();
        let after = store.job_texts(job).await.unwrap().job_toml;
        assert!(after.contains("left = 1170"), "{after}");
        assert_eq!(store.seals(job).await.unwrap().len(), seals.len() + 1);
        store.record_together(99, &sound, NOW).await.unwrap_err();
        store.close().await;
    });
}

/// What was taken back stays on record and is in no job file; taken back twice it is noted once.
#[test]
fn a_check_taken_back_leaves_the_job_file() {
    let dir = tempfile::tempdir().unwrap();
    run(async {
        let store = open(dir.path()).await;
        let job = fill(&store).await;
        let note = async |value: Option<&str>| {
            let noted = NotedTogether {
                checks: vec![edit(&["spindle_play_mm", "left"], value)],
                ..NotedTogether::default()
            };
            store.record_together(job, &noted, NOW).await.unwrap();
            store.job_texts(job).await.unwrap().job_toml
        };
        let rows = store.checks(job).await.unwrap().len();
        assert!(note(Some("0.05")).await.contains("spindle_play_mm"));
        assert!(!note(None).await.contains("spindle_play_mm"));
        assert!(!note(None).await.contains("spindle_play_mm"));
        assert_eq!(store.checks(job).await.unwrap().len(), rows + 2);
        assert!(note(Some("0.06")).await.contains("0.06"));
        store.close().await;
    });
}

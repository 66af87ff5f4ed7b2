//! The library: who is in it, and the switch.

use evenpull_store::{NewFindings, StoreError};

use crate::workshop::{NOW, fill, open, run};

#[test]
fn healthy_jobs_are_listed_and_the_last_word_counts() {
    let dir = tempfile::tempdir().unwrap();
    run(async {
        let store = open(dir.path()).await;
        let job = fill(&store).await;
        // Its findings name a cause.
        assert!(store.healthy_jobs().await.unwrap().is_empty());
        let sound = NewFindings {
            program_version: "0.1.0".to_owned(),
            inputs_sha256: store.inputs_sha256(job).await.unwrap(),
            undetermined: false,
            leading_cause: "none".to_owned(),
            probability: Some(0.97),
            answer_json: "{\"a\":1}".to_owned(),
        };
        store.add_findings(job, &sound, NOW).await.unwrap();
        let healthy = store.healthy_jobs().await.unwrap();
        assert_eq!(healthy.len(), 1);
        assert_eq!(healthy[0].answer_json, sound.answer_json);
        assert!(!healthy[0].handed_over);
        store.set_closed(job, true, NOW).await.unwrap();
        assert!(store.healthy_jobs().await.unwrap()[0].handed_over);
        // Doubt takes it out again.
        let doubted = NewFindings {
            undetermined: true,
            ..sound.clone()
        };
        store.add_findings(job, &doubted, NOW).await.unwrap();
        assert!(store.healthy_jobs().await.unwrap().is_empty());

        assert!(store.library_switches().await.unwrap().is_empty());
        let error = store
            .switch_library(job, false, "  ", NOW)
            .await
            .unwrap_err();
        assert!(error.to_string().contains("needs a reason"), "{error}");
        let reason = "read with a split hose";
        store.switch_library(job, false, reason, NOW).await.unwrap();
        let said = store.library_switches().await.unwrap();
        assert_eq!(
            (said.len(), said[0].taken_in, said[0].reason.as_str()),
            (1, false, reason)
        );
        store.switch_library(job, true, "", NOW).await.unwrap();
        assert!(store.library_switches().await.unwrap()[0].taken_in);
        let missing = store.switch_library(999, true, "", NOW).await.unwrap_err();
        assert!(matches!(missing, StoreError::Missing { .. }), "{missing}");
    });
}

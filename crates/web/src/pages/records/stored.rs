//! A job as its pages share it: the record, the profile, the head with its tabs.

use evenpull_app::{
    AdjusterKind, JobRecord, OfferReason, Profile, Records, SealMoment, ShownFindings, Stage,
    can_turn,
};

use crate::page::Visitor;
use crate::pages::aside::problem;
use crate::pages::{Findings, findings_view};
use crate::problem::Problem;
use crate::state::Web;
use crate::texts::Texts;

/// Everything on record about one job.
#[derive(Debug)]
pub(super) struct Stored {
    pub(super) record: JobRecord,
    pub(super) profile: Profile,
}

/// Top of every page of a job.
#[derive(Debug)]
pub(super) struct JobHead {
    pub(super) id: i64,
    pub(super) machine_id: i64,
    pub(super) machine: String,
    pub(super) complaint: String,
    pub(super) stage: String,
    pub(super) closed: bool,
    pub(super) tabs: Vec<Tab>,
    pub(super) offer: Option<OfferView>,
}

/// A stage that is offered: its code, its words, the key of the reason.
#[derive(Debug)]
pub(super) struct OfferView {
    pub(super) code: &'static str,
    pub(super) words: String,
    pub(super) why: &'static str,
}

/// One page of a job.
#[derive(Debug)]
pub(super) struct Tab {
    pub(super) to: String,
    pub(super) words: String,
    pub(super) here: bool,
}

/// Pages of a job in the order of work: end of the address, key of the text.
const TABS: [(&str, &str); 6] = [
    ("booking", "job.booking"),
    ("checks", "job.checks"),
    ("readings", "job.readings"),
    ("findings", "job.findings"),
    ("work", "job.work"),
    ("handover", "job.handover"),
];

/// The records, where the server has any.
pub(super) fn records(web: &Web) -> Result<&Records, Problem> {
    web.records()
        .ok_or_else(|| Problem::Closed(web.texts().at("problem.no_records").to_owned()))
}

/// Reads a job.
pub(super) async fn stored(web: &Web, id: i64) -> Result<Stored, Problem> {
    let records = records(web)?;
    let record = records.job(id).await.map_err(|e| problem(web, &e))?;
    let texts = records.job_texts(id).await.map_err(|e| problem(web, &e))?;
    let profile =
        Profile::from_toml("profile", &texts.profile_toml).map_err(|e| problem(web, &e.into()))?;
    Ok(Stored { record, profile })
}

/// A sealed part and the state of its seal; the state is empty where nobody noted it.
#[derive(Debug)]
pub(super) struct SealRow {
    pub(super) part: String,
    /// The part in words.
    pub(super) words: String,
    pub(super) state: String,
}

impl Stored {
    /// Its latest findings on record.
    pub(super) async fn found(&self, web: &Web) -> Result<Option<ShownFindings>, Problem> {
        let found = records(web)?.shown_findings(self.record.line.id).await;
        found.map_err(|e| problem(web, &e))
    }

    /// The view of its findings, with the steps that turn something marked.
    pub(super) fn view(&self, found: &ShownFindings, visitor: &Visitor) -> Findings {
        let turns = |i: usize| can_turn(&found.advice[i], &self.profile);
        findings_view(found, turns, visitor.writing)
    }

    /// The head of one of its pages.
    pub(super) fn head(&self, visitor: &Visitor, here: &str) -> JobHead {
        let line = &self.record.line;
        let tabs = TABS.map(|(end, key)| Tab {
            to: format!("/jobs/{}/{end}", line.id),
            words: visitor.texts.at(key).to_owned(),
            here: end == here,
        });
        JobHead {
            id: line.id,
            machine_id: line.machine_id,
            machine: line.machine.clone(),
            complaint: line.complaint.clone(),
            stage: stage_words(&line.stage, &visitor.texts),
            closed: line.closed.is_some(),
            tabs: tabs.into(),
            offer: self.record.stage_offered().map(|offer| OfferView {
                code: offer.stage.as_str(),
                words: stage_words(offer.stage.as_str(), &visitor.texts),
                why: match offer.reason {
                    OfferReason::ReadSinceTurned => "stage.offer_read",
                    OfferReason::SealsFitted => "stage.offer_fitted",
                },
            }),
        }
    }

    /// Every sealed part with the state of its seal at a moment.
    pub(super) fn seals(&self, moment: SealMoment, texts: &Texts) -> Vec<SealRow> {
        let row = |part: String| SealRow {
            words: part_words(&self.profile, &part, texts),
            state: self
                .seal(moment.as_str(), &part)
                .unwrap_or_default()
                .to_owned(),
            part,
        };
        self.sealed_parts().into_iter().map(row).collect()
    }

    /// Names of the sealed parts.
    pub(super) fn sealed_parts(&self) -> Vec<String> {
        let all = self.profile.adjusters().into_iter();
        all.filter(|a| a.kind.is_sealed()).map(|a| a.name).collect()
    }

    /// The last word on the seal of a part.
    pub(super) fn seal(&self, moment: &str, part: &str) -> Option<&str> {
        let all = self.record.seals.iter().rev();
        all.filter(|s| s.moment == moment)
            .find(|s| s.part == part)
            .map(|s| s.state.as_str())
    }
}

/// An adjuster in words, with the body it stands on. A balance adjuster has a name of the profile's
/// own, and so has what only another profile knows.
pub(super) fn part_words(profile: &Profile, name: &str, texts: &Texts) -> String {
    let Some(adjuster) = profile.adjuster(name) else {
        return name.to_owned();
    };
    let key = match adjuster.kind {
        AdjusterKind::Balance => return adjuster.name,
        AdjusterKind::Bleed => "part.bleed",
        AdjusterKind::Stop => "part.stop",
        AdjusterKind::LinkEnd => "part.link",
        AdjusterKind::Sensor => "part.sensor",
    };
    texts.fill(key, &[("body", &adjuster.bodies.join(", "))])
}

/// A stage in words.
pub(super) fn stage_words(stage: &str, texts: &Texts) -> String {
    let key = match Stage::from_word(stage) {
        Some(Stage::BookingIn) => "stage.booking_in",
        Some(Stage::AsFound) => "stage.as_found",
        Some(Stage::Checks) => "stage.checks",
        Some(Stage::Tune) => "stage.tune",
        Some(Stage::Baseline) => "stage.baseline",
        Some(Stage::Verify) => "stage.verify",
        Some(Stage::Handover) => "stage.handover",
        None => return stage.to_owned(),
    };
    texts.at(key).to_owned()
}

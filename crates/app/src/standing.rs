//! What a visit leaves to the machine's history and to the shop's library, kept with its findings.

use evenpull_diagnose::{
    Beside, Lasting, LastingUnknown, Quantity, Standing, Stood, SweepPoint, stood, sweep_points,
};
use evenpull_job::{Job, Profile};
use evenpull_trace::CycleReading;
use serde::{Deserialize, Serialize};

/// One value of the history.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(crate) struct StandingValue {
    /// Code of the quantity.
    quantity: String,
    /// Body or coupling; empty for the machine.
    part: String,
    value: f64,
    sd: f64,
    /// Nil where an older program kept it.
    #[serde(default)]
    shared_sd: f64,
}

/// What the readings say of the lasting unknowns.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(crate) struct LastingText {
    unknowns: Vec<String>,
    information: Vec<Vec<f64>>,
    pull: Vec<f64>,
}

/// One point of the reference sweep.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(crate) struct SweepText {
    body: usize,
    over_stop_deg: f64,
    ln_area: f64,
    sd: f64,
}

/// Everything, under `standing` beside the answer in the kept findings.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub(crate) struct StandingText {
    standings: Vec<StandingValue>,
    idle_area_mm2: Option<f64>,
    /// Only of a visit whose readings can be a reference.
    lasting: Option<LastingText>,
    /// Closed volts over the profile's [V].
    closed_v: Option<f64>,
    sweep: Vec<SweepText>,
}

impl StandingText {
    /// Of a visit, its recordings analysed.
    pub(crate) fn of(
        job: &Job,
        profile: &Profile,
        cycles: &[Option<CycleReading>],
        beside: &Beside<'_>,
    ) -> Self {
        if job.readings.iter().any(|r| r.practice) {
            // They say nothing of the machine, and nothing that other machines could be read beside.
            return Self::default();
        }
        let Stood {
            standings,
            idle_area_mm2,
        } = stood(job, profile, cycles, beside);
        let lasting = Lasting::of_sound(job, profile, cycles);
        let closed = job.readings.iter().filter(|r| r.condition.throttle_shut());
        let closed: Vec<f64> = closed.filter_map(|r| r.sensor_v).collect();
        let mean = closed.iter().sum::<f64>() / closed.len() as f64;
        Self {
            standings: standings
                .into_iter()
                .map(|s| StandingValue {
                    quantity: s.quantity.code().to_owned(),
                    part: s.part,
                    value: s.value,
                    sd: s.sd,
                    shared_sd: s.shared_sd,
                })
                .collect(),
            idle_area_mm2,
            lasting: lasting.map(|l| LastingText {
                unknowns: l.unknowns.iter().map(|u| u.code()).collect(),
                information: l.information,
                pull: l.pull,
            }),
            closed_v: (profile.sensor.filter(|_| !closed.is_empty()))
                .map(|s| mean - s.volts_at_stop),
            sweep: sweep_points(job, profile, cycles)
                .into_iter()
                .map(|p| SweepText {
                    body: p.body,
                    over_stop_deg: p.over_stop_deg,
                    ln_area: p.ln_area,
                    sd: p.sd,
                })
                .collect(),
        }
    }

    /// From kept findings; `None` where an older program kept none.
    pub(crate) fn kept(answer_json: &str) -> Option<Self> {
        let value: serde_json::Value = serde_json::from_str(answer_json).ok()?;
        serde_json::from_value(value.get("standing")?.clone()).ok()
    }

    /// Values for the history; quantities that this program does not know are left out.
    pub(crate) fn standings(&self) -> Vec<Standing> {
        let known = self.standings.iter().filter_map(|s| {
            Some(Standing {
                quantity: Quantity::of_code(&s.quantity)?,
                part: s.part.clone(),
                value: s.value,
                sd: s.sd,
                shared_sd: s.shared_sd,
            })
        });
        known.collect()
    }

    pub(crate) fn idle_area_mm2(&self) -> Option<f64> {
        self.idle_area_mm2
    }

    /// `None` without one, or with an unknown that the profile or this program does not have.
    pub(crate) fn lasting(&self, profile: &Profile) -> Option<Lasting> {
        let text = self.lasting.as_ref()?;
        let all = LastingUnknown::all(profile);
        let known = |code: &String| all.iter().find(|u| u.code() == *code).copied();
        Some(Lasting {
            unknowns: text.unknowns.iter().map(known).collect::<Option<_>>()?,
            information: text.information.clone(),
            pull: text.pull.clone(),
        })
    }

    pub(crate) fn closed_v(&self) -> Option<f64> {
        self.closed_v
    }

    pub(crate) fn sweep(&self) -> Vec<SweepPoint> {
        let points = self.sweep.iter().map(|p| SweepPoint {
            body: p.body,
            over_stop_deg: p.over_stop_deg,
            ln_area: p.ln_area,
            sd: p.sd,
        });
        points.collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn readings_of_the_practice_engine_leave_nothing_to_history_and_library() {
        let profile = include_str!("../../../examples/jobs/healthy/profile.toml");
        let profile = Profile::from_toml("profile.toml", profile).unwrap();
        let text = include_str!("../../../examples/jobs/healthy/job.toml");
        let left = |text: &str| {
            let job = Job::from_toml("job.toml", text, &profile).unwrap();
            let cycles = vec![None; job.readings.len()];
            StandingText::of(&job, &profile, &cycles, &Beside::default())
        };
        assert_ne!(left(text), StandingText::default());
        let marked = text.replacen("[[reading]]\n", "[[reading]]\npractice = true\n", 1);
        assert_ne!(marked, text);
        assert_eq!(left(&marked), StandingText::default());
    }
}

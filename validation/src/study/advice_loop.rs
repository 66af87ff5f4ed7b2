//! Following the advice until the spread is good.
//!
//! A machine with balance errors, bleeds apart, or both is read, assessed and turned as advised; the
//! screws do not do what their figures say. What a workshop repeats (idle with bleeds shut, idle,
//! hold) is read again with the turns noted, and the whole job is assessed anew.

use std::fmt::Write as _;

use evenpull_app::{
    AppError, Individual, PracticePoint, PracticeRequest, PracticeVisit, ReadingTruth, Sampling,
    assess_sampled,
};
use evenpull_diagnose::Assessment;
use evenpull_job::{AdjusterKind, Condition, Profile};

use super::chance::Chance;
use super::kind::{KINDS, Kind};
use super::on_all_cores;

/// Error of a link put in [deg].
const LINK_DEG: (f64, f64) = (0.15, 0.6);
/// Turns a bleed stands beyond its fellows.
const BLEED_TURNS: (f64, f64) = (0.4, 1.0);
/// What a turn of a screw really does over its figure, same for all its turns [-].
const SCREW: f64 = 0.15;
/// What a single turn comes out over what was meant, standard deviation [-].
const HAND: f64 = 0.05;
/// Finest part of a turn that is noted.
const NOTCH: f64 = 1.0 / 32.0;
/// Most rounds tried.
const ROUNDS: usize = 3;
/// Good difference between the bodies [kPa].
const GOOD_KPA: f64 = 1.0;

/// One machine followed through.
#[derive(Debug, Clone, PartialEq)]
pub struct LoopTrial {
    /// Kind of engine.
    pub kind: Kind,
    /// What was put in.
    pub put_in: String,
    /// True differences between the bodies at idle and at hold [kPa], before and after each round.
    pub differ_kpa: Vec<[f64; 2]>,
    /// Why no turn was advised although a difference was left.
    pub stuck: Option<String>,
}

impl LoopTrial {
    /// Rounds it took, `None` if it was not good after the last.
    pub fn rounds(&self) -> Option<usize> {
        self.differ_kpa
            .iter()
            .position(|d| d[0] < GOOD_KPA && d[1] < GOOD_KPA)
    }
}

/// Follows the machine of one seed.
///
/// # Errors
/// As for [`PracticeVisit`] and [`assess_sampled`].
pub fn loop_trial(kind: Kind, seed: u64) -> Result<LoopTrial, AppError> {
    let mut chance = Chance::of(1, seed);
    let loaded = kind.sized(&mut chance)?;
    let profile = &loaded.profile;
    let mut own = Individual::drawn(profile, seed);
    let mut put_in = String::new();
    let what = if profile.couplings.is_empty() {
        3
    } else {
        chance.one_of(4)
    };
    if what < 3 {
        put_in += &links(profile, &mut own, &mut chance);
    }
    let folder = tempfile::tempdir().map_err(|e| AppError::Practice(e.to_string()))?;
    let request = PracticeRequest {
        profile: &loaded,
        faults: &[],
        seed,
    };
    let mut visit = PracticeVisit::begin(&request, &own, folder.path())?;
    if what > 1 {
        let body = &profile.bodies()[chance.one_of(profile.bodies().len())];
        let turns = chance.between(BLEED_TURNS.0, BLEED_TURNS.1);
        visit.turn(&format!("bleed.{body}"), turns, turns)?;
        let _ = write!(put_in, "bleed.{body} {turns:+.2} turns ");
    }
    let plan = visit.plan();
    for point in &plan {
        visit.take(*point)?;
    }
    let again: Vec<PracticePoint> = plan
        .into_iter()
        .filter(|p| p.condition != Condition::Sweep)
        .collect();
    let mut trial = LoopTrial {
        kind,
        put_in,
        differ_kpa: vec![differ(&visit.truth().readings)],
        stuck: None,
    };
    let mut hands = Hands::of(profile, &mut chance);
    for _ in 0..ROUNDS {
        if trial.rounds().is_some() {
            break;
        }
        visit.write()?;
        let found = assess_sampled(folder.path(), Sampling::Laplace, &mut |_, _| {})?.assessment;
        if !hands.follow(profile, &found, &mut visit, &mut chance)? {
            trial.stuck = Some(why(&found));
            break;
        }
        for point in &again {
            visit.take(*point)?;
        }
        trial.differ_kpa.push(differ(&visit.truth().readings));
    }
    Ok(trial)
}

/// Puts errors into one link or more.
fn links(profile: &Profile, own: &mut Individual, chance: &mut Chance) -> String {
    let mut text = String::new();
    let sure = chance.one_of(profile.couplings.len());
    for (c, coupling) in profile.couplings.iter().enumerate() {
        if c != sure && !chance.chance(0.5) {
            continue;
        }
        let deg = chance.either(LINK_DEG.0, LINK_DEG.1);
        for &b in &coupling.driven {
            own.link_deg[b] += deg;
        }
        let _ = write!(text, "{} {deg:+.2} deg ", coupling.adjuster);
    }
    text
}

/// The mechanic's hands: what each screw does over its figure.
struct Hands {
    screws: Vec<(String, f64)>,
}

impl Hands {
    fn of(profile: &Profile, chance: &mut Chance) -> Self {
        let screws = profile
            .adjusters()
            .into_iter()
            .filter(|a| !a.kind.is_sealed())
            .map(|a| (a.name, 1.0 + chance.between(-SCREW, SCREW)))
            .collect();
        Self { screws }
    }

    /// Turns what is advised; false if nothing is.
    fn follow(
        &mut self,
        profile: &Profile,
        found: &Assessment,
        visit: &mut PracticeVisit<'_>,
        chance: &mut Chance,
    ) -> Result<bool, AppError> {
        let mut turned = false;
        for step in &found.advice {
            let (Some(adjuster), Some(by)) = (profile.adjuster(&step.adjuster), step.turns) else {
                continue;
            };
            if !matches!(adjuster.kind, AdjusterKind::Balance | AdjusterKind::Bleed) {
                continue;
            }
            let size = (by.value / NOTCH).round() * NOTCH;
            let noted = if step.way == adjuster.less {
                -size
            } else {
                size
            };
            let screw = self.screws.iter().find(|(name, _)| *name == adjuster.name);
            let made = noted * screw.map_or(1.0, |s| s.1) * (1.0 + chance.normal(HAND));
            visit.turn(&adjuster.name, noted, made)?;
            turned |= size > 0.0;
        }
        Ok(turned)
    }
}

/// Differences at the last idle and the last hold [kPa].
fn differ(readings: &[ReadingTruth]) -> [f64; 2] {
    [Condition::Idle, Condition::Hold].map(|wanted| {
        readings
            .iter()
            .rfind(|r| r.condition == wanted.as_str())
            .map_or(f64::NAN, |r| {
                let d = &r.mean_depression_kpa;
                let high = d.iter().copied().fold(f64::NEG_INFINITY, f64::max);
                high - d.iter().copied().fold(f64::INFINITY, f64::min)
            })
    })
}

/// What the answer said instead of a turn.
fn why(found: &Assessment) -> String {
    let causes: Vec<String> = found
        .causes
        .iter()
        .take(2)
        .map(|c| {
            let body = c.body.as_deref().unwrap_or("-");
            format!("{:?} {body} {:.2}", c.members, c.probability)
        })
        .collect();
    let steps: Vec<&str> = found.advice.iter().map(|a| a.adjuster.as_str()).collect();
    let codes: Vec<&str> = found.notices.iter().map(|n| n.code).collect();
    let joined: Vec<String> = found
        .readings
        .iter()
        .flat_map(|r| {
            let all = r.cycle.iter().flat_map(|c| &c.notices);
            all.filter(|n| n.code == "cross-flow")
                .map(|n| format!("{}: {}", r.label, n.text))
        })
        .collect();
    let open = if found.undetermined {
        "undetermined "
    } else {
        ""
    };
    format!(
        "{open}causes {}; advice {}; notices {}; {}",
        causes.join(", "),
        steps.join(", "),
        codes.join(", "),
        joined.join("; ")
    )
}

/// Trials sorted into a table.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct LoopTable {
    /// Every trial.
    pub trials: Vec<LoopTrial>,
}

/// Follows `jobs` machines, going round the kinds.
///
/// # Errors
/// As for [`loop_trial`].
pub fn run_loops(jobs: u64) -> Result<LoopTable, AppError> {
    let trials = on_all_cores(jobs, |seed| {
        loop_trial(KINDS[seed as usize % KINDS.len()], 4_000 + seed)
    })?;
    Ok(LoopTable { trials })
}

impl LoopTable {
    /// Share of the machines that needed a turn and were good after at most `rounds`.
    pub fn within(&self, rounds: usize) -> f64 {
        share(&self.needing(|_| true), rounds)
    }

    fn needing(&self, pick: impl Fn(&LoopTrial) -> bool) -> Vec<&LoopTrial> {
        self.trials
            .iter()
            .filter(|t| t.rounds() != Some(0) && pick(t))
            .collect()
    }

    /// The table as printed; `wrong` lists the machines that took more than two rounds.
    pub fn text(&self, wrong: bool) -> String {
        let mut out = format!(
            "{:<24} {:>5} {:>9} {:>9} {:>9}  difference before, after two rounds [kPa, 95 %]\n",
            "kind", "jobs", "1 round", "2 rounds", "no turn"
        );
        let mut row = |title: &str, trials: &[&LoopTrial]| {
            if trials.is_empty() {
                return;
            }
            let worst = |at: usize| {
                let mut all: Vec<f64> = trials
                    .iter()
                    .filter_map(|t| t.differ_kpa.get(at).or(t.differ_kpa.last()))
                    .map(|d| d[0].max(d[1]))
                    .collect();
                all.sort_by(f64::total_cmp);
                all[((all.len() - 1) as f64 * 0.95).round() as usize]
            };
            let stuck = trials.iter().filter(|t| t.stuck.is_some()).count();
            let _ = writeln!(
                out,
                "{title:<24} {:>5} {:>7.1} % {:>7.1} % {stuck:>9}  {:.1} -> {:.1}",
                trials.len(),
                100.0 * share(trials, 1),
                100.0 * share(trials, 2),
                worst(0),
                worst(2)
            );
        };
        for kind in KINDS {
            row(&kind.title(), &self.needing(|t| t.kind == kind));
        }
        row("all", &self.needing(|_| true));
        if wrong {
            for t in self.needing(|t| t.rounds().is_none_or(|r| r > 2)) {
                let _ = writeln!(
                    out,
                    "{}: {}differ {:.1?} {}",
                    t.kind.title(),
                    t.put_in,
                    t.differ_kpa,
                    t.stuck.as_deref().unwrap_or("")
                );
            }
        }
        out
    }
}

fn share(trials: &[&LoopTrial], rounds: usize) -> f64 {
    let good = trials
        .iter()
        .filter(|t| t.rounds().is_some_and(|r| r <= rounds))
        .count();
    good as f64 / trials.len().max(1) as f64
}

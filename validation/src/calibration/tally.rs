//! Counting answers against what was put in, and the table.

use std::collections::BTreeMap;
use std::fmt::Write as _;

use evenpull_diagnose::{Assessment, Cause, CauseCode, Interval};

use super::draw::Evidence;
use super::fault::{GRADED, Truth};

/// Edges of the bins of stated probability; causes below the first are not listed.
pub(super) const EDGES: [f64; 8] = [0.01, 0.05, 0.2, 0.4, 0.6, 0.8, 0.95, 1.0];

/// How many of how many.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Share {
    /// Of those.
    pub hits: u32,
    /// All.
    pub all: u32,
}

impl Share {
    /// Counts one.
    pub fn count(&mut self, hit: bool) {
        self.all += 1;
        self.hits += u32::from(hit);
    }

    /// Share in 0..=1; `NaN` of nothing.
    pub fn share(self) -> f64 {
        f64::from(self.hits) / f64::from(self.all)
    }

    fn add(&mut self, other: Self) {
        self.hits += other.hits;
        self.all += other.all;
    }

    fn text(self) -> String {
        if self.all == 0 {
            return "none".to_owned();
        }
        let percent = 100.0 * self.share();
        format!("{percent:5.1} %  ({} of {})", self.hits, self.all)
    }
}

/// Verdicts of one kind of visit.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Verdicts {
    /// Faulty jobs with a right cause (or its family) in the lead.
    pub right: Share,
    /// Faulty jobs left undetermined.
    pub undetermined: Share,
    /// Faulty jobs with a wrong cause in the lead that were not left undetermined.
    pub wrong_and_sure: Share,
    /// Sound jobs called faulty and not left undetermined.
    pub alarms: Share,
    /// Sound jobs left undetermined.
    pub sound_open: Share,
}

impl Verdicts {
    fn rows(&self) -> [(&'static str, Share); 5] {
        [
            ("right cause leads", self.right),
            ("faulty, undetermined", self.undetermined),
            ("faulty, wrong and sure", self.wrong_and_sure),
            ("sound called faulty", self.alarms),
            ("sound, undetermined", self.sound_open),
        ]
    }
}

/// One bin of stated probabilities.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Bin {
    /// Causes in it that were there.
    pub there: Share,
    /// Sum of the stated probabilities.
    pub stated: f64,
}

impl Bin {
    /// Counts a cause of stated probability `p`.
    pub(super) fn count(&mut self, p: f64, there: bool) {
        self.there.count(there);
        self.stated += p;
    }

    pub(super) fn add(&mut self, other: Self) {
        self.there.add(other.there);
        self.stated += other.stated;
    }

    /// Mean of the stated probabilities.
    pub fn mean(&self) -> f64 {
        self.stated / f64::from(self.there.all.max(1))
    }
}

/// Bin of a stated probability.
pub(super) fn bin_of(p: f64) -> usize {
    let upper = &EDGES[1..];
    upper
        .iter()
        .position(|&e| p <= e)
        .unwrap_or(upper.len() - 1)
}

/// Rows of a table of bins.
pub(super) fn stated_rows(out: &mut String, bins: &[Bin]) {
    for (edge, bin) in EDGES.windows(2).zip(bins) {
        let what = format!(
            "{:.2} to {:.2}: {:.1} %",
            edge[0],
            edge[1],
            100.0 * bin.mean()
        );
        let _ = writeln!(out, "  {what:<28} {}", bin.there.text());
    }
}

/// All counts.
#[derive(Debug, Clone, Default)]
pub struct Tally {
    /// 90 % intervals that hold the truth, by parameter.
    pub coverage: BTreeMap<&'static str, Share>,
    /// Verdicts by kind of visit.
    pub verdicts: BTreeMap<Evidence, Verdicts>,
    /// Bins of stated probability over all listed causes, with full readings.
    pub bins: [Bin; EDGES.len() - 1],
    /// The same by the cause named instead of by its probability: whose probabilities are too high or low.
    pub by_cause: BTreeMap<CauseCode, Bin>,
    /// Right ones by what was put in, with full readings.
    pub by_fault: BTreeMap<CauseCode, Share>,
    /// What went wrong, one line each.
    pub wrong: Vec<String>,
}

impl Tally {
    /// Adds one job.
    pub fn add(&mut self, seed: u64, truth: &Truth, answer: &Assessment) {
        self.intervals(truth, answer);
        self.verdict(seed, truth, answer);
        if truth.evidence == Evidence::Full {
            self.reliability(truth, answer);
        }
    }

    /// Adds the counts of another tally.
    pub fn merge(&mut self, other: Self) {
        for (what, share) in other.coverage {
            self.coverage.entry(what).or_default().add(share);
        }
        for (what, share) in other.by_fault {
            self.by_fault.entry(what).or_default().add(share);
        }
        for (kind, v) in other.verdicts {
            let own = self.verdicts.entry(kind).or_default();
            own.right.add(v.right);
            own.undetermined.add(v.undetermined);
            own.wrong_and_sure.add(v.wrong_and_sure);
            own.alarms.add(v.alarms);
            own.sound_open.add(v.sound_open);
        }
        for (own, bin) in self.bins.iter_mut().zip(other.bins) {
            own.add(bin);
        }
        for (code, bin) in other.by_cause {
            self.by_cause.entry(code).or_default().add(bin);
        }
        self.wrong.extend(other.wrong);
    }

    fn intervals(&mut self, truth: &Truth, answer: &Assessment) {
        let mut see = |what: &'static str, i: &Interval, value: f64| {
            let holds = (i.lo90..=i.hi90).contains(&value);
            self.coverage.entry(what).or_default().count(holds);
        };
        for (b, found) in answer.bodies.iter().enumerate() {
            see("offset", &found.offset_deg, truth.offset_deg[b]);
            see("leak", &found.leak_mm2, truth.leak_mm2[b]);
            see("bleed", &found.bleed_mm2, truth.bleed_mm2[b]);
        }
        let gap = |v: &[f64]| v[0] - v[1];
        if let Some(d) = &answer.difference {
            let names = if truth.evidence == Evidence::Gauges {
                ["offset difference, gauges", "leak difference, gauges"]
            } else {
                ["offset difference", "leak difference"]
            };
            see(names[0], &d.offset_deg, gap(&truth.offset_deg));
            see(names[1], &d.leak_mm2, gap(&truth.leak_mm2));
        }
    }

    fn verdict(&mut self, seed: u64, truth: &Truth, answer: &Assessment) {
        let own = self.verdicts.entry(truth.evidence).or_default();
        let hit = leading(truth, answer).is_some_and(|c| names_a_fault(truth, c));
        let sure = !answer.undetermined;
        if !truth.faults.is_empty() {
            own.right.count(hit);
            own.undetermined.count(!sure);
            own.wrong_and_sure.count(!hit && sure);
            if truth.evidence == Evidence::Full {
                for (code, _) in &truth.faults {
                    self.by_fault.entry(*code).or_default().count(hit);
                }
            }
            if !hit {
                self.note(seed, truth, answer);
            }
        } else if truth.arguable.is_empty() {
            own.alarms.count(!hit && sure);
            own.sound_open.count(!sure);
            if !hit {
                self.note(seed, truth, answer);
            }
        }
    }

    fn note(&mut self, seed: u64, truth: &Truth, answer: &Assessment) {
        let causes: Vec<String> = answer
            .causes
            .iter()
            .take(3)
            .map(|c| {
                let body = c.body.as_deref().unwrap_or("-");
                format!("{:?} {body} {:.2}", c.members, c.probability)
            })
            .collect();
        let open = if answer.undetermined {
            " (undetermined)"
        } else {
            ""
        };
        let law = if truth.rigid { "rigid" } else { "one-way" };
        self.wrong.push(format!(
            "{seed} {:?} {law} {:?} arguable {:?} offset {:.2?} leak {:.2?} bleed {:.2?}: {}{open}",
            truth.evidence,
            truth.faults,
            truth.arguable,
            truth.offset_deg,
            truth.leak_mm2,
            truth.bleed_mm2,
            causes.join(", ")
        ));
    }

    /// A probability says that a cause is there by the assessment's own limits, so that is counted;
    /// what a verdict may call either way is neither there nor absent only where it has no such limit.
    fn reliability(&mut self, truth: &Truth, answer: &Assessment) {
        let mut truth = truth.clone();
        truth.faults.retain(|(code, _)| !GRADED.contains(code));
        truth.faults.append(&mut truth.graded);
        truth.arguable.retain(|code| !GRADED.contains(code));
        for cause in &answer.causes {
            if cause.members.iter().any(|m| truth.arguable.contains(m))
                || (cause.code == CauseCode::None && !truth.arguable.is_empty())
            {
                continue;
            }
            let p = cause.probability;
            let there = names_a_fault(&truth, cause);
            self.bins[bin_of(p)].count(p, there);
            self.by_cause.entry(cause.code).or_default().count(p, there);
        }
    }

    /// The table as printed.
    pub fn table(&self) -> String {
        let mut out = String::from("90 % intervals that hold the truth\n");
        let row = |out: &mut String, what: &str, share: Share| {
            let _ = writeln!(out, "  {what:<28} {}", share.text());
        };
        for (what, share) in &self.coverage {
            row(&mut out, what, *share);
        }
        for (kind, verdicts) in &self.verdicts {
            let _ = writeln!(out, "verdicts, readings: {kind:?}");
            for (what, share) in verdicts.rows() {
                row(&mut out, what, share);
            }
        }
        out += "right cause leads, by what was put in (Full)\n";
        for (code, share) in &self.by_fault {
            row(&mut out, &format!("{code:?}"), *share);
        }
        out += "stated probability, and how often the cause was there (Full)\n";
        stated_rows(&mut out, &self.bins);
        out +=
            "the same by the cause named: how many its probabilities stated, how many were there\n";
        for (code, bin) in &self.by_cause {
            let what = format!("{code:?}: {:.1}", bin.stated);
            row(&mut out, &what, bin.there);
        }
        out
    }
}

/// The cause that leads. One that may be called either way and stands beside another as good as certain
/// gives way to it: both are told, and the order of the two says nothing.
fn leading<'a>(truth: &Truth, answer: &'a Assessment) -> Option<&'a Cause> {
    let arguable = |c: &Cause| c.members.iter().any(|m| truth.arguable.contains(m));
    let first = answer.causes.first()?;
    let beside = answer
        .causes
        .iter()
        .find(|c| !arguable(c) && c.probability >= AS_GOOD_AS_CERTAIN);
    if arguable(first) {
        beside.or(Some(first))
    } else {
        Some(first)
    }
}

/// Probability of a cause that the answer states as a fact, whatever stands beside it.
const AS_GOOD_AS_CERTAIN: f64 = 0.95;

/// True if a cause, or its family, is among what was put in; `None` if nothing was.
pub(super) fn names_a_fault(truth: &Truth, cause: &Cause) -> bool {
    if cause.code == CauseCode::None {
        return truth.faults.is_empty();
    }
    truth.faults.iter().any(|(code, body)| {
        // Under a rigid rod nothing but a seal says which of the stops it is.
        let plates = [CauseCode::StopIn, CauseCode::CableTight];
        let anywhere = truth.rigid && plates.contains(code);
        let here = anywhere || body.is_none() || cause.body.is_none() || *body == cause.body;
        cause.members.contains(code) && here
    })
}

//! What the readings of one visit say of the unknowns that are the machine's, not the visit's.
//!
//! A normal likelihood in information form, `ln L = -u' L u / 2 + h' u`: the directions that a visit
//! tells nothing of simply carry nothing, and what several visits say adds up. Priors are taken out, and
//! so is what was carried over from elsewhere, so nothing is counted twice.

use evenpull_job::{Job, Profile};
use evenpull_trace::CycleReading;
use nalgebra::{DMatrix, DVector};

use crate::evidence::Evidence;
use crate::hypothesis::{self, Hypothesis, Prior};
use crate::model::{Model, Space};
use crate::posterior::{Fitted, SLOPE_SD, VALVE_PLACE, fit_all};
use crate::record::{DRIFT, Record};

/// An unknown of the machine.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum LastingUnknown {
    /// Logarithm of the common scale V/n over its nominal [-].
    Scale,
    /// Its change per logarithm of speed [-].
    Tilt,
    /// Wall heat as an added area [mm2].
    Heat,
    /// Logarithm of the idle valve's area per step over the profile's [-].
    Valve,
    /// Shut angle over the profile's [deg].
    Shut,
    /// Logarithm of the plates' discharge over the profile's [-].
    Discharge,
    /// Logarithm of how depression changes with area over the filling model's figure [-].
    Slope,
    /// Air that the engine asks for at idle beyond a usual one, in the idle valve's travel [-].
    Need,
    /// Logarithm of a bleed's area per turn over the profile's, by body [-].
    Bleed(usize),
    /// Logarithm of what a turn of a coupling's adjuster does over the profile's figure [-].
    PerTurn(usize),
}

impl LastingUnknown {
    /// Every unknown of a profile.
    pub fn all(profile: &Profile) -> Vec<Self> {
        let mut all = vec![
            Self::Scale,
            Self::Tilt,
            Self::Heat,
            Self::Valve,
            Self::Shut,
            Self::Discharge,
            Self::Slope,
            Self::Need,
        ];
        all.extend((0..profile.bodies().len()).map(Self::Bleed));
        all.extend((0..profile.couplings.len()).map(Self::PerTurn));
        all
    }

    /// The word used in files; bodies and couplings are counted from 0.
    pub fn code(self) -> String {
        match self {
            Self::Scale => "ln_scale".to_owned(),
            Self::Tilt => "tilt".to_owned(),
            Self::Heat => "heat_mm2".to_owned(),
            Self::Valve => "ln_valve".to_owned(),
            Self::Shut => "shut_deg".to_owned(),
            Self::Discharge => "ln_discharge".to_owned(),
            Self::Slope => "ln_slope".to_owned(),
            Self::Need => "need".to_owned(),
            Self::Bleed(b) => format!("ln_bleed.{b}"),
            Self::PerTurn(c) => format!("ln_per_turn.{c}"),
        }
    }

    /// The unknown of a word, of those a profile has.
    pub fn of_code(profile: &Profile, code: &str) -> Option<Self> {
        Self::all(profile).into_iter().find(|u| u.code() == code)
    }

    /// In words.
    pub fn words(self) -> &'static str {
        match self {
            Self::Scale => "scale V/n (ln)",
            Self::Tilt => "its change with speed",
            Self::Heat => "wall heat (mm2)",
            Self::Valve => "idle valve per step (ln)",
            Self::Shut => "shut angle (deg)",
            Self::Discharge => "discharge (ln)",
            Self::Slope => "depression over area (ln)",
            Self::Need => "idle air asked for (travel)",
            Self::Bleed(_) => "bleed per turn (ln)",
            Self::PerTurn(_) => "adjuster per turn (ln)",
        }
    }

    /// What the profile alone says: mean and standard deviation over machines.
    pub(crate) fn expected(self, profile: &Profile) -> (f64, f64) {
        match self {
            Self::Scale => (0.0, profile.refill.scale_sd_percent / 100.0),
            Self::Tilt => (0.0, 0.01),
            Self::Heat => (0.05, 0.15),
            Self::Valve => (0.0, 0.15),
            Self::Shut => (0.0, 0.2),
            Self::Discharge => (0.0, 0.05),
            Self::Slope => (0.0, SLOPE_SD),
            Self::Need => (0.0, VALVE_PLACE.1),
            Self::Bleed(_) => (0.0, 0.1),
            Self::PerTurn(_) => (0.0, 0.2),
        }
    }

    /// What the fit of a job holds it by: mean and standard deviation.
    pub(crate) fn prior(self, priors: &[Prior], space: &Space) -> (f64, f64) {
        let own = priors[self.place(space)];
        match self {
            // Its spread over machines stands among the residuals, beside a wide prior.
            Self::Need => (
                0.0,
                (own.sd.powi(-2) + VALVE_PLACE.1.powi(-2)).sqrt().recip(),
            ),
            _ => (own.mean, own.sd),
        }
    }

    pub(crate) fn place(self, space: &Space) -> usize {
        match self {
            Self::Scale => Space::LN_SCALE,
            Self::Tilt => Space::TILT,
            Self::Heat => Space::HEAT,
            Self::Valve => Space::LN_VALVE,
            Self::Shut => Space::SHUT,
            Self::Discharge => Space::LN_DISCHARGE,
            Self::Slope => Space::LN_SLOPE,
            Self::Need => Space::NEED,
            Self::Bleed(b) => space.ln_bleed(b),
            Self::PerTurn(c) => space.ln_per_turn(c),
        }
    }
}

/// The word of one visit on the lasting unknowns, in their own units.
#[derive(Debug, Clone, PartialEq)]
pub struct Lasting {
    /// Which they are.
    pub unknowns: Vec<LastingUnknown>,
    /// Information matrix, row by row.
    pub information: Vec<Vec<f64>>,
    /// Information times the value.
    pub pull: Vec<f64>,
}

impl Lasting {
    /// From the readings of a sound machine; `None` where they carry no areas to trust or cannot be
    /// fitted. Whether the machine is sound is for the caller to know.
    ///
    /// `cycles`: one entry per reading, as for [`assess`](crate::assess).
    pub fn of_sound(job: &Job, profile: &Profile, cycles: &[Option<CycleReading>]) -> Option<Self> {
        let refs: Vec<Option<&CycleReading>> = cycles.iter().map(Option::as_ref).collect();
        let evidence = Evidence::of(job, profile, &refs);
        if !evidence.has_areas() || evidence.cross_flow || evidence.is_crossed() {
            return None;
        }
        let model = Model::new(profile, &evidence);
        let mut hypotheses = hypothesis::all(job, profile, &model.space, &evidence);
        hypotheses.retain(Hypothesis::is_sound);
        let fitted = fit_all(&model, &evidence, hypotheses).ok()?;
        Self::of_fit(fitted.first()?, profile, &model.space, &evidence)
    }

    fn of_fit(fit: &Fitted, profile: &Profile, space: &Space, evidence: &Evidence) -> Option<Self> {
        let priors = &fit.hypothesis.priors;
        let unknowns = free(profile, space, priors, evidence);
        let places: Vec<usize> = unknowns.iter().map(|u| u.place(space)).collect();
        let n = places.len();
        let covariance = fit.covariance(&places);
        // In units of the priors, whose precision is one then.
        let beside: Vec<(f64, f64)> = (unknowns.iter()).map(|u| u.prior(priors, space)).collect();
        let sd = |i: usize| beside[i].1;
        let scaled = DMatrix::from_fn(n, n, |i, j| covariance[(i, j)] / (sd(i) * sd(j)));
        let precision = scaled.try_inverse()?;
        let mode = DVector::from_fn(n, |i, _| (fit.mode[places[i]] - beside[i].0) / sd(i));
        let pull = &precision * mode;
        let told = precision - DMatrix::identity(n, n);
        let information = DMatrix::from_fn(n, n, |i, j| told[(i, j)] / (sd(i) * sd(j)));
        let means = DVector::from_fn(n, |i, _| beside[i].0);
        let from_zero = &information * means;
        Some(Self {
            unknowns,
            pull: (0..n).map(|i| pull[i] / sd(i) + from_zero[i]).collect(),
            information: rows(&information),
        })
    }

    /// Information and pull over all unknowns of `order`; what this visit does not name carries
    /// nothing. `None` if the matrix is not of its length or holds what is no number.
    pub(crate) fn over(&self, order: &[LastingUnknown]) -> Option<(DMatrix<f64>, DVector<f64>)> {
        let n = self.unknowns.len();
        let square = self.information.len() == n
            && self.pull.len() == n
            && self.information.iter().all(|row| row.len() == n);
        let sound =
            square && (self.information.iter().flatten().chain(&self.pull)).all(|v| v.is_finite());
        let at: Vec<Option<usize>> = order
            .iter()
            .map(|u| self.unknowns.iter().position(|own| own == u))
            .collect();
        sound.then(|| {
            let m = order.len();
            let matrix = DMatrix::from_fn(m, m, |i, j| match (at[i], at[j]) {
                // Rounding must not leave it lopsided.
                (Some(a), Some(b)) => 0.5 * (self.information[a][b] + self.information[b][a]),
                _ => 0.0,
            });
            let pull = DVector::from_fn(m, |i, _| at[i].map_or(0.0, |a| self.pull[a]));
            (matrix, pull)
        })
    }
}

/// Lasting unknowns that a job leaves open. Turns that nobody noted tell nothing of what a turn does.
pub(crate) fn free(
    profile: &Profile,
    space: &Space,
    priors: &[Prior],
    evidence: &Evidence,
) -> Vec<LastingUnknown> {
    let mut all = LastingUnknown::all(profile);
    all.retain(|u| !priors[u.place(space)].is_fixed());
    all.retain(|u| !(evidence.bleeds_assumed && matches!(u, LastingUnknown::Bleed(_))));
    all
}

/// What several visits of this machine say, as rows beside the priors of a job.
pub(crate) fn own_record(
    lasting: &[Lasting],
    profile: &Profile,
    space: &Space,
    priors: &[Prior],
    evidence: &Evidence,
) -> Option<Record> {
    let unknowns = free(profile, space, priors, evidence);
    let all = LastingUnknown::all(profile);
    let (mut information, mut pull) = lasting.first()?.over(&all)?;
    for more in &lasting[1..] {
        let (i, p) = more.over(&all)?;
        information += i;
        pull += p;
    }
    // What is not an unknown of this job is summed over under the profile's own prior.
    let chosen: Vec<usize> = positions(&all, &unknowns);
    let prior = DMatrix::from_fn(all.len(), all.len(), |i, j| match i == j {
        true => all[i].expected(profile).1.powi(-2),
        false => 0.0,
    });
    let means = DVector::from_fn(all.len(), |i, _| all[i].expected(profile).0);
    let covariance = (&information + &prior).try_inverse()?;
    let mean = &covariance * (pull + &prior * means);
    let places: Vec<usize> = unknowns.iter().map(|u| u.place(space)).collect();
    let expected: Vec<(f64, f64)> = unknowns.iter().map(|u| u.expected(profile)).collect();
    let part = DMatrix::from_fn(chosen.len(), chosen.len(), |i, j| {
        covariance[(chosen[i], chosen[j])]
    });
    let mean: Vec<f64> = chosen.iter().map(|&i| mean[i]).collect();
    Record::of_normal(places, &expected, &mean, &part, DRIFT)
}

pub(crate) fn positions(all: &[LastingUnknown], some: &[LastingUnknown]) -> Vec<usize> {
    some.iter()
        .filter_map(|u| all.iter().position(|a| a == u))
        .collect()
}

pub(crate) fn rows(matrix: &DMatrix<f64>) -> Vec<Vec<f64>> {
    matrix
        .row_iter()
        .map(|row| row.iter().copied().collect())
        .collect()
}

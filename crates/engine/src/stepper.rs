//! State and integrator of a running engine.
//!
//! Cylinders whose runners do not reach each other are integrated each by itself, with its own steps;
//! coupled ones together. A step never crosses a valve event or the start or end of a burn. The
//! classical Runge-Kutta method of fourth order takes the rows of equal crank angle one by one, several at
//! once where no valve is open and nothing burns; where a volume equalises faster than the step
//! (open valve, little pressure difference) the stabilised method takes over, or the step is cut.
//! No allocation once built.

use std::ops::Range;

use crate::model::{CylinderModel, Geometry, Model};
use crate::rates::TOTALS;
use crate::stabilised::{self, Stage};
use crate::valve::wrap_720;

/// Longest step times fastest rate [-]; the classical method is stable to 2.78 on the real axis.
const STIFFNESS_LIMIT: f64 = 2.0;
/// The stabilised method takes over above this step times rate [-]: below, two steps of the classical
/// method do, and are two orders better.
const STABILISED_ABOVE: f64 = 3.0;
/// Room for the rates to grow within a step of the stabilised method [-].
const SAFETY: f64 = 1.3;
/// Rows taken at once where nothing happens.
const QUIET_ROWS: usize = 4;
/// Longest step where nothing happens [deg]; the work on a piston changes by less than 1e-4 against half of it.
const QUIET_DEG: f64 = 20.0;
/// Step times fastest rate that is still quiet [-].
const QUIET_LIMIT: f64 = 1.0;
/// Angles closer than this are one event [deg].
const SAME_ANGLE_DEG: f64 = 1e-9;

/// What happens at an angle beyond a kink in the areas.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Event {
    /// A valve opens or shuts, a burn ends: the step ends here, nothing else.
    Kink,
    /// A burn starts: the trapped air decides its heat.
    Spark(usize),
}

/// The row that is due.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Rows {
    pub(crate) row: usize,
    pub(crate) step_deg: f64,
    /// Rows in a cycle.
    pub(crate) of: usize,
    /// Whether pressures at rows within a long step will be asked for.
    pub(crate) recorded: bool,
}

/// Mass and energy next to the body with their slopes [per s] at an angle.
#[derive(Debug, Clone, Copy, Default)]
struct Knot {
    deg: f64,
    value: [f64; 2],
    slope: [f64; 2],
}

/// Cylinders integrated together.
#[derive(Debug, Clone)]
struct Group {
    cylinders: Range<usize>,
    slots: Range<usize>,
    /// Those of them on which slopes depend; the totals of a single cylinder come after.
    driving: Range<usize>,
    /// By rising angle [deg].
    events: Vec<(f64, Event)>,
    next_event: usize,
    /// Integrated up to this angle [deg].
    at_deg: f64,
    /// Integrated up to the start of this row.
    row: usize,
    /// Where the last geometry stands, if the next step can use it [deg].
    geometry_deg: Option<f64>,
    /// Where the first slope stands, and the fastest rate there [deg, 1/s].
    slope: Option<(f64, f64)>,
}

/// State and integrator.
#[derive(Debug, Clone)]
pub(crate) struct Stepper {
    pub(crate) state: Vec<f64>,
    work: [Vec<f64>; 5],
    geometry: [Vec<Geometry>; 3],
    groups: Vec<Group>,
    /// Ends of the last long step of every cylinder.
    ends: Vec<[Knot; 2]>,
    /// Whether the stabilised method may be used: not with gas columns, which swing.
    stabilised: bool,
}

impl Stepper {
    pub(crate) fn new(model: &Model) -> Self {
        let (state, n) = (model.rest_state(), model.cylinders.len());
        let mut stepper = Self {
            work: std::array::from_fn(|_| vec![0.0; state.len()]),
            geometry: std::array::from_fn(|_| vec![Geometry::default(); n]),
            groups: Vec::new(),
            ends: vec![[Knot::default(); 2]; n],
            stabilised: model.cylinders.iter().all(|c| c.cells == 1),
            state,
        };
        stepper.regroup(model);
        stepper
    }

    /// Takes over which cylinders are coupled.
    pub(crate) fn regroup(&mut self, model: &Model) {
        let group = |cylinders: Range<usize>, slots: Range<usize>, driving_end: usize| Group {
            cylinders,
            driving: slots.start..driving_end,
            slots,
            events: Vec::new(),
            next_event: 0,
            at_deg: 0.0,
            row: 0,
            geometry_deg: None,
            slope: None,
        };
        self.groups.clear();
        if model.is_coupled() {
            let all = model.state_len();
            self.groups
                .push(group(0..model.cylinders.len(), 0..all, all));
        } else {
            let single =
                |(i, c): (usize, &CylinderModel)| group(i..i + 1, c.slots(), c.totals_at());
            self.groups
                .extend(model.cylinders.iter().enumerate().map(single));
        }
        self.set_events(model);
    }

    /// True when all cylinders are integrated together for their coupling.
    pub(crate) fn is_coupled(&self) -> bool {
        self.groups.iter().any(|g| g.slots.end == self.state.len())
    }

    pub(crate) fn groups(&self) -> usize {
        self.groups.len()
    }

    /// Works out the events anew; burns start at other angles at another speed.
    pub(crate) fn set_events(&mut self, model: &Model) {
        for group in &mut self.groups {
            group.events.clear();
            for i in group.cylinders.clone() {
                let c = &model.cylinders[i];
                let mut push = |deg: f64, event: Event| {
                    let at_deg = wrap_720(c.spec.intake_start_deg + deg);
                    group.events.push((at_deg, event));
                };
                for valve in [&c.spec.intake, &c.spec.exhaust] {
                    push(valve.opens_deg, Event::Kink);
                    push(valve.closes_deg, Event::Kink);
                }
                if let Some(law) = c.spec.heat {
                    push(360.0 + c.burn_start_deg, Event::Spark(i));
                    push(360.0 + c.burn_start_deg + law.duration_deg, Event::Kink);
                }
            }
            group.events.sort_by(|a, b| a.0.total_cmp(&b.0));
        }
    }

    /// Empties the totals and forgets what a changed setting has made wrong.
    pub(crate) fn start_cycle(&mut self, model: &Model) {
        for c in &model.cylinders {
            self.state[c.totals_at()..c.totals_at() + TOTALS].fill(0.0);
        }
        for group in &mut self.groups {
            (group.next_event, group.row, group.at_deg) = (0, 0, 0.0);
            (group.geometry_deg, group.slope) = (None, None);
        }
    }

    /// Whether group `g` has been integrated beyond the start of `row` already.
    pub(crate) fn is_past(&self, g: usize, row: usize) -> bool {
        self.groups[g].row > row
    }

    /// Integrates group `g` over the row that is due, or further where nothing happens.
    ///
    /// Stops at the start of a burn and returns its cylinder: call again once its heat is known.
    pub(crate) fn advance(&mut self, model: &Model, g: usize, rows: Rows) -> Option<usize> {
        if self.advance_quietly(model, g, rows) {
            return None;
        }
        let end_deg = (rows.row + 1) as f64 * rows.step_deg;
        while let Some((at_deg, event)) = self.due(g, end_deg) {
            let from_deg = self.groups[g].at_deg;
            if at_deg > from_deg + SAME_ANGLE_DEG {
                self.cross(model, g, from_deg, at_deg);
                self.groups[g].at_deg = at_deg;
            }
            self.groups[g].next_event += 1;
            if let Event::Spark(cylinder) = event {
                self.groups[g].slope = None;
                return Some(cylinder);
            }
        }
        self.cross(model, g, self.groups[g].at_deg, end_deg);
        let group = &mut self.groups[g];
        (group.at_deg, group.row) = (end_deg, rows.row + 1);
        None
    }

    /// The next event of group `g` before `end_deg`.
    fn due(&self, g: usize, end_deg: f64) -> Option<(f64, Event)> {
        let group = &self.groups[g];
        group
            .events
            .get(group.next_event)
            .copied()
            .filter(|(at_deg, _)| *at_deg < end_deg)
    }

    /// One step over several rows, if no valve is open, nothing burns and nothing is due.
    fn advance_quietly(&mut self, model: &Model, g: usize, rows: Rows) -> bool {
        let from_deg = rows.row as f64 * rows.step_deg;
        let group = &self.groups[g];
        if group.at_deg > from_deg {
            return false;
        }
        let next_deg = group.events.get(group.next_event).map_or(720.0, |e| e.0);
        // The casts cut off: whole rows before the next event.
        let free = ((next_deg - from_deg) / rows.step_deg) as usize;
        let longest = (QUIET_DEG / rows.step_deg) as usize;
        let taken = free.min(longest).min(QUIET_ROWS).min(rows.of - rows.row);
        if taken < 2 {
            return false;
        }
        let end_row = rows.row + taken;
        let end_deg = end_row as f64 * rows.step_deg;
        let cylinders = group.cylinders.clone();
        let middle = &mut self.geometry[1][cylinders.clone()];
        model.geometry(cylinders.clone(), 0.5 * (from_deg + end_deg), middle);
        if !middle.iter().all(Geometry::is_quiet) {
            return false;
        }
        let fastest = self.first_slope(model, g, from_deg);
        if fastest * (end_deg - from_deg) > QUIET_LIMIT * model.deg_per_s {
            return false;
        }
        if rows.recorded {
            self.tie(model, cylinders.clone(), 0, from_deg);
        }
        self.runge_kutta(model, g, from_deg, end_deg);
        if rows.recorded {
            self.first_slope(model, g, end_deg);
            self.tie(model, cylinders, 1, end_deg);
        }
        let group = &mut self.groups[g];
        (group.at_deg, group.row) = (end_deg, end_row);
        true
    }

    /// Keeps state and first slope as one end of a long step.
    fn tie(&mut self, model: &Model, cylinders: Range<usize>, end: usize, deg: f64) {
        for i in cylinders {
            let at = model.cylinders[i].at;
            self.ends[i][end] = Knot {
                deg,
                value: [self.state[at], self.state[at + 1]],
                slope: [self.work[0][at], self.work[0][at + 1]],
            };
        }
    }

    /// Pressure next to the body [Pa] at `deg`, now or within the last long step that was recorded.
    pub(crate) fn runner_pa(&self, model: &Model, cylinder: usize, deg: f64) -> f64 {
        let c = &model.cylinders[cylinder];
        let [a, b] = &self.ends[cylinder];
        let ahead = self
            .groups
            .iter()
            .any(|g| g.cylinders.contains(&cylinder) && g.at_deg > deg + SAME_ANGLE_DEG);
        if !ahead {
            return c.runner_pa(model.gas, [self.state[c.at], self.state[c.at + 1]]);
        }
        let span_deg = b.deg - a.deg;
        let (x, h) = ((deg - a.deg) / span_deg, span_deg / model.deg_per_s);
        let between = |k: usize| {
            // Cubic through both ends and their slopes, of the order of the step itself.
            let rise = b.value[k] - a.value[k];
            let (left, right) = (h * a.slope[k] - rise, rise - h * b.slope[k]);
            a.value[k] + x * (rise + (1.0 - x) * (left * (1.0 - x) + right * x))
        };
        c.runner_pa(model.gas, [between(0), between(1)])
    }

    /// Integrates group `g` from `from_deg` to `to_deg`, no event between.
    pub(crate) fn cross(&mut self, model: &Model, g: usize, from_deg: f64, to_deg: f64) {
        let mut theta = from_deg;
        while to_deg - theta > SAME_ANGLE_DEG {
            let left_deg = to_deg - theta;
            let z = self.first_slope(model, g, theta) * left_deg / model.deg_per_s;
            let stages = if self.stabilised && z > STABILISED_ABOVE {
                stabilised::method(SAFETY * z)
            } else {
                None
            };
            let mut next = to_deg;
            if let Some(stages) = stages {
                self.runge_kutta_chebyshev(model, g, (theta, to_deg), stages);
            } else {
                if z > STIFFNESS_LIMIT {
                    next = theta + left_deg / (z / STIFFNESS_LIMIT).ceil().min(1e4);
                }
                self.runge_kutta(model, g, theta, next);
            }
            theta = next;
        }
    }

    /// Slope at `theta_deg` into `work[0]`; returns the fastest rate of any volume [1/s].
    fn first_slope(&mut self, model: &Model, g: usize, theta_deg: f64) -> f64 {
        let group = &mut self.groups[g];
        if let Some((at_deg, fastest)) = group.slope
            && at_deg.total_cmp(&theta_deg).is_eq()
        {
            return fastest;
        }
        let cylinders = group.cylinders.clone();
        let [first, _, last] = &mut self.geometry;
        let (first, last) = (&mut first[cylinders.clone()], &mut last[cylinders.clone()]);
        if group.geometry_deg == Some(theta_deg) {
            first.swap_with_slice(last);
            group.geometry_deg = None;
        } else {
            model.geometry(cylinders.clone(), theta_deg, first);
        }
        let fastest = model.rates::<true>(cylinders, first, &self.state, &mut self.work[0]);
        group.slope = Some((theta_deg, fastest));
        fastest
    }

    /// One step of the stabilised method; the first slope is in `work[0]` already.
    fn runge_kutta_chebyshev(
        &mut self,
        model: &Model,
        g: usize,
        (from_deg, to_deg): (f64, f64),
        stages: &[Stage],
    ) {
        let group = &mut self.groups[g];
        (group.slope, group.geometry_deg) = (None, None);
        let (cylinders, slots) = (group.cylinders.clone(), group.slots.clone());
        let geometry = &mut self.geometry[1][cylinders.clone()];
        let [f0, f, older, newer, _] = &mut self.work;
        let (mut older, mut newer) = (older, newer);
        let y = &mut self.state;
        let h = (to_deg - from_deg) / model.deg_per_s;
        let first = h * stages[0].mu_slope;
        older[slots.clone()].copy_from_slice(&y[slots.clone()]);
        add(
            &mut newer[slots.clone()],
            &y[slots.clone()],
            first,
            &f0[slots.clone()],
        );
        for pair in stages.windows(2) {
            let (before, stage) = (pair[0], pair[1]);
            let theta = from_deg + before.place * (to_deg - from_deg);
            model.geometry(cylinders.clone(), theta, geometry);
            model.rates::<false>(cylinders.clone(), geometry, newer, f);
            let n = slots.len();
            let (y, f0, f) = (&y[slots.clone()], &f0[slots.clone()], &f[slots.clone()]);
            let (out, last) = (&mut older[slots.clone()], &newer[slots.clone()]);
            let (y, f0, f, out, last) = (&y[..n], &f0[..n], &f[..n], &mut out[..n], &last[..n]);
            let rest = 1.0 - stage.mu - stage.nu;
            let (by_f, by_f0) = (h * stage.mu_slope, h * stage.nu_slope);
            for i in 0..n {
                out[i] = rest * y[i]
                    + stage.mu * last[i]
                    + stage.nu * out[i]
                    + by_f * f[i]
                    + by_f0 * f0[i];
            }
            std::mem::swap(&mut older, &mut newer);
        }
        y[slots.clone()].copy_from_slice(&newer[slots]);
    }

    /// One step of the classical method; the first slope is in `work[0]` already.
    fn runge_kutta(&mut self, model: &Model, g: usize, from_deg: f64, to_deg: f64) {
        let group = &mut self.groups[g];
        (group.slope, group.geometry_deg) = (None, Some(to_deg));
        let (cylinders, slots) = (group.cylinders.clone(), group.slots.clone());
        let driving = group.driving.clone();
        let [_, middle, end] = &mut self.geometry;
        let middle = &mut middle[cylinders.clone()];
        let end = &mut end[cylinders.clone()];
        let h = (to_deg - from_deg) / model.deg_per_s;
        model.geometry(cylinders.clone(), 0.5 * (from_deg + to_deg), middle);
        model.geometry(cylinders.clone(), to_deg, end);
        let [k1, k2, k3, k4, trial] = &mut self.work;
        let y = &mut self.state;
        let shift = |trial: &mut [f64], by: f64, k: &[f64]| {
            let driving = driving.clone();
            add(
                &mut trial[driving.clone()],
                &y[driving.clone()],
                by,
                &k[driving],
            );
        };
        shift(trial, 0.5 * h, k1);
        model.rates::<false>(cylinders.clone(), middle, trial, k2);
        shift(trial, 0.5 * h, k2);
        model.rates::<false>(cylinders.clone(), middle, trial, k3);
        shift(trial, h, k3);
        model.rates::<false>(cylinders, end, trial, k4);
        let y = &mut y[slots.clone()];
        let n = slots.len();
        let (k1, k2) = (&k1[slots.clone()], &k2[slots.clone()]);
        let (k3, k4) = (&k3[slots.clone()], &k4[slots]);
        let (y, k1, k2, k3, k4) = (&mut y[..n], &k1[..n], &k2[..n], &k3[..n], &k4[..n]);
        let sixth = h / 6.0;
        for i in 0..n {
            y[i] += sixth * (k1[i] + 2.0 * (k2[i] + k3[i]) + k4[i]);
        }
    }
}

/// `out = y + by k`.
fn add(out: &mut [f64], y: &[f64], by: f64, k: &[f64]) {
    for ((out, y), k) in out.iter_mut().zip(y).zip(k) {
        *out = y + by * k;
    }
}

#[cfg(test)]
impl Stepper {
    /// One plain step of the classical method for the first group.
    pub(crate) fn classical_step(&mut self, model: &Model, from_deg: f64, to_deg: f64) {
        self.first_slope(model, 0, from_deg);
        self.runge_kutta(model, 0, from_deg, to_deg);
    }
}

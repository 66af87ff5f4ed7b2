//! State and integrator of a running engine.
//!
//! Cylinders whose runners do not reach each other are integrated each by itself, with its own steps;
//! coupled ones together. A step never crosses a valve event or the start or end of a burn. The
//! classical Runge-Kutta method of fourth order takes the rows of equal crank angle one by one, several at
//! once where no valve is open and nothing burns; where a volume equalises faster than the step
//! (open valve, little pressure difference) the stabilised method takes over, or the step is cut.
//! No allocation once built.

use std::ops::Range;

use crate::methods::{self, Place, Slots};
use crate::model::{CylinderModel, Geometry, Model};
use crate::rates::{PLAIN, PLAIN_GAS, TOTALS};
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
    /// Whether this is one cylinder with one runner volume, which needs no more than its own slots.
    plain: bool,
    /// By rising angle [deg].
    events: Vec<(f64, Event)>,
    next_event: usize,
    /// Integrated up to this angle [deg].
    at_deg: f64,
    /// Whether no valve is open and nothing burns until the next event, once that is known.
    quiet: Option<bool>,
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
    work: [Vec<f64>; 4],
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
        let coupled = model.is_coupled();
        let group = |cylinders: Range<usize>, slots: Range<usize>, driving_end: usize| Group {
            plain: !coupled && model.cylinders[cylinders.start].cells == 1,
            cylinders,
            driving: slots.start..driving_end,
            slots,
            events: Vec::new(),
            next_event: 0,
            at_deg: 0.0,
            quiet: None,
            row: 0,
            geometry_deg: None,
            slope: None,
        };
        self.groups.clear();
        if coupled {
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
                let mut kink = |deg: f64| {
                    let at_deg = wrap_720(c.spec.intake_start_deg + deg);
                    group.events.push((at_deg, Event::Kink));
                };
                for valve in [&c.spec.intake, &c.spec.exhaust] {
                    kink(valve.opens_deg);
                    kink(valve.closes_deg);
                }
                if let Some(burn) = &c.burn {
                    let to_deg = wrap_720(burn.from_deg + burn.duration_deg);
                    group.events.push((burn.from_deg, Event::Spark(i)));
                    group.events.push((to_deg, Event::Kink));
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
            (group.geometry_deg, group.slope, group.quiet) = (None, None, None);
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
            self.groups[g].quiet = None;
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
        if group.quiet == Some(false) {
            return false;
        }
        let next_deg = group.events.get(group.next_event).map_or(720.0, |e| e.0);
        let cylinders = group.cylinders.clone();
        if group.quiet.is_none() {
            let middle_deg = 0.5 * (from_deg + next_deg);
            let quiet = cylinders
                .clone()
                .all(|i| model.geometry_of(i, middle_deg).is_quiet());
            self.groups[g].quiet = Some(quiet);
            if !quiet {
                return false;
            }
        }
        // The casts cut off: whole rows before the next event.
        let free = ((next_deg - from_deg) / rows.step_deg) as usize;
        let longest = (QUIET_DEG / rows.step_deg) as usize;
        let taken = free.min(longest).min(QUIET_ROWS).min(rows.of - rows.row);
        if taken < 2 {
            return false;
        }
        let end_row = rows.row + taken;
        let end_deg = end_row as f64 * rows.step_deg;
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
            let z = self.first_slope(model, g, theta) * left_deg * model.s_per_deg;
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
        let at_end = group.geometry_deg == Some(theta_deg);
        group.geometry_deg = None;
        let cylinders = group.cylinders.clone();
        let fastest = if group.plain {
            let i = cylinders.start;
            let g = if at_end {
                self.geometry[2][i]
            } else {
                model.geometry_of(i, theta_deg)
            };
            let y = &self.state[group.slots.start..];
            let dy = &mut self.work[0][group.slots.start..];
            let y = y.first_chunk().expect("volumes and totals");
            let dy = dy.first_chunk_mut().expect("as many slopes");
            model.plain_rates::<true>(i, &g, y, dy)
        } else {
            let [first, _, last] = &mut self.geometry;
            let (first, last) = (&mut first[cylinders.clone()], &mut last[cylinders.clone()]);
            if at_end {
                first.swap_with_slice(last);
            } else {
                model.geometry(cylinders.clone(), theta_deg, first);
            }
            model.rates::<true>(cylinders, first, &self.state, &mut self.work[0])
        };
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
        let at_deg = |place: f64| from_deg + place * (to_deg - from_deg);
        let h = (to_deg - from_deg) * model.s_per_deg;
        if group.plain {
            let i = group.cylinders.start;
            let (y, f0) = plain(&mut self.state, &self.work[0], group.slots.start);
            let [mut f, mut older, mut newer] = [[0.0; PLAIN]; 3];
            let arrays = [&mut f[..], &mut older, &mut newer];
            methods::chebyshev(y, f0, arrays, 0..PLAIN, h, stages, |place, y, dy| {
                model.plain_slice_rates(i, &model.geometry_of(i, at_deg(place)), y, dy);
            });
            return;
        }
        let cylinders = group.cylinders.clone();
        let geometry = &mut self.geometry[1][cylinders.clone()];
        let [f0, f, older, newer] = &mut self.work;
        let (arrays, slots) = ([&mut f[..], older, newer], group.slots.clone());
        let y = &mut self.state;
        methods::chebyshev(y, f0, arrays, slots, h, stages, |place, y, dy| {
            model.geometry(cylinders.clone(), at_deg(place), geometry);
            model.rates::<false>(cylinders.clone(), geometry, y, dy);
        });
    }

    /// One step of the classical method; the first slope is in `work[0]` already.
    fn runge_kutta(&mut self, model: &Model, g: usize, from_deg: f64, to_deg: f64) {
        let group = &mut self.groups[g];
        (group.slope, group.geometry_deg) = (None, Some(to_deg));
        let h = (to_deg - from_deg) * model.s_per_deg;
        let middle_deg = 0.5 * (from_deg + to_deg);
        if group.plain {
            let i = group.cylinders.start;
            let (y, k1) = plain(&mut self.state, &self.work[0], group.slots.start);
            let [mut k, mut sum] = [[0.0; PLAIN]; 2];
            let mut trial = [0.0; PLAIN_GAS];
            let (middle, end) = (
                model.geometry_of(i, middle_deg),
                model.geometry_of(i, to_deg),
            );
            self.geometry[2][i] = end;
            let slots = Slots {
                driving: 0..PLAIN_GAS,
                all: 0..PLAIN,
            };
            let arrays = [&mut k[..], &mut sum, &mut trial];
            methods::classical(y, k1, arrays, slots, h, |place, y, dy| {
                let geometry = if place == Place::End { &end } else { &middle };
                model.plain_slice_rates(i, geometry, y, dy);
            });
            return;
        }
        let cylinders = group.cylinders.clone();
        let [_, middle, end] = &mut self.geometry;
        let (middle, end) = (&mut middle[cylinders.clone()], &mut end[cylinders.clone()]);
        model.geometry(cylinders.clone(), middle_deg, middle);
        model.geometry(cylinders.clone(), to_deg, end);
        let slots = Slots {
            driving: group.driving.clone(),
            all: group.slots.clone(),
        };
        let [k1, k, sum, trial] = &mut self.work;
        let arrays = [&mut k[..], sum, trial];
        methods::classical(&mut self.state, k1, arrays, slots, h, |place, y, dy| {
            let geometry = if place == Place::End { &*end } else { &*middle };
            model.rates::<false>(cylinders.clone(), geometry, y, dy);
        });
    }
}

/// State and first slopes of a cylinder with one runner volume, from slot `at` on.
#[inline(always)]
fn plain<'a>(
    state: &'a mut [f64],
    first: &'a [f64],
    at: usize,
) -> (&'a mut [f64; PLAIN], &'a [f64; PLAIN]) {
    let y = state[at..].first_chunk_mut().expect("volumes and totals");
    (y, first[at..].first_chunk().expect("as many slopes"))
}

#[cfg(test)]
impl Stepper {
    /// One plain step of the classical method for the first group.
    pub(crate) fn classical_step(&mut self, model: &Model, from_deg: f64, to_deg: f64) {
        self.first_slope(model, 0, from_deg);
        self.runge_kutta(model, 0, from_deg, to_deg);
    }
}

#[cfg(test)]
mod tests {
    use crate::setting::Setting;
    use crate::simulation::Simulation;
    use crate::spec::{Basics, EngineSpec};

    /// A cylinder by itself goes through arrays of its own, coupled ones through the whole state: the same
    /// numbers, but for rounding, over cycles with every event and both methods.
    #[test]
    fn a_plain_cylinder_is_what_the_whole_state_gives() {
        let spec = EngineSpec::from_basics(&Basics::default()).unwrap();
        let mut setting = Setting::healthy(&spec, 2.2);
        setting.bodies[0].blow_by_m2 = 1e-7;
        for steps in [90, 100, 720] {
            let run = |plain: bool| {
                let mut sim = Simulation::new(&spec, &setting, steps, 0.0, 1).unwrap();
                sim.set_rpm(1250.0);
                for (i, group) in sim.stepper.groups.iter_mut().enumerate() {
                    assert!(group.plain, "{i}");
                    group.plain = plain;
                }
                for i in 0..spec.cylinders.len() {
                    sim.set_own_area_m2(i, 8e-6);
                }
                let mut recorded = Vec::new();
                for _ in 0..5 {
                    sim.run_cycle(Some(&mut recorded)).unwrap();
                }
                recorded.extend_from_slice(&sim.stepper.state);
                recorded
            };
            for (k, (a, b)) in run(true).iter().zip(&run(false)).enumerate() {
                assert!(
                    (a - b).abs() <= 1e-10 * b.abs().max(1e-9),
                    "{steps} steps, {k}: {a} {b}"
                );
            }
        }
    }
}

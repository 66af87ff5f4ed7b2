//! Jobs made at the level of through-areas: the linkage and area laws with noise, no recordings.
//!
//! The laws are written here a second time, plainly, so that the crate is not held against itself.

use evenpull_airflow::Plate;
use evenpull_diagnose::{
    Assessment, ChannelReading, CycleReading, MeanCycle, Measured, Notice, Scaled, ZeroEffect,
};
use evenpull_job::{Job, Profile, builtin};
use rand::rngs::StdRng;
use rand::{RngExt, SeedableRng};
use rand_distr::StandardNormal;

/// What is put in; a rigid twin with the sensor on the right, driving plate right, driven left.
#[derive(Debug, Clone)]
pub(crate) struct PutIn {
    /// Stops over the baseline [deg].
    pub(crate) stop_deg: [f64; 2],
    /// Left plate over right plate off idle [deg].
    pub(crate) link_deg: f64,
    /// Leaks [mm2].
    pub(crate) leak_mm2: [f64; 2],
    /// Relative scatter of the leaks from reading to reading.
    pub(crate) leak_scatter: f64,
    /// Logarithm of each bleed's area per turn over the profile's.
    pub(crate) ln_bleed: [f64; 2],
    /// Logarithm of the idle valve's area per step over the profile's.
    pub(crate) ln_valve: f64,
    /// Shut angle over the profile's [deg].
    pub(crate) shut_deg: f64,
    /// Bleed turns as found.
    pub(crate) bleed_turns: [f64; 2],
    /// Throttle sensor's zero over the record [V].
    pub(crate) zero_v: f64,
    /// The ECU took the present reading as closed afterwards.
    pub(crate) learned: bool,
    /// Logarithm of the common scale.
    pub(crate) ln_scale: f64,
    /// Words of the seals section.
    pub(crate) seals: String,
    pub(crate) one_way: bool,
    pub(crate) crossed: bool,
    pub(crate) cross_flow: bool,
    /// Turns of the balance adjuster (positive = left plate more open) and what one really does
    /// [deg], then all readings once more.
    pub(crate) then_turned: Option<(f64, f64)>,
    /// Place the idle valve is stuck at, in its travel.
    pub(crate) stuck: Option<f64>,
    /// Air that a split idle-air hose lets in, both bodies together [mm2].
    pub(crate) hose_mm2: f64,
    /// Scatter of the throttle sensor [V].
    pub(crate) volts_sd: f64,
    /// Off-idle readings.
    pub(crate) sweep: bool,
    /// The throttle had been let go in the first of them.
    pub(crate) let_go: bool,
    /// Words of the checks section.
    pub(crate) checks: String,
    /// Lambda of each pipe at hold, if it was read.
    pub(crate) lambda: Option<[f64; 2]>,
    pub(crate) seed: u64,
}

impl Default for PutIn {
    fn default() -> Self {
        Self {
            stop_deg: [0.0; 2],
            link_deg: 0.0,
            leak_mm2: [0.35, 0.35],
            leak_scatter: 0.0,
            ln_bleed: [0.0; 2],
            ln_valve: 0.0,
            shut_deg: 0.0,
            bleed_turns: [0.5, 0.5],
            zero_v: 0.0,
            learned: false,
            ln_scale: 0.0,
            seals: "\"stop.left\" = \"intact\"\n\"stop.right\" = \"intact\"\n\"link.left\" = \"intact\"\n\
                    \"link.right\" = \"intact\"\n"
                .to_owned(),
            one_way: false,
            crossed: false,
            cross_flow: false,
            then_turned: None,
            stuck: None,
            hose_mm2: 0.0,
            volts_sd: 0.003,
            sweep: true,
            let_go: false,
            checks: String::new(),
            lambda: None,
            seed: 1,
        }
    }
}

/// The profile: the embedded 270-degree twin, rigid or one-way.
pub(crate) fn profile(one_way: bool) -> Profile {
    let text = builtin()[0].toml;
    let text = if one_way {
        text.replace("\"rigid\"", "\"one-way\"")
    } else {
        text.to_owned()
    };
    Profile::from_toml("profile.toml", &text).expect("the embedded profile")
}

/// Plates [deg above shut] by the linkage law of `docs/method.md`; `command`: opening the cable asks of the right plate.
pub(crate) fn plates(put: &PutIn, base: f64, command: Option<f64>) -> [f64; 2] {
    let [left, right] = put.stop_deg.map(|d| base + d);
    let drive = if put.one_way {
        right
    } else {
        right.max(left - put.link_deg)
    };
    let right_open = command.map_or(drive, |c| c.max(drive));
    let carried = right_open + put.link_deg;
    [
        if put.one_way {
            carried.max(left)
        } else {
            carried
        },
        right_open,
    ]
}

/// Depression per logarithm of area, of the size the filling model gives [kPa].
const DEPRESSION_KPA: f64 = 36.0;

/// A job with its readings.
pub(crate) struct Made {
    pub(crate) profile: Profile,
    pub(crate) job: Job,
    pub(crate) cycles: Vec<Option<CycleReading>>,
    /// Text of the job.
    text: String,
}

impl Made {
    /// The same machine and readings with its two bodies listed the other way round.
    pub(crate) fn listed_the_other_way_round(mut self) -> Self {
        let text = builtin()[0]
            .toml
            .replace("[\"left\", \"right\"]", "[\"right\", \"left\"]")
            .replace("[0.0, 270.0]", "[270.0, 0.0]");
        self.profile = Profile::from_toml("profile.toml", &text).expect("the embedded profile");
        self.job = Job::from_toml("job.toml", &self.text, &self.profile).expect("the same job");
        for cycle in self.cycles.iter_mut().flatten() {
            cycle.channels.reverse();
            cycle.traces_on = cycle.traces_on.iter().rev().map(|i| 1 - i).collect();
        }
        self
    }

    pub(crate) fn assess(&self) -> Assessment {
        evenpull_diagnose::assess(&self.job, &self.profile, &self.cycles)
    }
}

/// Makes the job.
pub(crate) fn make(put: &PutIn) -> Made {
    let profile = profile(put.one_way);
    let mut rng = StdRng::seed_from_u64(put.seed);
    let mut normal = move || rng.sample::<f64, _>(StandardNormal);
    let b = &profile.body;
    let plate = Plate::new(
        b.bore_mm * 1e-3,
        b.spindle_mm * 1e-3,
        (b.shut_angle_deg + put.shut_deg).to_radians(),
    )
    .expect("a plate");
    let plate_mm2 =
        |deg: f64| b.discharge.at(deg.to_radians()) * plate.area_m2(deg.to_radians()) * 1e6;
    let base = b.stop_opening_deg;
    let sensor = profile.sensor.expect("a sensor");
    let valve = profile.idle_valve.expect("an idle valve");
    let per_turn = profile.bleed.expect("bleeds").area_mm2_per_turn;
    let closed = plates(put, base, None);
    let volts =
        |open: f64| sensor.volts_at_stop + sensor.volts_per_deg * (open - base) + put.zero_v;
    let learned_v = if put.learned {
        volts(closed[1])
    } else {
        sensor.volts_at_stop
    };
    let mut once: Vec<(&str, f64, Option<f64>)> =
        vec![("idle-bleeds-shut", 1250.0, None), ("idle", 1250.0, None)];
    if put.sweep {
        let first_deg = if put.let_go { 0.5 * base } else { 3.1 };
        for (rpm, command) in [
            (1700.0, first_deg),
            (2200.0, 4.1),
            (2700.0, 5.0),
            (3200.0, 6.0),
        ] {
            once.push(("sweep", rpm, Some(command)));
        }
        once.push(("hold", 3800.0, Some(7.2)));
    }
    let mut points: Vec<(&str, f64, Option<f64>, bool)> = once
        .iter()
        .map(|&(c, rpm, command)| (c, rpm, command, false))
        .collect();
    let mut after = put.clone();
    if let Some((turns, deg)) = put.then_turned {
        after.link_deg += turns * deg;
        points.extend(
            once.iter()
                .map(|&(c, rpm, command)| (c, rpm, command, true)),
        );
    }
    let first_after = once.len();
    let mut text = format!(
        "format = \"evenpull.job/1\"\nprofile = \"profile.toml\"\nmachine = \"Knot 1060\"\n[ambient]\n\
         pressure_kpa = 100.0\ntemperature_c = 20.0\nkey_off_kpa = {{ left = 100.0, right = 100.0 }}\n[checks]\n{}\n[seals]\n{}",
        put.checks, put.seals
    );
    // What the engine needs at idle with the valve at 30 % of its travel, spread over machines.
    let travel = f64::from(valve.steps);
    let place = (0.3 + 0.08 * normal()).clamp(0.15, 0.5);
    let needed =
        2.0 * (plate_mm2(base) + 0.35 + 0.5 * per_turn) + place * travel * valve.area_mm2_per_step;
    let per_step = valve.area_mm2_per_step * put.ln_valve.exp();
    let mut steps = place * travel;
    let mut cycles = Vec::new();
    for (index, (condition, rpm, command, later)) in points.into_iter().enumerate() {
        let open = plates(if later { &after } else { put }, base, command);
        let turns = if condition == "idle-bleeds-shut" {
            [0.0; 2]
        } else {
            put.bleed_turns
        };
        let leak = put.leak_mm2.map(|l| {
            if l > 0.6 {
                l * (1.0 + put.leak_scatter * normal()).max(0.1)
            } else {
                l
            }
        });
        let own = [0, 1]
            .map(|i| plate_mm2(open[i]) + leak[i] + turns[i] * per_turn * put.ln_bleed[i].exp());
        if command.is_none() {
            let asked = needed - own[0] - own[1] - put.hose_mm2;
            steps = (asked / valve.area_mm2_per_step).clamp(3.0, travel).round();
            if let Some(place) = put.stuck {
                // The computer drives it to the end that would mend the speed.
                let over = place * travel * valve.area_mm2_per_step > asked;
                steps = if over { 0.0 } else { travel };
            }
        }
        let valve_mm2 =
            0.5 * (put.stuck.map_or(steps, |place| place * travel) * per_step + put.hose_mm2);
        let areas = own.map(|a| a + valve_mm2);
        let at_end = steps <= 3.0 || steps >= travel;
        let rpm = if command.is_none() && at_end {
            rpm * (areas[0] + areas[1]) / needed
        } else {
            rpm
        };
        let v = volts(open[1]) + put.volts_sd * normal();
        let ecu = (v - learned_v) / sensor.volts_per_deg;
        text += &format!(
            "[[reading]]\ncondition = \"{condition}\"\nrecording = \"r.csv\"\nsensor_v = {v:.3}\n\
             ecu_opening_deg = {ecu:.2}\nidle_valve_steps = {steps:.0}\nengine_c = 75\n"
        );
        if command.is_none() {
            text += &format!(
                "bleed_turns = {{ left = {:.2}, right = {:.2} }}\n",
                turns[0], turns[1]
            );
        }
        if let ("hold", Some([left, right])) = (condition, put.lambda) {
            text += &format!("lambda = {{ left = {left:.3}, right = {right:.3} }}\n");
        }
        if let (true, Some((turns, _))) = (later && index == first_after, put.then_turned) {
            let adjuster = &profile.couplings[0].adjuster;
            text += &format!("adjusted = {{ adjuster = \"{adjuster}\", turns = {turns} }}\n");
        }
        let common = 0.005 * normal();
        let order = if put.crossed { [1, 0] } else { [0, 1] };
        let channels = order
            .iter()
            .zip(["left", "right"])
            .map(|(&i, body)| {
                let shown = areas[i] * (put.ln_scale + common + 0.002 * normal()).exp();
                let mean = 40.0 - DEPRESSION_KPA * (areas[i] / (0.5 * (areas[0] + areas[1]))).ln();
                channel(body, shown, mean + 0.17 * normal(), put.cross_flow)
            })
            .collect();
        let mut notices = Vec::new();
        if put.crossed {
            notices.push(Notice::new("crossed-hoses", "crossed"));
        }
        if put.cross_flow {
            notices.push(Notice::new("cross-flow", "runners fill each other"));
        }
        cycles.push(Some(CycleReading {
            rpm: Measured {
                value: rpm,
                sd: 1.0,
            },
            rpm_scatter: 5.0,
            cycles: 100,
            channels,
            traces_on: order.to_vec(),
            notices,
        }));
    }
    let job = Job::from_toml("job.toml", &text, &profile).unwrap_or_else(|e| panic!("{e}\n{text}"));
    Made {
        profile,
        job,
        cycles,
        text,
    }
}

fn channel(body: &str, area_mm2: f64, mean_depression_kpa: f64, refused: bool) -> ChannelReading {
    let area = Scaled {
        value: area_mm2,
        sd: 0.002 * area_mm2,
        scale_sd: 0.12 * area_mm2,
    };
    ChannelReading {
        body: body.to_owned(),
        mean_depression_kpa,
        lowest_kpa: 28.0,
        refill_rate_per_s: Measured {
            value: 1.5 * area_mm2,
            sd: 0.003 * area_mm2,
        },
        through_area_mm2: (!refused).then_some(area),
        drawn_air_mg: None,
        zero: ZeroEffect::default(),
        misfit: 1.0,
        // A live channel has a picture; its content does not matter here.
        cycle: MeanCycle {
            crank_deg: vec![0.0],
            p_kpa: vec![60.0],
            band_kpa: vec![0.1],
            fit_kpa: vec![60.0],
        },
    }
}

/// A job of gauge readings only, from the lines of its readings.
pub(crate) fn gauges(profile_index: usize, lines: &str) -> Made {
    let profile =
        Profile::from_toml("profile.toml", builtin()[profile_index].toml).expect("embedded");
    let text = format!(
        "format = \"evenpull.job/1\"\nprofile = \"profile.toml\"\nmachine = \"Knot 1060\"\n[ambient]\n\
         pressure_kpa = 100.0\ntemperature_c = 20.0\n{lines}"
    );
    let job = Job::from_toml("job.toml", &text, &profile).unwrap_or_else(|e| panic!("{e}\n{text}"));
    let cycles = vec![None; job.readings.len()];
    Made {
        profile,
        job,
        cycles,
        text,
    }
}

//! Laws the model must keep whatever the engine: balances, symmetry, determinism.

use std::error::Error;

use evenpull_airflow::refill;
use evenpull_engine::{
    Basics, BodySetting, EngineError, EngineSpec, Options, Run, Setting, Simulation, WorkingGas,
    run,
};
use proptest::prelude::*;

/// A fired engine on the cited friction, cylinders at `intake_start_deg`.
fn engine(intake_start_deg: &[f64], displacement_m3: f64) -> Result<EngineSpec, EngineError> {
    EngineSpec::from_basics(&Basics {
        intake_start_deg: intake_start_deg.to_vec(),
        displacement_m3,
        ..Basics::default()
    })
}

fn no_scatter(cycles: usize) -> Options {
    Options {
        scatter: 0.0,
        cycles,
        settle_cycles: 0,
        ..Options::default()
    }
}

/// Largest relative error of the mass and energy balances over five cycles.
fn balance_error(sim: &mut Simulation, cylinders: usize) -> Result<f64, Box<dyn Error>> {
    let mut worst = 0.0_f64;
    for _ in 0..5 {
        let energy = sim.stored_energy_j();
        let masses: Vec<f64> = (0..cylinders)
            .map(|i| {
                let (runner, cylinder) = sim.masses_kg(i);
                runner + cylinder
            })
            .collect();
        sim.run_cycle(None)?;
        let mut gained_j = 0.0;
        let mut moved_j = 0.0;
        for (i, before) in masses.iter().enumerate() {
            let c = sim.cylinder_cycle(i);
            let (runner, cylinder) = sim.masses_kg(i);
            let error = runner + cylinder - before - (c.own_kg + c.across_kg - c.out_kg);
            worst = worst.max(error.abs() / before);
            gained_j += c.enthalpy_j + c.heat_j - c.work_j;
            moved_j += c.enthalpy_j.abs() + c.heat_j.abs() + c.work_j.abs();
        }
        worst = worst.max((sim.stored_energy_j() - energy - gained_j).abs() / moved_j);
    }
    Ok(worst)
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::with_cases(40) })]

    /// Mass in is mass out plus mass stored, and the same for energy, to rounding, for any areas,
    /// speed, cross-flow and losses.
    #[test]
    fn prop_mass_and_energy_close(
        rpm in 700.0..6000.0_f64,
        area_mm2 in 1.0..60.0_f64,
        leak_mm2 in 0.0..5.0_f64,
        passage_mm2 in prop_oneof![Just(0.0), 0.5..20.0_f64],
        pipe_mm2 in prop_oneof![Just(0.0), 0.5..20.0_f64],
        blow_by_mm2 in 0.0..1.0_f64,
        adiabatic in any::<bool>(),
        fired in any::<bool>(),
        cells in 1..5_usize,
    ) {
        let mut spec = engine(&[0.0, 270.0], 530e-6).unwrap();
        if cells > 1 {
            spec = spec.with_gas_columns(cells);
        }
        for c in &mut spec.cylinders {
            if adiabatic {
                c.runner_wall = None;
                c.cylinder_wall = None;
            }
            if !fired {
                c.heat = None;
            }
        }
        let mut setting = Setting::healthy(&spec, 2.2);
        setting.passage_m2 = passage_mm2 * 1e-6;
        setting.balance_pipe_m2 = pipe_mm2 * 1e-6;
        setting.bodies[1].blow_by_m2 = blow_by_mm2 * 1e-6;
        let mut sim = Simulation::new(&spec, &setting, 720, 0.05, 3).unwrap();
        sim.set_rpm(rpm);
        sim.set_own_area_m2(0, area_mm2 * 1e-6);
        sim.set_own_area_m2(1, (area_mm2 + leak_mm2) * 1e-6);
        sim.set_idle_valve_m2(4e-6);
        let error = balance_error(&mut sim, 2).unwrap();
        prop_assert!(error < 1e-10, "{error}");
    }

    /// Cylinders listed the other way round give the same numbers the other way round.
    #[test]
    fn prop_swapping_cylinders_swaps_results(
        rpm in 900.0..4500.0_f64,
        command_deg in 2.2..9.0_f64,
        leak_mm2 in 0.0..4.0_f64,
        breathing in 0.6..1.0_f64,
        interval_deg in 150.0..570.0_f64,
    ) {
        let numbers = |swapped: bool| -> Result<Vec<f64>, EngineError> {
            let mut starts = [0.0, interval_deg];
            let mut bodies = [
                BodySetting { leak_m2: leak_mm2 * 1e-6, ..BodySetting::default() },
                BodySetting { breathing_scale: breathing, ..BodySetting::default() },
            ];
            if swapped {
                starts.reverse();
                bodies.reverse();
            }
            let spec = engine(&starts, 530e-6)?;
            let mut setting = Setting::healthy(&spec, 2.2);
            setting.bodies = bodies.to_vec();
            let point = Run::FixedRpm { rpm, command_deg, idle_steps: 60.0 };
            let t = run(&spec, &setting, point, &no_scatter(1))?.truth;
            let mut all = [t.mean_depression_pa, t.drawn_air_kg, t.imep_pa];
            if swapped {
                all.iter_mut().for_each(|v| v.reverse());
            }
            Ok(all.concat())
        };
        let (straight, swapped) = (numbers(false).unwrap(), numbers(true).unwrap());
        for (a, b) in straight.iter().zip(&swapped) {
            // Steps are cut at the same angles, so only the order of sums differs.
            prop_assert!((a / b - 1.0).abs() < 1e-9, "{a} {b}");
        }
    }
}

/// Without scatter, bodies alike and an even firing interval leave no difference.
#[test]
fn even_engine_has_no_spread() {
    for starts in [
        vec![0.0, 360.0],
        vec![0.0, 240.0, 480.0],
        vec![0.0, 180.0, 360.0, 540.0],
    ] {
        let spec = engine(&starts, 350e-6).unwrap();
        let setting = Setting::healthy(&spec, 2.2);
        let point = Run::FixedRpm {
            rpm: 1250.0,
            command_deg: 2.2,
            idle_steps: 60.0,
        };
        let trace = run(&spec, &setting, point, &no_scatter(1)).unwrap();
        // Cylinders stand at other phases of their settling when it is called settled.
        assert!(trace.spread() < 2e-5, "{starts:?}: {}", trace.spread());
    }
}

/// Cross-flow shows as a difference of gauges on an uneven twin although the bodies are alike.
#[test]
fn cross_flow_tilts_an_even_engine_of_uneven_firing() {
    let spec = engine(&[0.0, 270.0], 530e-6).unwrap();
    let mut setting = Setting::healthy(&spec, 2.2);
    let mut spread = |passage_m2: f64, pipe_m2: f64| {
        setting.passage_m2 = passage_m2;
        setting.balance_pipe_m2 = pipe_m2;
        run(
            &spec,
            &setting,
            Run::Idle { target_rpm: 1250.0 },
            &no_scatter(4),
        )
        .unwrap()
        .spread()
    };
    assert!(spread(0.0, 0.0) < 1e-4);
    // An independent simulator: passages of 12 mm2 made gauges of a healthy engine differ by 2 to 3 kPa.
    assert!(spread(12e-6, 0.0) > 0.03);
    assert!(spread(0.0, 2e-6) > 0.02);
}

/// Every layout of cylinders idles on its valve and holds 3,800 rpm with the torque balanced.
#[test]
fn twins_triples_and_fours_idle_and_hold() {
    for starts in [
        vec![0.0],
        vec![0.0, 180.0],
        vec![0.0, 270.0],
        vec![0.0, 360.0],
        vec![0.0, 240.0, 480.0],
        vec![0.0, 180.0, 540.0, 360.0],
    ] {
        for displacement_m3 in [350e-6, 530e-6, 700e-6] {
            let spec = engine(&starts, displacement_m3).unwrap();
            let setting = Setting::healthy(&spec, 2.2);
            let limit_nm = 10.0 * displacement_m3 * starts.len() as f64 * 1.01;
            for point in [
                Run::Idle { target_rpm: 1250.0 },
                Run::Hold {
                    rpm: 3800.0,
                    idle_steps: 60.0,
                },
            ] {
                let trace = run(&spec, &setting, point, &no_scatter(2)).unwrap();
                let t = &trace.truth;
                println!(
                    "{:3.0} cc {starts:?} {:.0} rpm: {:.2} mm2, {:.1} steps, {:.2} kPa, {:.1} mg",
                    displacement_m3 * 1e6,
                    trace.rpm,
                    t.through_area_m2[0] * 1e6,
                    t.idle_steps,
                    t.mean_depression_pa[0] * 1e-3,
                    t.drawn_air_kg[0] * 1e6
                );
                assert!(t.net_torque_nm.abs() <= limit_nm, "{} Nm", t.net_torque_nm);
                for (a, b) in t.through_area_m2.iter().zip(&t.equivalent_area_m2) {
                    // Backflow past the 0.999 strip is all that separates the two.
                    assert!((a / b - 1.0).abs() < 2e-3, "{a} {b}");
                }
            }
        }
    }
}

/// Work per heat follows the spark: later than best loses work, and the heat of a cycle is the
/// trapped air times the heat per air when the walls are adiabatic.
#[test]
fn burn_starts_at_its_angle_and_releases_its_heat() {
    let mut spec = engine(&[0.0], 530e-6).unwrap();
    let setting = Setting::healthy(&spec, 2.2);
    let mut work = Vec::new();
    for start_deg in [-25.0, 0.0, 25.0] {
        let c = &mut spec.cylinders[0];
        (c.cylinder_wall, c.runner_wall) = (None, None);
        let law = c.heat.as_mut().unwrap();
        (law.late_deg, law.early_deg) = (start_deg, start_deg);
        let heat_j_per_kg = law.heat_at_j_per_kg(1250.0);
        let mut sim = Simulation::new(&spec, &setting, 720, 0.0, 1).unwrap();
        sim.set_rpm(1250.0);
        sim.set_own_area_m2(0, 8e-6);
        for _ in 0..60 {
            sim.run_cycle(None).unwrap();
        }
        let cycle = sim.cylinder_cycle(0);
        // Settled: unburned air trapped is the fresh air drawn, but for what overlap takes away.
        assert!((cycle.heat_j / (cycle.fresh_kg * heat_j_per_kg) - 1.0).abs() < 0.02);
        work.push(cycle.work_j / cycle.heat_j);
    }
    assert!(
        work[0] > work[1] + 0.01 && work[1] > work[2] + 0.05,
        "{work:?}"
    );
}

#[test]
fn leak_on_one_side_shuts_the_valve_and_deepens_the_other_side() {
    let spec = engine(&[0.0, 270.0], 530e-6).unwrap();
    let mut setting = Setting::healthy(&spec, 2.2);
    let idle = Run::Idle { target_rpm: 1250.0 };
    let healthy = run(&spec, &setting, idle, &no_scatter(2)).unwrap().truth;
    setting.bodies[0].leak_m2 = 2e-6;
    let leaking = run(&spec, &setting, idle, &no_scatter(2)).unwrap().truth;
    assert!(leaking.idle_steps < healthy.idle_steps - 20.0);
    assert!(leaking.mean_depression_pa[0] < healthy.mean_depression_pa[0] - 2e3);
    assert!(leaking.mean_depression_pa[1] > healthy.mean_depression_pa[1] + 2e3);
    // An independent prototype: 2 mm2 lower that side by about 7.6 kPa at idle
    // against the other; a quarter either way for another engine.
    let difference_kpa = (leaking.mean_depression_pa[1] - leaking.mean_depression_pa[0]) * 1e-3;
    assert!((5.7..9.5).contains(&difference_kpa), "{difference_kpa}");
}

/// Our own numbers for the default twin with bleeds of 1 mm2: area [mm2], depression [kPa] and
/// drawn air [mg] at idle and at hold. Anything above 0.1 % is a change of the model.
///
/// An independent prototype of such an engine had about 8 mm2 and 44 kPa at idle, 24 mm2 and 43 kPa
/// at hold.
#[test]
fn regress_default_twin() {
    let spec = engine(&[0.0, 270.0], 530e-6).unwrap();
    let mut setting = Setting::healthy(&spec, 2.2);
    setting.bodies.iter_mut().for_each(|b| b.bleed_m2 = 1e-6);
    for (point, want) in [
        (Run::Idle { target_rpm: 1250.0 }, [8.729, 40.731, 182.41]),
        (
            Run::Hold {
                rpm: 3800.0,
                idle_steps: 60.0,
            },
            [25.362, 42.045, 176.76],
        ),
    ] {
        let t = run(&spec, &setting, point, &no_scatter(2)).unwrap().truth;
        let got = [
            t.through_area_m2[0] * 1e6,
            t.mean_depression_pa[0] * 1e-3,
            t.drawn_air_kg[0] * 1e6,
        ];
        for (g, w) in got.iter().zip(&want) {
            assert!((g / w - 1.0).abs() < 1e-3, "{got:?} against {want:?}");
        }
    }
}

#[test]
fn idle_speed_gives_when_the_valve_meets_an_end() {
    let spec = engine(&[0.0, 270.0], 530e-6).unwrap();
    let idle = Run::Idle { target_rpm: 1250.0 };
    let fast = run(&spec, &Setting::healthy(&spec, 3.5), idle, &no_scatter(1)).unwrap();
    assert!(
        fast.rpm > 1300.0 && fast.truth.idle_steps <= 0.0,
        "{}",
        fast.rpm
    );
    let mut spec = spec;
    spec.idle.steps = 40.0;
    let slow = run(&spec, &Setting::healthy(&spec, 1.5), idle, &no_scatter(1));
    match slow {
        Ok(trace) => assert!(trace.rpm < 1250.0 && trace.truth.idle_steps >= 40.0),
        Err(e) => assert!(matches!(e, EngineError::NoBalance { .. }), "{e}"),
    }
}

/// Inertia in the runner moves the gauge reading little; more volumes change less and less.
#[test]
fn gas_columns_converge() {
    let spec = engine(&[0.0, 270.0], 530e-6).unwrap();
    let setting = Setting::healthy(&spec, 2.2);
    let point = Run::FixedRpm {
        rpm: 1250.0,
        command_deg: 2.2,
        idle_steps: 60.0,
    };
    let depression_pa = |spec: &EngineSpec| {
        run(spec, &setting, point, &no_scatter(1))
            .unwrap()
            .truth
            .mean_depression_pa[0]
    };
    let with = |cells: usize| depression_pa(&spec.clone().with_gas_columns(cells));
    let one = depression_pa(&spec);
    let (two, four, eight) = (with(2), with(4), with(8));
    println!("1, 2, 4, 8 volumes: {one:.1} {two:.1} {four:.1} {eight:.1} Pa");
    assert!((eight - four).abs() < (four - two).abs());
    assert!((eight / one - 1.0).abs() < 0.02);
}

/// The refill clock on our own traces: with adiabatic runners and constant specific heats the slope
/// of F(r) with valves shut is `k = gamma sqrt(R T0) CdA / V` and gives the area back.
#[test]
fn refill_of_an_adiabatic_runner_gives_its_area() {
    let mut spec = engine(&[0.0, 270.0], 530e-6).unwrap();
    spec.gas = WorkingGas::constant(287.0);
    for c in &mut spec.cylinders {
        c.runner_wall = None;
    }
    let mut setting = Setting::healthy(&spec, 2.2);
    setting.bodies[0].leak_m2 = 1e-6;
    let point = Run::FixedRpm {
        rpm: 1250.0,
        command_deg: 0.0,
        idle_steps: 60.0,
    };
    let trace = run(&spec, &setting, point, &no_scatter(1)).unwrap();
    for (i, start) in [(0_usize, 0.0), (1, 270.0)] {
        let p = trace.cycle_pa(i, 0);
        let ratio = |deg: f64| p[(start + deg).rem_euclid(720.0) as usize] / trace.ambient_pa;
        let slope_per_s = (refill(ratio(420.0)) - refill(ratio(240.0))) * 6.0 * 1250.0 / 180.0;
        let sound = (287.0 * trace.ambient_k).sqrt();
        let area_m2 = slope_per_s * spec.cylinders[i].runner_m3 / (1.4 * sound);
        let error = area_m2 / trace.truth.through_area_m2[i] - 1.0;
        // The law is exact here; what is left is the integration at one degree.
        assert!(error.abs() < 1e-5, "cylinder {i}: {error}");
    }
}

#[test]
fn seed_decides_the_scatter() {
    let spec = engine(&[0.0, 270.0], 530e-6).unwrap();
    let setting = Setting::healthy(&spec, 2.2);
    let point = Run::FixedRpm {
        rpm: 1250.0,
        command_deg: 2.2,
        idle_steps: 60.0,
    };
    let with = |seed: u64| {
        let options = Options {
            cycles: 10,
            seed,
            ..Options::default()
        };
        run(&spec, &setting, point, &options).unwrap()
    };
    assert_eq!(with(5), with(5));
    assert_ne!(with(5).p_pa, with(6).p_pa);
}

#[test]
fn out_of_range_numbers_are_refused_by_name() {
    let spec = engine(&[0.0, 270.0], 530e-6).unwrap();
    let mut setting = Setting::healthy(&spec, 2.2);
    let idle = Run::Idle { target_rpm: 1250.0 };
    setting.bodies[1].leak_m2 = -1e-6;
    let text = run(&spec, &setting, idle, &no_scatter(1))
        .unwrap_err()
        .to_string();
    assert!(text.contains("leak area of cylinder 1"), "{text}");
    setting.bodies.pop();
    assert!(matches!(
        run(&spec, &setting, idle, &no_scatter(1)),
        Err(EngineError::Length {
            got: 1,
            cylinders: 2,
            ..
        })
    ));
    let setting = Setting::healthy(&spec, 2.2);
    let wild = Run::Idle {
        target_rpm: f64::NAN,
    };
    assert!(run(&spec, &setting, wild, &no_scatter(1)).is_err());
    let hot = Options {
        scatter: 2.0,
        ..Options::default()
    };
    assert!(run(&spec, &setting, idle, &hot).is_err());
}

//! `evenpull.profile/1` text to [`Profile`].

use evenpull_airflow::Discharge;

use super::{
    BleedData, BodyData, ClearanceLimits, EngineData, IdleValve, Passages, Profile, RefillData,
    ThrottleSensor, Tolerance, parse_linkage,
};
use crate::document::{Document, Item, Limits, Section, within};
use crate::file_error::FileErrors;

/// One thou [mm], exact.
const THOU_MM: f64 = 0.0254;
const FORMAT: &str = "evenpull.profile/1";
/// Marks of the defaults: where they come from.
const PRACTICE: &str = "common practice, no source";
const ASSUMED: &str = "assumed";

impl Profile {
    /// Reads `evenpull.profile/1` text; `file` is the name shown in messages.
    ///
    /// Missing optional keys take defaults, listed in [`Profile::assumed`].
    ///
    /// # Errors
    /// Every problem found: syntax, unknown keys, wrong types, values out of range.
    pub fn from_toml(file: &str, text: &str) -> Result<Self, FileErrors> {
        let doc = Document::new(file, text);
        let table = doc.parse()?;
        let profile = read(&Section::root(&doc, &table));
        drop(table);
        let (mut profile, assumed) = doc.finish(profile)?;
        profile.assumed = assumed;
        Ok(profile)
    }
}

/// Reads the top of the file. Wrong values leave stand-ins; the document then refuses the whole.
fn read(root: &Section<'_>) -> Profile {
    check_format(root, FORMAT);
    let name = root
        .required("name", "\"my engine\"")
        .and_then(|i| i.text())
        .unwrap_or_default();
    let engine = engine(root);
    let bodies = engine.cylinders.clone();
    let profile = Profile {
        name,
        body: body(root, engine.displacement_cc),
        bleed: bleed(root),
        idle_valve: idle_valve(root),
        sensor: sensor(root, &bodies),
        couplings: parse_linkage::couplings(root, &bodies),
        stop_deg_per_turn: stop(root),
        tolerance: tolerance(root),
        passages: passages(root),
        clearances: clearances(root),
        refill: refill(root),
        engine,
        assumed: Vec::new(),
    };
    root.close();
    profile
}

/// Checks the `format` key of a file.
pub(crate) fn check_format(root: &Section<'_>, wanted: &str) {
    let Some(item) = root.required("format", &format!("\"{wanted}\"")) else {
        return;
    };
    if let Some(found) = item.text()
        && found != wanted
    {
        item.problem(
            format!("the format is \"{found}\""),
            format!("this place takes \"{wanted}\"; check which file was given"),
        );
    }
}

fn needed(section: &Section<'_>, key: &str, example: &str, limits: Limits) -> f64 {
    section
        .required(key, example)
        .and_then(|i| i.number(limits))
        // Never seen by a caller: the document refuses the file.
        .unwrap_or(limits.min)
}

fn engine(root: &Section<'_>) -> EngineData {
    let deg = |max| within(-20.0, max, "deg");
    let Some(s) = root
        .required("engine", "{ ... } (a table `[engine]`)")
        .and_then(|i| i.section())
    else {
        return stand_in_engine();
    };
    let cylinders = cylinders(&s);
    let idle_rpm = s.number_or("idle_rpm", within(400.0, 3000.0, "1/min"), 1250.0, PRACTICE);
    let engine = EngineData {
        displacement_cc: needed(&s, "displacement_cc", "500.0", within(20.0, 2000.0, "cc")),
        compression_ratio: s.number_or("compression_ratio", within(5.0, 16.0, ""), 10.0, ASSUMED),
        rod_to_crank: s.number_or("rod_to_crank", within(2.5, 8.0, ""), 3.6, ASSUMED),
        intake_start_deg: intake_starts(&s, cylinders.len()),
        idle_rpm,
        idle_tolerance_rpm: s.number_or(
            "idle_tolerance_rpm",
            within(5.0, 500.0, "1/min"),
            50.0,
            PRACTICE,
        ),
        hold_rpm: hold_band(&s, idle_rpm),
        warm_c: s.number_or("warm_c", within(20.0, 120.0, "C"), 60.0, PRACTICE),
        inlet_opens_btdc_deg: s.number_or("inlet_opens_btdc_deg", deg(80.0), 12.0, ASSUMED),
        inlet_closes_abdc_deg: s.number_or("inlet_closes_abdc_deg", deg(110.0), 52.0, ASSUMED),
        exhaust_opens_bbdc_deg: s.number_or("exhaust_opens_bbdc_deg", deg(110.0), 50.0, ASSUMED),
        exhaust_closes_atdc_deg: s.number_or("exhaust_closes_atdc_deg", deg(80.0), 18.0, ASSUMED),
        cylinders,
    };
    s.close();
    engine
}

fn stand_in_engine() -> EngineData {
    EngineData {
        cylinders: vec!["left".to_owned(), "right".to_owned()],
        displacement_cc: f64::NAN,
        compression_ratio: f64::NAN,
        rod_to_crank: f64::NAN,
        intake_start_deg: Vec::new(),
        idle_rpm: f64::NAN,
        idle_tolerance_rpm: f64::NAN,
        hold_rpm: [f64::NAN; 2],
        warm_c: f64::NAN,
        inlet_opens_btdc_deg: f64::NAN,
        inlet_closes_abdc_deg: f64::NAN,
        exhaust_opens_bbdc_deg: f64::NAN,
        exhaust_closes_atdc_deg: f64::NAN,
    }
}

fn cylinders(s: &Section<'_>) -> Vec<String> {
    let Some(item) = s.required("cylinders", "[\"left\", \"right\"]") else {
        return Vec::new();
    };
    let Some(list) = item.list() else {
        return Vec::new();
    };
    if list.is_empty() || list.len() > 12 {
        item.problem(
            format!("{} cylinders", list.len()),
            "name 1 to 12 cylinders, one word each",
        );
    }
    let mut names: Vec<String> = Vec::new();
    for entry in &list {
        let Some(name) = entry.text() else { continue };
        if names.contains(&name) {
            entry.problem(
                format!("`{name}` stands twice"),
                "give every cylinder its own name",
            );
        }
        names.push(name);
    }
    names
}

fn intake_starts(s: &Section<'_>, n: usize) -> Vec<f64> {
    if n == 1 && !s.has("intake_start_deg") {
        // A single cylinder has no order to state.
        let _known = s.item("intake_start_deg");
        return vec![0.0];
    }
    s.required("intake_start_deg", "[0.0, 270.0]")
        .and_then(|i| i.numbers(Some(n), within(0.0, 719.999, "deg")))
        .unwrap_or_default()
}

fn hold_band(s: &Section<'_>, idle_rpm: f64) -> [f64; 2] {
    let default = [3500.0, 4000.0];
    let Some(item) = s.item("hold_rpm") else {
        s.assume("hold_rpm", "3500 to 4000 1/min", PRACTICE);
        return default;
    };
    let Some(band) = item.numbers(Some(2), within(500.0, 12_000.0, "1/min")) else {
        return default;
    };
    if band[0] >= band[1] || band[0] <= idle_rpm {
        item.problem(
            format!(
                "the band {} to {} does not rise above idle",
                band[0], band[1]
            ),
            "write [low, high], low above the idle speed and below high",
        );
    }
    [band[0], band[1]]
}

fn body(root: &Section<'_>, displacement_cc: f64) -> BodyData {
    let Some(s) = root
        .required("body", "{ ... } (a table `[body]`)")
        .and_then(|i| i.section())
    else {
        return BodyData {
            bore_mm: f64::NAN,
            spindle_mm: f64::NAN,
            shut_angle_deg: f64::NAN,
            runner_cc: f64::NAN,
            stop_opening_deg: f64::NAN,
            discharge: Discharge::harrington(),
        };
    };
    let bore = s
        .required("bore_mm", "46.0")
        .and_then(|i| i.number(within(10.0, 100.0, "mm")));
    // A wrong bore is a problem already; the widest one keeps it from spilling to the spindle.
    let bore_mm = bore.unwrap_or(100.0);
    // Half the swept volume: the proportion of the filling model's 530 cc and 260 cc, rounded.
    let runner = (displacement_cc / 2.0).round().clamp(5.0, 3000.0);
    let body = BodyData {
        bore_mm,
        spindle_mm: s.number_or(
            "spindle_mm",
            within(2.0, bore_mm / 2.0, "mm"),
            (bore_mm / 5.0).round(),
            ASSUMED,
        ),
        shut_angle_deg: s.number_or("shut_angle_deg", within(0.0, 20.0, "deg"), 6.0, ASSUMED),
        runner_cc: s.number_or("runner_cc", within(5.0, 3000.0, "cc"), runner, ASSUMED),
        stop_opening_deg: s.number_or("stop_opening_deg", within(0.0, 15.0, "deg"), 2.2, ASSUMED),
        discharge: discharge(&s),
    };
    s.close();
    body
}

fn discharge(s: &Section<'_>) -> Discharge {
    let coefficient = within(0.3, 1.0, "");
    let Some(item) = s.item("discharge") else {
        s.assume(
            "discharge",
            "a table from 0.60 shut to 0.95 open",
            "attributed to Harrington 1968, second-hand",
        );
        return Discharge::harrington();
    };
    let built = if item.is_list() {
        let rows = item.list().unwrap_or_default();
        let table: Option<Vec<_>> = rows.iter().map(|r| discharge_row(r, coefficient)).collect();
        table.map(|t| Discharge::table_deg(&t))
    } else {
        item.number(coefficient).map(Discharge::constant)
    };
    match built {
        Some(Ok(discharge)) => discharge,
        Some(Err(error)) => {
            item.problem(
                error.to_string(),
                "write one number, or at least two rows [opening_deg, coefficient] sorted by \
                 opening",
            );
            Discharge::harrington()
        }
        None => Discharge::harrington(),
    }
}

fn discharge_row(row: &Item<'_>, coefficient: Limits) -> Option<(f64, f64)> {
    let cells = row.list()?;
    let [opening, c] = cells.as_slice() else {
        row.problem(
            format!("the row has {} values", cells.len()),
            "write [opening_deg, coefficient]",
        );
        return None;
    };
    // Both are read before either is judged, so that both problems are shown.
    let (a, b) = (
        opening.number(within(0.0, 90.0, "deg")),
        c.number(coefficient),
    );
    Some((a?, b?))
}

fn bleed(root: &Section<'_>) -> Option<BleedData> {
    let s = root.section("bleed")?;
    let area_mm2_per_turn =
        s.number_or("area_mm2_per_turn", within(0.01, 50.0, "mm2"), 2.0, ASSUMED);
    let max_turns = s.number_or("max_turns", within(0.25, 20.0, "turns"), 2.0, PRACTICE);
    s.close();
    Some(BleedData {
        area_mm2_per_turn,
        max_turns,
    })
}

fn idle_valve(root: &Section<'_>) -> Option<IdleValve> {
    let s = root.section("idle_valve")?;
    let steps = s
        .required("steps", "200")
        .and_then(|i| i.count(1, 4096))
        .unwrap_or(1);
    let area = needed(&s, "area_mm2_per_step", "0.06", within(1e-4, 5.0, "mm2"));
    s.close();
    Some(IdleValve {
        steps,
        area_mm2_per_step: area,
    })
}

fn sensor(root: &Section<'_>, bodies: &[String]) -> Option<ThrottleSensor> {
    let s = root.section("sensor")?;
    let body = s
        .required("body", "\"right\"")
        .and_then(|i| i.body(bodies))
        .unwrap_or(0);
    let sensor = ThrottleSensor {
        body,
        volts_per_deg: needed(&s, "volts_per_deg", "0.047", within(0.001, 0.5, "V/deg")),
        volts_at_stop: needed(&s, "volts_at_stop", "0.55", within(0.0, 5.0, "V")),
    };
    s.close();
    Some(sensor)
}

fn stop(root: &Section<'_>) -> f64 {
    let limits = within(0.05, 20.0, "deg");
    // 0.7 mm pitch on a 22 mm lever.
    let (default, mark) = (1.8, "0.7 mm pitch on a 22 mm lever, assumed");
    let Some(s) = root.section("stop") else {
        root.assume("stop.deg_per_turn", "1.8 deg", mark);
        return default;
    };
    let v = s.number_or("deg_per_turn", limits, default, mark);
    s.close();
    v
}

fn tolerance(root: &Section<'_>) -> Tolerance {
    let (good, act) = (1.0, 2.5);
    let Some(s) = root.section("tolerance") else {
        root.assume("tolerance", "good 1.0 kPa, act 2.5 kPa", PRACTICE);
        return Tolerance {
            good_kpa: good,
            act_kpa: act,
        };
    };
    let kpa = within(0.05, 20.0, "kPa");
    let tolerance = Tolerance {
        good_kpa: s.number_or("good_kpa", kpa, good, "seen in a published source"),
        act_kpa: s.number_or("act_kpa", kpa, act, PRACTICE),
    };
    if tolerance.good_kpa > tolerance.act_kpa {
        s.doc().problem(
            s.span(),
            "tolerance",
            format!(
                "good_kpa {} is above act_kpa {}",
                tolerance.good_kpa, tolerance.act_kpa
            ),
            "the good limit lies at or below the act limit",
        );
    }
    s.close();
    tolerance
}

fn passages(root: &Section<'_>) -> Passages {
    let Some(s) = root.section("passages") else {
        root.assume("passages", "none", ASSUMED);
        return Passages {
            balance_pipe_mm2: 0.0,
            idle_chamber_mm2: 0.0,
        };
    };
    let area = within(0.0, 500.0, "mm2");
    let passages = Passages {
        balance_pipe_mm2: s.number_or("balance_pipe_mm2", area, 0.0, ASSUMED),
        idle_chamber_mm2: s.number_or("idle_chamber_mm2", area, 0.0, ASSUMED),
    };
    s.close();
    passages
}

fn clearances(root: &Section<'_>) -> ClearanceLimits {
    // One big-twin family: inlet 4 thou, exhaust 6 thou.
    let defaults = [4.0 * THOU_MM, 6.0 * THOU_MM];
    let Some(s) = root.section("clearances") else {
        root.assume("clearances", "inlet 4 thou, exhaust 6 thou", PRACTICE);
        return ClearanceLimits {
            inlet_mm: defaults[0],
            exhaust_mm: defaults[1],
            tolerance_mm: THOU_MM,
        };
    };
    let limits = ClearanceLimits {
        inlet_mm: mm_or_thou(&s, "inlet").unwrap_or_else(|| {
            s.assume("inlet_mm", "4 thou", PRACTICE);
            defaults[0]
        }),
        exhaust_mm: mm_or_thou(&s, "exhaust").unwrap_or_else(|| {
            s.assume("exhaust_mm", "6 thou", PRACTICE);
            defaults[1]
        }),
        tolerance_mm: s.number_or("tolerance_mm", within(0.005, 0.2, "mm"), THOU_MM, ASSUMED),
    };
    s.close();
    limits
}

/// `<what>_mm` or `<what>_thou`, as millimetres.
fn mm_or_thou(s: &Section<'_>, what: &str) -> Option<f64> {
    let mm = s.number(&format!("{what}_mm"), within(0.0, 2.0, "mm"));
    let thou = s.number(&format!("{what}_thou"), within(0.0, 80.0, "thou"));
    if mm.is_some() && thou.is_some() {
        s.doc().problem(
            s.span(),
            &s.path_of(&format!("{what}_thou")),
            "given in mm and in thou",
            "keep one of the two",
        );
    }
    mm.or(thou.map(|t| t * THOU_MM))
}

fn refill(root: &Section<'_>) -> RefillData {
    let exponent = within(1.0, 1.4, "");
    let percent = within(0.5, 60.0, "%");
    let Some(s) = root.section("refill") else {
        root.assume("refill.scale_sd_percent", "12 %", ASSUMED);
        return RefillData {
            n_idle: None,
            n_hold: None,
            scale_sd_percent: 12.0,
        };
    };
    let refill = RefillData {
        n_idle: s.number("n_idle", exponent),
        n_hold: s.number("n_hold", exponent),
        scale_sd_percent: s.number_or("scale_sd_percent", percent, 12.0, ASSUMED),
    };
    s.close();
    refill
}

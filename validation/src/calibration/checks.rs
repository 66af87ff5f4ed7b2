//! Checks made by hand on a drawn machine; any of them may be missing.

use std::fmt::Write as _;

use evenpull_diagnose::CauseCode;
use evenpull_job::Profile;

use super::draw::Source;
use super::fault::Fault;
use super::machine::Machine;

/// What was checked, and what it showed; vectors in the profile's order.
#[derive(Debug, Clone, Default)]
pub(super) struct Checks {
    pub(super) bodies: Vec<String>,
    pub(super) gauges_zeroed: bool,
    /// Inlet and exhaust clearance [mm].
    pub(super) clearances: Option<Vec<[f64; 2]>>,
    pub(super) compression_kpa: Option<Vec<f64>>,
    pub(super) leak_down_percent: Option<Vec<f64>>,
    pub(super) lid_changes: Option<bool>,
    pub(super) cable_slack: Option<bool>,
    pub(super) snaps_v: Option<Vec<f64>>,
    pub(super) spray: Option<Vec<bool>>,
    pub(super) play_mm: Option<Vec<f64>>,
}

impl Checks {
    /// What a shop happened to look at before the readings.
    pub(super) fn made(
        source: &mut Source,
        profile: &Profile,
        machine: &Machine,
        faults: &[Fault],
        gauges_zeroed: bool,
    ) -> Self {
        let mut checks = Self {
            bodies: profile.bodies().to_vec(),
            gauges_zeroed,
            ..Self::default()
        };
        type Make = fn(&mut Checks, &mut Source, &Profile, &Machine, &[Fault]);
        let all: [(f64, Make); 6] = [
            (0.4, Self::measure_clearances),
            (0.4, Self::measure_compression),
            (0.25, Self::measure_leak_down),
            (0.25, Self::take_lid_off),
            (0.5, Self::look_at_cable),
            (0.3, Self::snap_shut),
        ];
        for (chance, make) in all {
            if source.chance(chance) {
                make(&mut checks, source, profile, machine, faults);
            }
        }
        checks
    }

    pub(super) fn measure_clearances(
        &mut self,
        source: &mut Source,
        profile: &Profile,
        _: &Machine,
        faults: &[Fault],
    ) {
        let meant = &profile.clearances;
        let all = self.bodies.clone();
        self.clearances = Some(
            all.iter()
                .map(|body| {
                    let mut own = [meant.inlet_mm, meant.exhaust_mm]
                        .map(|mm| mm + source.between(-0.8, 0.8) * meant.tolerance_mm);
                    let exhaust = usize::from(source.chance(0.5));
                    let centre = [meant.inlet_mm, meant.exhaust_mm][exhaust];
                    if has(faults, CauseCode::ValveTight, body) {
                        own[exhaust] = centre - meant.tolerance_mm - source.between(0.02, 0.07);
                    }
                    if has(faults, CauseCode::ValveLoose, body) {
                        own[exhaust] = centre + meant.tolerance_mm + source.between(0.02, 0.1);
                    }
                    own.map(|mm| (mm + source.normal(0.008)).max(0.0))
                })
                .collect(),
        );
    }

    pub(super) fn measure_compression(
        &mut self,
        source: &mut Source,
        _: &Profile,
        _: &Machine,
        faults: &[Fault],
    ) {
        let all = self.bodies.clone();
        self.compression_kpa = Some(
            all.iter()
                .map(|body| {
                    let low = has(faults, CauseCode::CompressionLow, body);
                    let share = if low { source.between(0.55, 0.85) } else { 1.0 };
                    1150.0 * share * source.normal(0.025).exp()
                })
                .collect(),
        );
    }

    pub(super) fn measure_leak_down(
        &mut self,
        source: &mut Source,
        _: &Profile,
        _: &Machine,
        faults: &[Fault],
    ) {
        let all = self.bodies.clone();
        self.leak_down_percent = Some(
            all.iter()
                .map(|body| {
                    if has(faults, CauseCode::CompressionLow, body) {
                        source.between(14.0, 45.0)
                    } else {
                        source.between(2.0, 8.0)
                    }
                })
                .collect(),
        );
    }

    pub(super) fn take_lid_off(
        &mut self,
        source: &mut Source,
        _: &Profile,
        _: &Machine,
        faults: &[Fault],
    ) {
        let blocked = faults.iter().any(|f| f.0 == CauseCode::FilterBlocked);
        self.lid_changes = Some(source.chance(if blocked { 0.9 } else { 0.03 }));
    }

    pub(super) fn look_at_cable(
        &mut self,
        source: &mut Source,
        _: &Profile,
        _: &Machine,
        faults: &[Fault],
    ) {
        let tight = faults.iter().any(|f| f.0 == CauseCode::CableTight);
        self.cable_slack = Some(!source.chance(if tight { 0.95 } else { 0.02 }));
    }

    pub(super) fn snap_shut(
        &mut self,
        source: &mut Source,
        profile: &Profile,
        machine: &Machine,
        _: &[Fault],
    ) {
        let Some(sensor) = profile.sensor else { return };
        let volts =
            |s: &mut Source| sensor.volts_at_stop + machine.zero_v + s.normal(machine.volts_sd);
        self.snaps_v = Some(source.each(5, |s| volts(s).clamp(0.0, 5.0)));
    }

    pub(super) fn spray_stubs(&mut self, source: &mut Source, faults: &[Fault]) {
        let all = self.bodies.clone();
        let answers = |body: &String, s: &mut Source| {
            s.chance(if has(faults, CauseCode::StubLeak, body) {
                0.9
            } else {
                0.03
            })
        };
        self.spray = Some(all.iter().map(|b| answers(b, source)).collect());
    }

    pub(super) fn rock_spindles(&mut self, source: &mut Source, faults: &[Fault]) {
        let all = self.bodies.clone();
        let play = |body: &String, s: &mut Source| {
            if has(faults, CauseCode::SpindleWear, body) && s.chance(0.9) {
                s.between(0.08, 0.2)
            } else {
                s.between(0.01, 0.05)
            }
        };
        self.play_mm = Some(all.iter().map(|b| play(b, source)).collect());
    }

    /// Lines of the checks section.
    pub(super) fn lines(&self) -> String {
        let mut text = format!("gauges_zeroed = {}\n", self.gauges_zeroed);
        let list = |values: Vec<String>| {
            let all = self.bodies.iter().zip(values);
            let words: Vec<String> = all.map(|(b, v)| format!("\"{b}\" = {v}")).collect();
            format!("{{ {} }}", words.join(", "))
        };
        let numbers =
            |v: &[f64], places: usize| list(v.iter().map(|x| format!("{x:.places$}")).collect());
        if let Some(all) = &self.clearances {
            let own = all
                .iter()
                .map(|[i, e]| format!("{{ inlet_mm = {i:.3}, exhaust_mm = {e:.3} }}"));
            let _ = writeln!(text, "clearances = {}", list(own.collect()));
        }
        if let Some(all) = &self.compression_kpa {
            let _ = writeln!(text, "compression_kpa = {}", numbers(all, 0));
        }
        if let Some(all) = &self.leak_down_percent {
            let _ = writeln!(text, "leak_down_percent = {}", numbers(all, 0));
        }
        let word = |change: bool| {
            if change {
                "\"change\""
            } else {
                "\"no change\""
            }
        };
        if let Some(change) = self.lid_changes {
            let _ = writeln!(text, "lid_off = {}", word(change));
        }
        if let Some(slack) = self.cable_slack {
            let _ = writeln!(text, "cable_slack = {slack}");
        }
        if let Some(all) = &self.snaps_v {
            let volts: Vec<String> = all.iter().map(|v| format!("{v:.3}")).collect();
            let _ = writeln!(text, "snap_shut_v = [{}]", volts.join(", "));
        }
        if let Some(all) = &self.spray {
            let own = all.iter().map(|c| word(*c).to_owned());
            let _ = writeln!(text, "stub_spray = {}", list(own.collect()));
        }
        if let Some(all) = &self.play_mm {
            let _ = writeln!(text, "spindle_play_mm = {}", numbers(all, 3));
        }
        text
    }
}

fn has(faults: &[Fault], code: CauseCode, body: &String) -> bool {
    faults
        .iter()
        .any(|(c, b)| *c == code && b.as_ref() == Some(body))
}

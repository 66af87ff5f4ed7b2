//! A reading as it is entered, in the words of `evenpull.job/1`.

use evenpull_job::{Condition, HoseData, Pinch};
use evenpull_store::{Fragment, NewReading, NewRecording};

/// Depressions typed from gauges.
#[derive(Debug, Clone, PartialEq)]
pub struct GaugeEntry {
    /// Body and depression, without a sign.
    pub values: Vec<(String, f64)>,
    /// Unit, as the job file names it (`kPa`, `mbar`, `inHg` ...).
    pub unit: String,
}

/// A recording as it comes from a file, a phone or a sensor.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct RecordingEntry {
    /// File name.
    pub file_name: String,
    /// The file as it is.
    pub bytes: Vec<u8>,
}

/// A reading as it is entered; whatever was not read is left out. Units as in the job file.
#[derive(Debug, Clone, PartialEq)]
pub struct ReadingEntry {
    /// What the engine did.
    pub condition: Condition,
    /// Gauges.
    pub gauge: Option<GaugeEntry>,
    /// Recording.
    pub recording: Option<RecordingEntry>,
    /// Engine speed as shown [1/min].
    pub rpm: Option<f64>,
    /// Raw throttle-sensor volts [V].
    pub sensor_v: Option<f64>,
    /// Opening the ECU believes in [deg above closed].
    pub ecu_opening_deg: Option<f64>,
    /// Idle valve [steps].
    pub idle_valve_steps: Option<f64>,
    /// Engine temperature [C].
    pub engine_c: Option<f64>,
    /// Body and turns of its bleed from the seat.
    pub bleed_turns: Vec<(String, f64)>,
    /// Hose between stub and sensor.
    pub hose: Option<HoseData>,
    /// Hoses or gauges swapped between the sides.
    pub swapped: bool,
    /// What was pinched shut.
    pub pinched: Vec<Pinch>,
    /// Body and bore of a jet let in on its stub [mm].
    pub jet: Option<(String, f64)>,
    /// Body and its lambda [-].
    pub lambda: Vec<(String, f64)>,
    /// What was repaired or replaced before this reading.
    pub repaired: Option<String>,
    /// Read of the practice engine, of no real machine.
    pub practice: bool,
}

impl ReadingEntry {
    /// An entry that holds nothing but its condition.
    pub fn new(condition: Condition) -> Self {
        Self {
            condition,
            gauge: None,
            recording: None,
            rpm: None,
            sensor_v: None,
            ecu_opening_deg: None,
            idle_valve_steps: None,
            engine_c: None,
            bleed_turns: Vec::new(),
            hose: None,
            swapped: false,
            pinched: Vec::new(),
            jet: None,
            lambda: Vec::new(),
            repaired: None,
            practice: false,
        }
    }

    /// The keys of one `[[reading]]`, and its recording.
    pub(crate) fn to_stored(&self) -> NewReading {
        let mut keys = Fragment::new();
        keys.text("condition", self.condition.as_str());
        if let Some(gauge) = &self.gauge {
            keys.named_with("gauge", &gauge.values, &[("unit", &gauge.unit)]);
        }
        keys.maybe("rpm", self.rpm)
            .maybe("sensor_v", self.sensor_v)
            .maybe("ecu_opening_deg", self.ecu_opening_deg)
            .maybe("idle_valve_steps", self.idle_valve_steps)
            .maybe("engine_c", self.engine_c)
            .named("bleed_turns", &self.bleed_turns);
        if let Some(h) = self.hose {
            let named = [
                ("length_m", h.length_m),
                ("bore_mm", h.bore_mm),
                ("dead_volume_cc", h.dead_volume_cc),
            ];
            keys.named("hose", &named.map(|(k, v)| (k.to_owned(), v)));
        }
        if self.swapped {
            keys.flag("swapped", true);
        }
        if let Some(repaired) = &self.repaired {
            keys.text("repaired", repaired);
        }
        if self.practice {
            keys.flag("practice", true);
        }
        let pinched: Vec<String> = self
            .pinched
            .iter()
            .map(|p| match p {
                Pinch::IdleValve => "idle_valve".to_owned(),
                Pinch::BalancePipe => "balance_pipe".to_owned(),
            })
            .collect();
        keys.texts("pinched", &pinched);
        if let Some((body, bore_mm)) = &self.jet {
            let bore = [("bore_mm".to_owned(), *bore_mm)];
            keys.named_with("jet", &bore, &[("body", body)]);
        }
        keys.named("lambda", &self.lambda);
        NewReading {
            values_toml: keys.as_str().to_owned(),
            recording: self.recording.as_ref().map(|r| NewRecording {
                file_name: r.file_name.clone(),
                bytes: r.bytes.clone(),
            }),
        }
    }
}

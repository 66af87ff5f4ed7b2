//! What must be read before an engine runs.
//!
//! Guidance figures; local rules, the maker's manual and licensed practice come first.

/// When a caution matters.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum CautionWhen {
    /// Before the engine is started.
    EngineRuns,
    /// Before sprays or smoke are used.
    Sprays,
    /// Before a road test.
    RoadTest,
    /// Whenever parts of the emission system are touched.
    EmissionParts,
}

/// One caution.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Caution {
    /// When it is shown.
    pub when: CautionWhen,
    /// The text.
    pub text: &'static str,
    /// Where a figure in it comes from; empty when there is none.
    pub source: &'static str,
}

const CAUTIONS: [Caution; 9] = [
    Caution {
        when: CautionWhen::EngineRuns,
        text: "Exhaust: work outdoors or with extraction ducted out, and a CO alarm in reach. \
               Guidance: 20 ppm over 8 h, 100 ppm for a short time (EU); ceiling 200 ppm (NIOSH).",
        source: "2004/37/EC; NIOSH REL",
    },
    Caution {
        when: CautionWhen::EngineRuns,
        text: "Hot pipes and rotating parts: stand and wheel clear, sleeves and hoses tied back, \
               kill switch in reach.",
        source: "",
    },
    Caution {
        when: CautionWhen::EngineRuns,
        text: "Fuel vapour away from ignition; no smoking, extinguisher at hand.",
        source: "",
    },
    Caution {
        when: CautionWhen::EngineRuns,
        text: "Air-cooled without a fan: at most 3 to 5 min at idle and 20 to 30 s at hold, then \
               let it cool; watch the head temperature.",
        source: "common practice, no source",
    },
    Caution {
        when: CautionWhen::EngineRuns,
        text: "Hearing: wear protection; from 85 dB(A) over a day it is required in the EU.",
        source: "2003/10/EC",
    },
    Caution {
        when: CautionWhen::EngineRuns,
        text: "The maker's manual, local law and licensed practice come first.",
        source: "",
    },
    Caution {
        when: CautionWhen::Sprays,
        text: "Sprays and smoke: small amounts, away from hot pipes and ignition.",
        source: "",
    },
    Caution {
        when: CautionWhen::RoadTest,
        text: "Road tests need plates, insurance and the owner's consent.",
        source: "",
    },
    Caution {
        when: CautionWhen::EmissionParts,
        text: "Emission parts may be repaired, not defeated.",
        source: "",
    },
];

/// Every caution, those for a running engine first.
pub fn cautions() -> &'static [Caution] {
    &CAUTIONS
}

/// Cautions of one kind, in order.
pub fn cautions_for(when: CautionWhen) -> impl Iterator<Item = &'static Caution> {
    CAUTIONS.iter().filter(move |c| c.when == when)
}

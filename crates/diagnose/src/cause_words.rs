//! Causes in the trade's words.

use crate::assessment::CauseCode;
use crate::hypothesis::Fault;

impl CauseCode {
    /// The cause in the trade's words, as a short headline.
    pub fn words(self) -> &'static str {
        match self {
            CauseCode::None => "Breathing is even",
            CauseCode::BalanceOff => "Balance adjuster off",
            CauseCode::LinkAltered => "Sealed link or lever altered",
            CauseCode::StopIn => "Stop screw turned in",
            CauseCode::StopOut => "Stop screw backed out",
            CauseCode::StopsBoth => "Stops of all bodies moved",
            CauseCode::SensorShifted => "Throttle sensor slipped or drifted",
            CauseCode::SensorWorn => "Throttle sensor track worn",
            CauseCode::BleedUnequal => "Idle bleeds unequal",
            CauseCode::BleedBlocked => "Idle bleed blocked",
            CauseCode::SpindleWear => "Worn spindle or bushes",
            CauseCode::StubLeak => "Inlet stub leak",
            CauseCode::ValveTight => "Valve clearance too small",
            CauseCode::ValveLoose => "Valve clearance too large",
            CauseCode::CompressionLow => "Low compression",
            CauseCode::IdleValveStuckOpen => "Idle valve stuck open",
            CauseCode::IdleValveStuckShut => "Idle valve stuck shut",
            CauseCode::IdleAirHose => "Idle-air hose leaking or split",
            CauseCode::FilterBlocked => "Air filter blocked",
            CauseCode::InjectorUnequal => "Injectors unequal",
            CauseCode::SparkWeak => "Weak spark",
            CauseCode::GaugeFault => "Gauge or sensor reads wrong",
            CauseCode::CrossedHoses => "Hoses on the wrong bodies",
            CauseCode::CableTight => "Cable holds the plates open",
        }
    }
}

/// Faults in the words of their causes, each with its body; `names`: the bodies in the profile's order.
pub(crate) fn faults_in_words(faults: &[Fault], names: &[String]) -> String {
    if faults.is_empty() {
        return "nothing wrong".to_owned();
    }
    let one = |f: &Fault| {
        let mut words = f.code.words().to_owned();
        // All of them are ASCII.
        words[..1].make_ascii_lowercase();
        match f.body.and_then(|b| names.get(b)) {
            Some(body) => format!("{words} ({body})"),
            None => words,
        }
    };
    faults.iter().map(one).collect::<Vec<_>>().join(" and ")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_hypothesis_is_told_in_words_with_its_bodies() {
        let names = ["left".to_owned(), "right".to_owned()];
        let faults = [
            Fault::on(CauseCode::BalanceOff, 0),
            Fault::anywhere(CauseCode::SensorShifted),
        ];
        assert_eq!(
            faults_in_words(&faults, &names),
            "balance adjuster off (left) and throttle sensor slipped or drifted"
        );
        assert_eq!(faults_in_words(&[], &names), "nothing wrong");
    }
}

//! What can be turned on a machine, and what must stay sealed.

/// Kinds of adjuster.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum AdjusterKind {
    /// The linkage screw that is meant to be turned.
    Balance,
    /// Idle air-bleed screw.
    Bleed,
    /// Closed-plate stop screw, sealed.
    Stop,
    /// End of the rod between bodies, sealed.
    LinkEnd,
    /// Throttle sensor on its screws, sealed.
    Sensor,
}

impl AdjusterKind {
    /// True for parts that carry a seal and are turned only inside the baseline stage.
    pub fn is_sealed(self) -> bool {
        matches!(self, Self::Stop | Self::LinkEnd | Self::Sensor)
    }

    /// First part of the name in files (`stop` in `stop.left`).
    pub fn prefix(self) -> &'static str {
        match self {
            Self::Balance => "balance",
            Self::Bleed => "bleed",
            Self::Stop => "stop",
            Self::LinkEnd => "link",
            Self::Sensor => "sensor",
        }
    }

    /// The part in words.
    pub fn words(self) -> &'static str {
        match self {
            Self::Balance => "balance adjuster",
            Self::Bleed => "bleed",
            Self::Stop => "stop",
            Self::LinkEnd => "link end",
            Self::Sensor => "throttle sensor",
        }
    }
}

/// What one turn does.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum PerTurn {
    /// Plate opening [deg per turn].
    OpeningDeg(f64),
    /// Area [mm2 per turn].
    AreaMm2(f64),
    /// Not known, or the part is not turned.
    Unknown,
}

/// One adjuster of a machine.
#[derive(Debug, Clone, PartialEq)]
pub struct Adjuster {
    /// Name used in files: the profile's own word, or `bleed.left`, `stop.left`, `link.left`, `sensor`.
    pub name: String,
    /// Kind.
    pub kind: AdjusterKind,
    /// Bodies it acts on, by name.
    pub bodies: Vec<String>,
    /// Effect of one turn in the direction of `more`.
    pub per_turn: PerTurn,
    /// Direction words for more opening or area (positive turns).
    pub more: String,
    /// Direction words for less (negative turns).
    pub less: String,
}

impl Adjuster {
    /// Direction words for a signed number of turns, positive = more opening or area.
    pub fn way(&self, turns: f64) -> &str {
        if turns < 0.0 { &self.less } else { &self.more }
    }
}

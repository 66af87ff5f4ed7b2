//! Profiles that come with the program: invented machines, one per common layout.

/// A profile embedded in the program.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct BuiltinProfile {
    /// Name to call it by.
    pub id: &'static str,
    /// What it is, one line.
    pub summary: &'static str,
    /// Its `evenpull.profile/1` text.
    pub toml: &'static str,
}

const BUILTIN: [BuiltinProfile; 7] = [
    BuiltinProfile {
        id: "heron-270",
        summary: "270-degree twin, 2 x 530 cc, 46 mm bodies, one rod and one balance screw",
        toml: include_str!("builtin/heron-270.toml"),
    },
    BuiltinProfile {
        id: "plover-360",
        summary: "360-degree twin, 2 x 432 cc, 38 mm bodies, one rod and one balance screw",
        toml: include_str!("builtin/plover-360.toml"),
    },
    BuiltinProfile {
        id: "avocet-180",
        summary: "180-degree twin, 2 x 250 cc, 34 mm bodies, one rod and one balance screw",
        toml: include_str!("builtin/avocet-180.toml"),
    },
    BuiltinProfile {
        id: "dipper-triple",
        summary: "in-line triple, 3 x 300 cc, 38 mm bodies, outer bodies set to the middle one",
        toml: include_str!("builtin/dipper-triple.toml"),
    },
    BuiltinProfile {
        id: "siskin-four",
        summary: "in-line four, 4 x 250 cc, 38 mm bodies, balanced in pairs, then pair to pair",
        toml: include_str!("builtin/siskin-four.toml"),
    },
    BuiltinProfile {
        id: "bunting-shaft",
        summary: "360-degree twin, 2 x 300 cc, 36 mm bodies on one spindle: bleeds only",
        toml: include_str!("builtin/bunting-shaft.toml"),
    },
    BuiltinProfile {
        id: "curlew-vee-four",
        summary: "V-four, 4 x 225 cc, 36 mm bodies, balanced within the banks, then bank to bank",
        toml: include_str!("builtin/curlew-vee-four.toml"),
    },
];

/// The embedded profiles; every value is an assumption to be replaced by the shop's own.
pub fn builtin() -> &'static [BuiltinProfile] {
    &BUILTIN
}

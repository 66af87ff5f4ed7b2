//! The engine: libFuzzer over one target, chosen by `EVENPULL_FUZZ`; started by `cargo xtask fuzz`.
#![no_main]

use std::sync::OnceLock;

use evenpull_hardness::{Target, target};
use libfuzzer_sys::fuzz_target;

/// The target of this run.
fn chosen() -> &'static Target {
    static CHOSEN: OnceLock<&'static Target> = OnceLock::new();
    CHOSEN.get_or_init(|| {
        let name = std::env::var("EVENPULL_FUZZ").unwrap_or_default();
        target(&name).unwrap_or_else(|| panic!("`EVENPULL_FUZZ` names no target: `{name}`"))
    })
}

fuzz_target!(|bytes: &[u8]| (chosen().run)(bytes));

//! What a workshop may do to the program, and what it must stand.
//!
//! Every parser of foreign bytes is a [`Target`]: it takes any bytes and panics where a law breaks.
//! The laws: no panic, no abort, an error names the place, what was read is whole, and what goes
//! in and out again is the same. `tests/corpus.rs` runs the small corpus and changes of it on every
//! test run; `cargo xtask fuzz` lets an engine look for inputs by coverage; see `docs/hardness.md`.

mod files;
mod forms;
mod lines;
mod pressures;
mod recordings;
mod records;

/// One parser of foreign bytes.
#[derive(Debug, Clone, Copy)]
pub struct Target {
    /// Name, and that of its folder under `corpus/`.
    pub name: &'static str,
    /// Takes any bytes; a broken law is a panic.
    pub run: fn(&[u8]),
}

/// Every target.
pub const TARGETS: [Target; 15] = [
    Target {
        name: "recording",
        run: recordings::recording,
    },
    Target {
        name: "sound",
        run: recordings::sound,
    },
    Target {
        name: "layout",
        run: recordings::layout,
    },
    Target {
        name: "pressures",
        run: pressures::pressures,
    },
    Target {
        name: "lines",
        run: lines::lines,
    },
    Target {
        name: "profile",
        run: files::profile,
    },
    Target {
        name: "job",
        run: files::job,
    },
    Target {
        name: "rates",
        run: files::rates,
    },
    Target {
        name: "texts",
        run: files::texts,
    },
    Target {
        name: "archive",
        run: records::archive,
    },
    Target {
        name: "backup",
        run: records::backup,
    },
    Target {
        name: "record",
        run: records::record,
    },
    Target {
        name: "database",
        run: records::database,
    },
    Target {
        name: "photo",
        run: records::photo,
    },
    Target {
        name: "form",
        run: forms::form,
    },
];

/// The target of that name.
pub fn target(name: &str) -> Option<&'static Target> {
    TARGETS.iter().find(|target| target.name == name)
}

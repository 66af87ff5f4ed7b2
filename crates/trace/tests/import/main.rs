//! The import from outside: layouts, clocks, sound files, refusals, laws, the open jobs.

mod clock;
mod errors;
mod jobs;
mod laws;
mod layouts;
mod sound;
mod support;

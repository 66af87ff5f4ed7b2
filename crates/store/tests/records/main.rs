//! The records as a whole: opened, locked, filled, exported, backed up, damaged, salvaged.

#![expect(clippy::unwrap_used, reason = "a test fails by panicking")]

mod corrections;
mod documents;
mod library;
mod opening;
mod owners_gone;
mod sales;
mod saved_schema;
mod searching;
mod shop;
mod stages;
mod there_and_back;
mod together;
mod workshop;

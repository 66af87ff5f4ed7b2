//! The records as a whole: opened, locked, filled, exported, backed up, damaged, salvaged.

mod opening;
mod owners_gone;
mod saved_schema;
mod there_and_back;
mod workshop;

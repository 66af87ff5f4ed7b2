//! Machine, profile, job, reading, seal, adjuster, gates.

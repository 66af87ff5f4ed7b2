//! Bounded least squares and its diagnostics, no domain.

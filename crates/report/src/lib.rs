//! Plots and documents.

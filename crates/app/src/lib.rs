//! Each use case once.

//! Checks against values from outside the project.

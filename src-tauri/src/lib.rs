//! The tablet app's shell.

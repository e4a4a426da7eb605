//! The tablet through its seam, without a server: what a person does on the glass, and what the answers are.

#![expect(clippy::unwrap_used, reason = "a test that cannot go on fails right there")]
mod bad_input;
mod blind;
mod flow;
mod keeping;
mod kit;
mod local;
mod net;
mod people;
mod photos;
mod series;
mod two_tablets;

//! The tablet through its seam, without a server: what a person does on the glass, and what the answers are.

mod bad_input;
mod blind;
mod flow;
mod kit;
mod local;
mod people;
mod photos;
mod two_tablets;

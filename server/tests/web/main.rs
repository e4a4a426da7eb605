//! The server as its guests meet it: real TLS on loopback, free ports, the demo outage.

#![expect(clippy::unwrap_used, reason = "a test that cannot go on should stop with its place")]

mod board;
mod client;
mod copied;
mod crew;
mod fixture;
mod keeping;
mod limits;
mod program;
mod real_tablets;
mod series;
mod stopping;
mod strangers;
mod tablet_mode;
mod tablets;

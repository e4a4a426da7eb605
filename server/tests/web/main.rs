//! The server as its guests meet it: real TLS on loopback, free ports, the demo outage.

mod board;
mod client;
mod crew;
mod fixture;
mod strangers;
mod tablet_mode;
mod tablets;

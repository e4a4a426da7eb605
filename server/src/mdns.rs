//! Making the trailer known by multicast DNS. A convenience only: many networks block it, and pairing never needs it.

use crate::net;
use mdns_sd::{ServiceDaemon, ServiceInfo};
use std::net::SocketAddr;

const KIND: &str = "_tubewright._tcp.local.";

/// The announcement; it is taken back on stop.
pub struct Told(ServiceDaemon);

impl Told {
    /// Takes it back.
    pub fn stop(self) {
        // Nobody depends on the farewell.
        let _ = self.0.shutdown();
    }
}

/// Announces the server; `None` (and a log line) where it cannot.
pub fn tell(listener: SocketAddr, pin: &[u8; 32]) -> Option<Told> {
    match announce(listener, pin) {
        Ok(told) => Some(told),
        Err(e) => {
            crate::log(&format!("not announced by mDNS ({e}); pairing works by code and address all the same"));
            None
        }
    }
}

fn announce(listener: SocketAddr, pin: &[u8; 32]) -> Result<Told, mdns_sd::Error> {
    let mark = hex::encode(&pin[..4]);
    let host = format!("tubewright-{mark}.local.");
    let addresses: Vec<String> = match listener.ip() {
        ip if ip.is_unspecified() => net::addresses().iter().map(ToString::to_string).collect(),
        ip => vec![ip.to_string()],
    };
    let properties = [("f", hex::encode(pin))];
    let service =
        ServiceInfo::new(KIND, &format!("trailer {mark}"), &host, addresses.join(",").as_str(), listener.port(), &properties[..])?;
    let daemon = ServiceDaemon::new()?;
    daemon.register(service)?;
    Ok(Told(daemon))
}

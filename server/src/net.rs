//! This machine's names and addresses, as far as they serve a local network.

use crate::cert::local_net;
use std::net::{IpAddr, SocketAddr};

/// Its host name, or empty.
pub fn machine() -> String {
    gethostname::gethostname().to_string_lossy().into_owned()
}

/// Its addresses, loopback left out: those of local networks first, and IPv4 before IPv6, because people read it off a
/// screen and type it. Some plants use public ranges inside; tablets may dial those, the board's CA cannot vouch for them.
pub fn addresses() -> Vec<IpAddr> {
    let mut all: Vec<IpAddr> = match if_addrs::get_if_addrs() {
        Ok(list) => list.iter().map(if_addrs::Interface::ip).filter(|ip| !ip.is_loopback()).collect(),
        Err(e) => {
            crate::log(&format!("this machine's addresses cannot be listed: {e}"));
            Vec::new()
        }
    };
    // Link-local addresses need a zone to be dialled, so they go last.
    all.sort_by_key(|ip| (link_local(*ip), local_net(*ip).is_none(), ip.is_ipv6(), *ip));
    all.dedup();
    all
}

fn link_local(ip: IpAddr) -> bool {
    match ip {
        IpAddr::V4(ip) => ip.is_link_local(),
        IpAddr::V6(ip) => (ip.segments()[0] & 0xffc0) == 0xfe80,
    }
}

/// The address a tablet should dial to reach a listener.
pub fn dial(listener: SocketAddr) -> SocketAddr {
    if !listener.ip().is_unspecified() {
        return listener;
    }
    let fits = |ip: &IpAddr| listener.is_ipv6() || ip.is_ipv4();
    let loopback = if listener.is_ipv6() { IpAddr::from([0, 0, 0, 0, 0, 0, 0, 1_u16]) } else { IpAddr::from([127, 0, 0, 1]) };
    let ip = addresses().into_iter().find(fits).unwrap_or(loopback);
    SocketAddr::new(ip, listener.port())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_dialled_address_is_never_the_unspecified_one() {
        println!("{:?}: {:?}", machine(), addresses());
        for listener in ["0.0.0.0:8443", "[::]:8443", "127.0.0.1:9", "192.168.1.5:8443"] {
            let listener: SocketAddr = listener.parse().unwrap();
            let dial = dial(listener);
            println!("{listener} -> {dial}");
            assert!(!dial.ip().is_unspecified());
            assert_eq!(dial.port(), listener.port());
        }
    }
}

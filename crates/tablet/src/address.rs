//! The trailer's address, typed anew: it changes with the network; the trailer's key, by which the tablet knows it, does not.

use crate::core::{Core, parse};
use crate::fault::{self, Fault};
use crate::setting;
use serde::Deserialize;
use serde_json::{Value as Json, json};
use sync::pairing::Address;

#[derive(Deserialize)]
struct SetAddress {
    address: String,
}

impl Core {
    /// Keeps another address of the trailer this tablet is paired with. Nothing is sent there before the key fits.
    pub(crate) fn set_address(&self, args: Json) -> Result<Json, Fault> {
        let args: SetAddress = parse("set_address", args)?;
        let address = Address::parse(args.address.trim()).map_err(|e| {
            let words = format!("This is no address: {e}. Nothing was changed. Read it from the board again, such as 192.168.4.2:8443.");
            Fault::new(400, "bad-address", words).with("address", &args.address)
        })?;
        let mut inner = self.lock();
        let mut pairing = inner.pairing.clone().ok_or_else(fault::not_paired)?;
        pairing.address = address.to_string();
        setting::save(&mut inner.store, "pairing", &pairing)?;
        inner.pairing = Some(pairing);
        Ok(json!({ "address": address.to_string() }))
    }
}

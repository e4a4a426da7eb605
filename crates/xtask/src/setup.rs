//! Set-up of a fresh machine. What is there is found first, so that a second run takes a moment.

mod debian;
mod driver;
mod node;

use crate::place::Place;
use crate::stop::Stop;

/// Everything: what building needs and what driving the screens by test needs.
pub fn all(place: &Place) -> Result<(), Stop> {
    crate::run::heading("set-up");
    debian::packages(place, &[debian::BUILD, debian::DRIVE])?;
    debian::rust_parts(place)?;
    node::present(place)?;
    node::screens(place)?;
    driver::present(place)?;
    println!("set-up: all is there");
    Ok(())
}

/// Only what building and running needs: no browser, no drivers.
pub fn to_build(place: &Place) -> Result<(), Stop> {
    crate::run::heading("set-up");
    debian::packages(place, &[debian::BUILD])?;
    node::present(place)?;
    node::screens(place)?;
    println!("set-up: all is there");
    Ok(())
}

#![no_main]
//! The door `entry`: see `proof::hostile`.

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| proof::hostile::run("entry", bytes));

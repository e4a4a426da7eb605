#![no_main]
//! The door `backup`: see `proof::hostile`.

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| proof::hostile::run("backup", bytes));

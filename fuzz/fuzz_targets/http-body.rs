#![no_main]
//! The door `http-body`: see `proof::hostile`.

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| proof::hostile::run("http-body", bytes));

#![no_main]
//! The door `fold`: see `proof::hostile`.

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| proof::hostile::run("fold", bytes));

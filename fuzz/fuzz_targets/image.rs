#![no_main]
//! The door `image`: see `proof::hostile`.

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| proof::hostile::run("image", bytes));

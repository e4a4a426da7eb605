#![no_main]
//! The door `upload-range`: see `proof::hostile`.

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| proof::hostile::run("upload-range", bytes));

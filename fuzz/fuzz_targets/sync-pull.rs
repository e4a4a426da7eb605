#![no_main]
//! The door `sync-pull`: see `proof::hostile`.

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| proof::hostile::run("sync-pull", bytes));

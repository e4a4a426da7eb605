#![no_main]
//! The door `sync-push`: see `proof::hostile`.

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| proof::hostile::run("sync-push", bytes));

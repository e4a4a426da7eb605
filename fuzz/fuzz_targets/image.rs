#![no_main]
//! The door `image`: see `proof::hostile`.

// A panic inside a decoder is caught by `photo` and becomes "no preview". The fuzzer's own hook would end the process before
// that; without it, what is not caught still ends it.
libfuzzer_sys::fuzz_target!(init: std::panic::set_hook(Box::new(|panic| eprintln!("{panic}"))), |bytes: &[u8]| {
    proof::hostile::run("image", bytes)
});

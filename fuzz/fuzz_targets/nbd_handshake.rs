//! A client's bytes from the first one on: greeting, options, and what follows them.
#![no_main]

use libfuzzer_sys::fuzz_target;

fuzz_target!(|bytes: &[u8]| imbrex_fuzz::session::hold(bytes));

//! A file of recorded requests, as `simulate --replay` reads it.
#![no_main]

use std::io::Write;

use imbrex::lab::recording::Recording;
use libfuzzer_sys::fuzz_target;

fuzz_target!(|bytes: &[u8]| {
    let mut file = tempfile::NamedTempFile::new_in("/dev/shm").expect("room in memory");
    file.write_all(bytes).expect("room in memory");
    if let Err(error) = Recording::read(file.path()) {
        assert!(!error.to_string().is_empty());
    }
});

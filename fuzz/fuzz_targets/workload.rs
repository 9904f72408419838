//! The text of a workload: as TOML, and as words.
#![no_main]

use imbrex::lab::workload::Workload;
use libfuzzer_sys::fuzz_target;

fuzz_target!(|bytes: &[u8]| {
    let Ok(text) = std::str::from_utf8(bytes) else {
        return;
    };
    let read = if Workload::is_words(text) {
        Workload::from_words(text)
    } else {
        Workload::from_toml("fuzzed", text)
    };
    if let Err(error) = read {
        assert!(!error.to_string().is_empty());
    }
});

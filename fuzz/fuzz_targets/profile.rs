//! The text of a profile. One that is accepted comes back from its own text, and has a layout or a
//! reason why not; scaling it is refused or gives a valid one.
#![no_main]

use imbrex::image::open;
use imbrex::profile::Profile;
use libfuzzer_sys::fuzz_target;

fuzz_target!(|bytes: &[u8]| {
    let Ok(text) = std::str::from_utf8(bytes) else {
        return;
    };
    match Profile::from_toml("fuzzed", text) {
        Err(error) => assert!(!error.to_string().is_empty()),
        Ok(profile) => {
            let again = Profile::from_toml("rendered", &profile.to_toml());
            assert_eq!(again.expect("what is rendered is valid"), profile);
            let _ = open::image_bytes(&profile);
            if let Ok((scaled, _)) = profile.scaled_to(profile.capacity_bytes_min()) {
                open::image_bytes(&scaled).expect("what is scaled down fits");
            }
        }
    }
});

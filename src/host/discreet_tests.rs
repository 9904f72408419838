//! What a sealed drive says when it fails.

use super::{CAPACITY, DriveInfo, Pace, StandIn, TAKES, info, rig, write};

#[test]
fn the_failure_of_a_sealed_drive_is_told_without_a_place_in_its_image() {
    let told = |discreet| {
        let of = DriveInfo {
            discreet,
            ..info(CAPACITY)
        };
        let mut rig = rig(Pace::Off, StandIn::new(TAKES, false), of);
        rig.store.fail_nth(1);
        let answer = rig.outcome(write(0, 1)).expect_err("it fails").to_string();
        let why = rig.event_loop.failure().expect("it says so").to_string();
        assert!(answer.contains("writing"), "{answer}");
        [answer, why]
    };
    for words in told(false) {
        assert!(words.contains("at byte 0 of the image"), "{words}");
    }
    for words in told(true) {
        assert!(words.contains("writing the image failed"), "{words}");
        assert!(!words.contains("byte"), "{words}");
    }
}

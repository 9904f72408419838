//! Two claims about the default drive that arithmetic rules out, and what holds instead.
//!
//! Common practice: 160,000 bands of 24 tracks at 5,900 rpm; a log entry of half a track with two
//! out-of-band revolutions; a staging area of 33,744 half tracks; 31 requests under way. Everything
//! else here is derived from these.

use imbrex::profile::Profile;
use imbrex::time::Duration;

use crate::dice::Dice;
use crate::figures::{in_ms, near, real};
use crate::stopwatch::{Stopwatch, WRITE};

const TURN_MS: f64 = 60_000.0 / 5_900.0;
const BANDS: u64 = 160_000;

fn desktop(change: impl FnOnce(&mut Profile)) -> Stopwatch {
    Stopwatch::of("desktop-5tb", |profile| {
        profile.write_cache.enabled = false;
        profile.drive.formatted = true;
        change(profile);
    })
}

/// A band is read and written at least: 2 * 24 turns, 0.488 s. With 31 writes to an entry, 33,744 entries
/// hold 1,046,064 writes, which dirty 159,768 bands (law of occupied boxes): 21.7 h at least, however the
/// drive cleans. So a staging area that was filled at full queue cannot drain in 10 hours. Here each of
/// 300 bands all over the drive has one staged sector; cleaning them takes the floor and more, for every
/// number of passes.
#[test]
fn a_staging_area_filled_at_full_queue_cannot_drain_in_ten_hours() {
    let floor_ms = 2.0 * 24.0 * TURN_MS;
    let writes: u32 = 31 * 33_744;
    let bands = real(BANDS);
    let dirty = bands * (1.0 - (1.0 - 1.0 / bands).powf(f64::from(writes)));
    near("dirty bands", dirty, 159_768.4, 0.1);
    near("hours at least", dirty * floor_ms / 3.6e6, 21.66, 0.01);
    for passes in [2, 3, 4] {
        let mut drive = desktop(|profile| profile.cleaning.passes = passes);
        let mut dice = Dice::new(u64::from(passes));
        let sectors = 5_000_000_000_000 / 4_096;
        let wanted: Vec<_> = (0..300)
            .map(|_| (WRITE, dice.below(sectors) * 4_096, 4_096))
            .collect();
        drive.closed_loop(31, wanted);
        let status = drive.drive.status(drive.now);
        assert_eq!(status.counters.bands_cleaned, 0);
        let bands = real(status.dirty_bands);
        let before = status.counters.medium_ns;
        while drive.drive.status(drive.now).dirty_bands > 0 {
            drive.pause(10_000_000_000);
        }
        let after = drive.drive.status(drive.now).counters.medium_ns;
        let busy: u64 = after
            .iter()
            .zip(before)
            .map(|(after, before)| after - before)
            .sum();
        let each_ms = in_ms(Duration(busy)) / bands;
        assert!(each_ms > floor_ms, "{passes} passes: {each_ms} ms a band");
        assert!(dirty * each_ms / 3.6e6 > 21.66, "{passes} passes");
    }
}

/// Half tracks of payload and two turns for the record are 2.5 turns with nothing left: were the
/// payload's place on its track fixed, every entry that changes tracks would cost the move of 1 ms on
/// top, which is every second one. Synchronous writes take 25.42 ms throughout, so entries begin
/// anywhere and the change of tracks hides behind the record. 700 entries change tracks 350 times and
/// bands 14 times.
#[test]
fn log_entries_take_two_and_a_half_turns_whatever_track_they_begin_on() {
    let mut drive =
        desktop(|profile| profile.staging.as_mut().unwrap().merge_every_entries = 10_000);
    let wanted: Vec<_> = (0..700).map(|i| (WRITE, i * (4 << 20), 4_096)).collect();
    let done = drive.closed_loop(1, wanted);
    for answer in &done[1..] {
        let parts = answer.breakdown;
        assert_eq!(
            (parts.seek, parts.rotation),
            (Duration::ZERO, Duration::ZERO)
        );
        let mechanism = in_ms(parts.out_of_band + parts.transfer);
        // 7 us for the interface.
        near("turns", mechanism / TURN_MS, 2.5, 0.001);
    }
}

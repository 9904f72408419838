//! The production drive against a plain reference, in virtual time: requests of every kind, every
//! style of profile, power cuts after any movement.

#![allow(clippy::unwrap_used, clippy::print_stdout)] // a test asserts, and names its seed

mod rig;

use imbrex::medium::memory_store::Fate;
use imbrex::profile::{
    BandChoice, BandSize, CleaningStep, CleaningStyle, Personality, Place, Profile, QueueOrder,
    StagingMedium, StagingPlace,
};
use imbrex::time::Duration;
use rand_chacha::ChaCha8Rng;
use rand_core::{Rng, SeedableRng};
use rig::{Ask, Rig};

fn tiny() -> Profile {
    Profile::from_toml("tiny", Profile::built_in("tiny").unwrap()).unwrap()
}

/// Seeded choices.
struct Dice(ChaCha8Rng);

impl Dice {
    fn new(seed: u64) -> Dice {
        Dice(ChaCha8Rng::seed_from_u64(seed))
    }

    fn below(&mut self, bound: u64) -> u64 {
        self.0.next_u64() % bound
    }

    fn one_in(&mut self, n: u64) -> bool {
        self.below(n) == 0
    }
}

/// A profile of a style that the dice choose, and its name.
fn styled(dice: &mut Dice) -> (Profile, String) {
    let mut profile = tiny();
    let mut name = Vec::new();
    for zone in &mut profile.platters.zones {
        // Room for every style.
        zone.tracks *= 2;
    }
    if dice.one_in(8) {
        profile.drive.personality = Personality::Conventional;
        profile.bands.overlap_tracks = 0;
        profile.bands.guard_tracks = 0;
        profile.staging = None;
        name.push("conventional".to_owned());
    }
    if let Some(staging) = &mut profile.staging {
        staging.medium = match dice.below(6) {
            0 => StagingMedium::Flash {
                read_latency: Duration::from_us(80),
                write_latency: Duration::from_us(200),
                bytes_per_s: 200_000_000,
            },
            1 => StagingMedium::Disk {
                place: StagingPlace::One(Place::Inner),
                quanta_per_track: 0,
                out_of_band_rev_milli: 0,
            },
            2 => StagingMedium::Disk {
                place: StagingPlace::Spread(2),
                quanta_per_track: 2,
                out_of_band_rev_milli: 500,
            },
            3 => StagingMedium::Disk {
                place: StagingPlace::One(Place::Middle),
                quanta_per_track: 4,
                out_of_band_rev_milli: 0,
            },
            _ => staging.medium,
        };
        if matches!(staging.medium, StagingMedium::Flash { .. }) || dice.one_in(3) {
            staging.slots = 16 + dice.below(200);
        }
        staging.extents = 48 + dice.below(200);
        staging.merge_every_entries = 1 + u32::try_from(dice.below(12)).unwrap();
        name.push(format!(
            "{:?} slots {} extents {}",
            staging.medium, staging.slots, staging.extents
        ));
    }
    if dice.one_in(3) {
        profile.bands.size = BandSize::Bytes(160 * 1024);
        name.push("bands in bytes".to_owned());
    }
    profile.drive.formatted = dice.one_in(3);
    profile.drive.queue_order = if dice.one_in(2) {
        QueueOrder::Arrival
    } else {
        QueueOrder::Nearest
    };
    profile.cleaning.passes = 2 + u32::try_from(dice.below(3)).unwrap();
    profile.cleaning.style = if dice.one_in(2) {
        CleaningStyle::Aggressive
    } else {
        CleaningStyle::Lazy
    };
    profile.cleaning.step = if dice.one_in(3) {
        CleaningStep::Band
    } else {
        CleaningStep::Track
    };
    profile.cleaning.choice = [
        BandChoice::Oldest,
        BandChoice::Fullest,
        BandChoice::Ascending,
    ][usize::try_from(dice.below(3)).unwrap()];
    profile.write_cache.enabled = !dice.one_in(3);
    profile.write_cache.bypass_run_bytes =
        [0, 64 << 10, 16 << 10][usize::try_from(dice.below(3)).unwrap()];
    profile.write_cache.bytes = [64 << 10, 512 << 10][usize::try_from(dice.below(2)).unwrap()];
    profile.trim.zeroes_deallocate = dice.one_in(2);
    name.push(format!(
        "{:?} {:?} {:?}",
        profile.bands, profile.cleaning, profile.write_cache
    ));
    (profile, name.join("; "))
}

/// A request that the dice choose: mostly small, some unaligned, some long, in a few hot places.
fn random_ask(dice: &mut Dice, all: u64) -> Ask {
    let unaligned = dice.one_in(4);
    let grain = if unaligned { 1 } else { 8 };
    let sectors = match dice.below(20) {
        0 => 64 + dice.below(64),
        1..=3 => 8 + dice.below(16),
        _ => 1 + dice.below(4),
    };
    let pieces = if unaligned {
        1 + dice.below(20)
    } else {
        sectors * 8
    };
    let spot = match dice.below(4) {
        0 => dice.below(all / 8),
        _ => all / 5 * dice.below(5) + dice.below(all / 20),
    };
    let at = (spot / grain * grain).min(all - pieces);
    match dice.below(20) {
        0..=5 => Ask::Read { at, pieces },
        6..=14 => Ask::Write {
            at,
            pieces,
            fua: dice.one_in(12),
        },
        15 => Ask::Trim { at, pieces },
        16 => Ask::Zero {
            at,
            pieces,
            fua: dice.one_in(6),
            may_deallocate: dice.one_in(2),
        },
        _ => Ask::Flush,
    }
}

fn run(seed: u64, operations: u64, cuts: bool) -> u64 {
    let mut dice = Dice::new(seed);
    let (profile, name) = styled(&mut dice);
    println!("seed {seed}: {name}");
    let mut rig = Rig::new(&profile);
    let all = rig.pieces();
    let mut stream = 0;
    let mut done = 0;
    while done < operations {
        let ask = match dice.below(30) {
            0 => {
                // A long sequential run, which may go straight to its bands.
                stream = if dice.one_in(2) {
                    dice.below(all / 512) * 512
                } else {
                    stream
                };
                for _ in 0..=dice.below(24) {
                    let pieces = 128.min(all - stream);
                    if pieces == 0 {
                        break;
                    }
                    let ask = Ask::Write {
                        at: stream,
                        pieces,
                        fua: false,
                    };
                    if rig.clashes(ask) {
                        rig.settle();
                    }
                    rig.ask(ask);
                    done += 1;
                    stream = (stream + pieces) % all;
                }
                Ask::Flush
            }
            1 => Ask::Trim {
                at: dice.below(all / 512) * 512,
                pieces: 512,
            },
            2 => {
                rig.rest(dice.below(4_000_000_000));
                Ask::Flush
            }
            _ => random_ask(&mut dice, all),
        };
        if rig.clashes(ask) {
            rig.settle();
        }
        rig.ask(ask);
        done += 1;
        if cuts && dice.one_in(25) {
            let waiting = u64::try_from(rig.steps_waiting()).unwrap();
            let reached = usize::try_from(dice.below(waiting + 1)).unwrap();
            let kept = dice.below(3);
            rig = rig.cut_power(reached, &mut |_| match kept {
                0 => Fate::Kept,
                1 => Fate::Lost,
                _ => match dice.below(3) {
                    0 => Fate::Kept,
                    1 => Fate::Lost,
                    _ => Fate::Torn(u8::try_from(dice.below(256)).unwrap()),
                },
            });
            continue;
        }
        match dice.below(6) {
            0 => rig.settle(),
            1..=2 => {
                rig.carry_out();
                rig.step();
            }
            3 => {}
            _ => rig.carry_out(),
        }
        while rig.under_way() > 12 {
            rig.carry_out();
            assert!(rig.step());
        }
    }
    rig.settle();
    done
}

#[test]
fn every_request_reads_back_what_the_reference_says() {
    for seed in 0..100 {
        run(seed, 500, false);
    }
}

#[test]
fn a_power_cut_after_any_movement_loses_nothing_that_was_durable() {
    let mut operations = 0;
    for seed in 1000..1100 {
        operations += run(seed, 600, true);
    }
    assert!(operations >= 60_000);
}

//! Small drives of every kind, what a plain array in their place would hold, and power cuts all over
//! their lives.

use imbrex::medium::memory_store::Fate;
use imbrex::profile::{CleaningStyle, Personality, Profile, StagingMedium};
use imbrex::time::Duration;

use crate::rig::{Ask, PIECE, Rig};

/// Pieces of a physical sector.
pub(crate) const SECTOR: u64 = 4096 / PIECE;
pub(crate) const SECOND_NS: u64 = 1_000_000_000;

/// A small drive of every kind, and what is said of it when it fails.
pub(crate) fn kinds() -> Vec<Profile> {
    let mut plain = Profile::from_toml("tiny", Profile::built_in("tiny").unwrap()).unwrap();
    for zone in &mut plain.platters.zones {
        // Room for every kind.
        zone.tracks *= 2;
    }
    let kind = |name: &str, change: &dyn Fn(&mut Profile)| {
        let mut profile = plain.clone();
        change(&mut profile);
        name.clone_into(&mut profile.name);
        profile
    };
    let conventional = |profile: &mut Profile| {
        profile.drive.personality = Personality::Conventional;
        profile.bands.overlap_tracks = 0;
        profile.bands.guard_tracks = 0;
        profile.staging = None;
    };
    vec![
        kind("four passes", &|_| {}),
        kind("three passes", &|p| p.cleaning.passes = 3),
        kind("two passes, formatted", &|p| {
            p.cleaning.passes = 2;
            p.drive.formatted = true;
        }),
        kind("cache off", &|p| p.write_cache.enabled = false),
        kind("lazy, small map", &|p| {
            p.cleaning.style = CleaningStyle::Lazy;
            let staging = p.staging.as_mut().unwrap();
            (staging.extents, staging.merge_every_entries) = (64, 2);
        }),
        kind("flash", &|p| {
            p.staging.as_mut().unwrap().medium = StagingMedium::Flash {
                read_latency: Duration::from_us(80),
                write_latency: Duration::from_us(200),
                bytes_per_s: 200_000_000,
            };
        }),
        kind("conventional", &conventional),
        kind("conventional, cache off", &|p| {
            conventional(p);
            p.write_cache.enabled = false;
        }),
    ]
}

pub(crate) fn each_kind(mut check: impl FnMut(&Profile)) {
    for profile in kinds() {
        println!("{}", profile.name);
        check(&profile);
    }
}

pub(crate) fn is_managed(profile: &Profile) -> bool {
    profile.staging.is_some()
}

pub(crate) fn write(at: u64, pieces: u64) -> Ask {
    let fua = false;
    Ask::Write { at, pieces, fua }
}

pub(crate) fn fua(at: u64, pieces: u64) -> Ask {
    let fua = true;
    Ask::Write { at, pieces, fua }
}

pub(crate) fn slice(at: u64, pieces: u64) -> std::ops::Range<usize> {
    usize::try_from(at).unwrap()..usize::try_from(at + pieces).unwrap()
}

/// What a plain array of pieces would hold.
pub(crate) struct Array(pub(crate) Vec<Option<u64>>);

impl Array {
    pub(crate) fn new(rig: &Rig) -> Array {
        Array(vec![Some(0); slice(0, rig.pieces()).len()])
    }

    pub(crate) fn write(&mut self, rig: &mut Rig, at: u64, pieces: u64) {
        let by = rig.done(write(at, pieces));
        self.0[slice(at, pieces)].fill(Some(by));
    }

    pub(crate) fn zero(&mut self, at: u64, pieces: u64) {
        self.0[slice(at, pieces)].fill(Some(0));
    }

    pub(crate) fn check(&self, rig: &mut Rig) {
        let found = rig.values(0, rig.pieces());
        let wrong = found.iter().zip(&self.0).position(|(a, b)| a != b);
        assert_eq!(wrong, None, "first wrong piece");
    }
}

/// `count` places all over a drive of `all` pieces: where, and how many pieces.
pub(crate) fn places(seed: u64, count: u64, all: u64, grain: u64) -> Vec<(u64, u64)> {
    let place = |i: u64| {
        let spread = (seed * 1_000 + i) * 7_919 % (all / grain - 8) * grain;
        (spread, (1 + i % 7) * grain)
    };
    (0..count).map(place).collect()
}

/// What becomes of a sector that was written since the last sync.
pub(crate) type Fating = fn(u64) -> Fate;

pub(crate) fn lost(_: u64) -> Fate {
    Fate::Lost
}

pub(crate) fn kept(_: u64) -> Fate {
    Fate::Kept
}

pub(crate) fn torn(sector: u64) -> Fate {
    Fate::Torn(u8::try_from(sector * 37 % 256).unwrap())
}

/// Prepares a drive, cuts its power at many moments of what follows and in many places of the list
/// of movements, and checks what is there then.
pub(crate) fn cut_power_anywhere<T>(
    profile: &Profile,
    prepare: impl Fn(&mut Rig) -> T,
    check: impl Fn(&mut Rig, &T),
) {
    let ends: [(usize, Fating); 4] = [(0, lost), (1, torn), (2, kept), (2, lost)];
    for steps in [0, 1, 2, 5, 11, 29, 80] {
        for (share, fate) in ends {
            let mut rig = Rig::new(profile);
            let prepared = prepare(&mut rig);
            for _ in 0..steps {
                rig.step();
            }
            rig.begin_step();
            let reached = rig.steps_waiting() * share / 2;
            let mut rig = rig.cut_power(reached, &mut |sector| fate(sector));
            check(&mut rig, &prepared);
        }
    }
}

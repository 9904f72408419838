//! Generated runs: a seed gives the style of the drive, the requests, and the moments of the power
//! cuts. Same seed, same run.

use imbrex::drive::fault::{
    Commands, FailCommands, Fault, Lasts, MediaError, Slow, Switch, Whereabouts,
};
use imbrex::image::open::image_bytes;
use imbrex::medium::memory_store::Fate;
use imbrex::medium::mover::StoreOperation;
use imbrex::profile::{
    BandChoice, BandSize, CleaningStep, CleaningStyle, Personality, Place, Profile, QueueOrder,
    RecordingZone, StagingMedium, StagingPlace,
};
use imbrex::time::Duration;
use rand_chacha::ChaCha8Rng;
use rand_core::{Rng, SeedableRng};

use super::reference::Ask;
use super::tally::Tally;
use super::{PIECE, Rig};

/// The smallest of the profiles that ship.
pub(crate) fn tiny() -> Profile {
    Profile::from_toml("tiny", Profile::built_in("tiny").unwrap()).unwrap()
}

/// Seeded choices.
pub(crate) struct Dice(ChaCha8Rng);

impl Dice {
    pub(crate) fn new(seed: u64) -> Dice {
        Dice(ChaCha8Rng::seed_from_u64(seed))
    }

    pub(crate) fn below(&mut self, bound: u64) -> u64 {
        self.0.next_u64() % bound
    }

    pub(crate) fn one_in(&mut self, n: u64) -> bool {
        self.below(n) == 0
    }

    pub(crate) fn one_of<T: Copy, const N: usize>(&mut self, all: [T; N]) -> T {
        all[usize::try_from(self.below(u64::try_from(N).unwrap())).unwrap()]
    }
}

/// A profile that the dice choose: half of them in the mechanism of the tiny one.
pub(crate) fn any(dice: &mut Dice) -> Profile {
    let profile = styled(dice);
    if dice.one_in(2) {
        return profile;
    }
    // Most drives of chance do not fit together.
    let valid = (0..40).map(|_| shaken(&profile, dice)).find(is_valid);
    valid.unwrap_or(profile)
}

/// A style that the dice choose.
fn styled(dice: &mut Dice) -> Profile {
    let mut profile = tiny();
    for zone in &mut profile.platters.zones {
        // Room for every style.
        zone.tracks *= 2;
    }
    if dice.one_in(8) {
        profile.drive.personality = Personality::Conventional;
        profile.bands.overlap_tracks = 0;
        profile.bands.guard_tracks = 0;
        profile.staging = None;
    }
    if let Some(staging) = &mut profile.staging {
        staging.medium = match dice.below(6) {
            0 => StagingMedium::Flash {
                read_latency: Duration::from_us(80),
                write_latency: Duration::from_us(200),
                bytes_per_s: 200_000_000,
            },
            1 => disk(StagingPlace::One(Place::Inner), 0, 0),
            2 => disk(StagingPlace::Spread(2), 2, 500),
            3 => disk(StagingPlace::One(Place::Middle), 4, 0),
            _ => staging.medium,
        };
        if matches!(staging.medium, StagingMedium::Flash { .. }) || dice.one_in(3) {
            staging.slots = if dice.one_in(4) {
                1 + dice.below(12)
            } else {
                16 + dice.below(200)
            };
        }
        staging.extents = match dice.below(6) {
            0 => 2 + dice.below(6),
            1 => 8 + dice.below(40),
            _ => 48 + dice.below(200),
        };
        staging.entry_bytes_max = dice.one_of([4 << 10, 16 << 10, 64 << 10, 64 << 10]);
        staging.merge_every_entries = if dice.one_in(4) {
            1000
        } else {
            1 + u32::try_from(dice.below(12)).unwrap()
        };
    }
    if dice.one_in(3) {
        profile.bands.size = BandSize::Bytes(160 * 1024);
    }
    profile.drive.formatted = dice.one_in(3);
    profile.drive.queue_depth = dice.one_of([1, 4, 4, 8]);
    profile.drive.queue_order = dice.one_of([
        QueueOrder::Arrival,
        QueueOrder::Nearest,
        QueueOrder::Elevator,
    ]);
    profile.cleaning.passes = dice.one_of([2, 3, 4]);
    profile.cleaning.style = dice.one_of([CleaningStyle::Aggressive, CleaningStyle::Lazy]);
    profile.cleaning.step =
        dice.one_of([CleaningStep::Band, CleaningStep::Track, CleaningStep::Track]);
    profile.cleaning.choice = dice.one_of([
        BandChoice::Oldest,
        BandChoice::Fullest,
        BandChoice::Ascending,
    ]);
    profile.write_cache.enabled = !dice.one_in(3);
    profile.write_cache.bypass_run_bytes = dice.one_of([0, 64 << 10, 16 << 10]);
    profile.write_cache.bytes = dice.one_of([4 << 10, 64 << 10, 512 << 10]);
    profile.read_ahead_bytes = dice.one_of([0, 32 << 10]);
    profile.trim.zeroes_deallocate = dice.one_in(2);
    profile.platters.start_anywhere = dice.one_in(3);
    profile
}

/// The same style in another mechanism, of other sizes.
fn shaken(profile: &Profile, dice: &mut Dice) -> Profile {
    let mut profile = profile.clone();
    let small = |dice: &mut Dice, from: u64, below: u64| {
        u32::try_from(from + dice.below(below - from)).unwrap()
    };
    profile.drive.capacity_bytes = (1 + dice.below(8)) << 20;
    profile.drive.logical_sector_bytes = dice.one_of([512, 4096]);
    let platters = &mut profile.platters;
    platters.surfaces = small(dice, 1, 5);
    platters.rpm_milli = dice.one_of([5_400_000, 7_200_000]);
    let mut sectors = small(dice, 10, 33);
    platters.zones = (0..=dice.below(3))
        .map(|_| {
            let tracks = small(dice, 40, 200);
            let zone = RecordingZone {
                tracks,
                sectors_per_track: sectors,
            };
            sectors -= small(dice, 0, 4).min(sectors - 8);
            zone
        })
        .collect();
    profile.bands.spares_per_zone = small(dice, 1, 4);
    if profile.staging.is_some() {
        profile.bands.overlap_tracks = small(dice, 1, 4);
        profile.bands.guard_tracks = profile.bands.overlap_tracks + small(dice, 0, 2);
    }
    profile.bands.size = match dice.below(3) {
        0 => BandSize::Bytes((64 + dice.below(200)) << 12),
        _ => BandSize::Tracks(small(dice, 2, 9)),
    };
    if let Some(staging) = &mut profile.staging {
        staging.bytes = (128 + dice.below(2048)) << 10;
        staging.merge_tracks = small(dice, 1, 4);
        staging.merge_place = dice.one_of([Place::Outer, Place::Middle, Place::Inner]);
    }
    let cleaning = &mut profile.cleaning;
    cleaning.idle_delay = Duration::from_us(dice.below(2_000_000));
    cleaning.low_mark_percent = small(dice, 1, 60);
    cleaning.high_mark_percent = cleaning.low_mark_percent + small(dice, 1, 39);
    profile.write_cache.destage_delay = Duration::from_us(dice.below(500_000));
    profile
}

/// Whether somebody could have written it down, and its parts fit.
fn is_valid(profile: &Profile) -> bool {
    let read = Profile::from_toml("shaken", &profile.to_toml());
    read.is_ok_and(|read| read == *profile) && image_bytes(profile).is_ok()
}

fn disk(place: StagingPlace, quanta_per_track: u32, out_of_band_rev_milli: u32) -> StagingMedium {
    StagingMedium::Disk {
        place,
        quanta_per_track,
        out_of_band_rev_milli,
    }
}

/// What of a profile the dice chose, in one line.
pub(crate) fn describe(profile: &Profile) -> String {
    format!(
        "{:?} {:?} {:?} {:?} {:?} {:?}",
        profile.drive,
        profile.platters,
        profile.bands,
        profile.staging,
        profile.cleaning,
        profile.write_cache
    )
}

/// What the host of one run is like: of each kind of request so many in all of them.
struct Habits {
    kinds: [u64; 5],
    unaligned_one_in: u64,
    long_one_in: u64,
    /// How often it writes long runs, discards large ranges, leaves the drive alone.
    stream: u64,
    discard: u64,
    rest: u64,
}

impl Habits {
    /// Mostly small requests, some unaligned, some long; every other host is one of extremes.
    fn of(dice: &mut Dice) -> Habits {
        if dice.one_in(2) {
            return Habits {
                kinds: [6, 9, 1, 1, 3],
                unaligned_one_in: 4,
                long_one_in: 20,
                stream: 1,
                discard: 1,
                rest: 1,
            };
        }
        let mut share = || dice.below(4) * dice.below(4);
        Habits {
            kinds: [share(), 1 + share(), share(), share(), share()],
            unaligned_one_in: dice.one_of([1, 3, 1000]),
            long_one_in: dice.one_of([3, 20, 1000]),
            stream: dice.below(4),
            discard: dice.below(3),
            rest: dice.below(6),
        }
    }

    /// A request that the dice choose, in a few hot places.
    fn ask(&self, dice: &mut Dice, all: u64) -> Ask {
        let unaligned = dice.one_in(self.unaligned_one_in);
        let grain = if unaligned { 1 } else { 8 };
        let sectors = if dice.one_in(self.long_one_in) {
            64 + dice.below(64)
        } else if dice.one_in(6) {
            8 + dice.below(16)
        } else {
            1 + dice.below(4)
        };
        let pieces = if unaligned {
            1 + dice.below(20)
        } else {
            sectors * 8
        };
        let spot = match dice.below(5) {
            // So few sectors that requests meet in them.
            0 => dice.below(48),
            1 => dice.below(all / 8),
            _ => all / 5 * dice.below(5) + dice.below(all / 20),
        };
        let at = (spot / grain * grain).min(all - pieces);
        let mut draw = dice.below(self.kinds.iter().sum());
        let kind = self.kinds.iter().position(|share| {
            let here = draw < *share;
            draw = draw.wrapping_sub(*share);
            here
        });
        match kind {
            Some(0) => Ask::Read { at, pieces },
            Some(1) => Ask::Write {
                at,
                pieces,
                fua: dice.one_in(12),
            },
            Some(2) => Ask::Trim { at, pieces },
            Some(3) => Ask::Zero {
                at,
                pieces,
                fua: dice.one_in(6),
                may_deallocate: dice.one_in(2),
            },
            _ => Ask::Flush,
        }
    }
}

/// What becomes of the sectors at stake in a power cut, by a rule that the dice choose.
pub(crate) fn fates(dice: &mut Dice) -> impl FnMut(u64) -> Fate + use<> {
    let rule = dice.below(4);
    let mut dice = Dice::new(dice.below(u64::MAX));
    move |_| match rule {
        0 => Fate::Kept,
        1 => Fate::Lost,
        2 => dice.one_of([Fate::Kept, Fate::Kept, Fate::Kept, Fate::Lost]),
        _ => match dice.below(3) {
            0 => Fate::Kept,
            1 => Fate::Lost,
            _ => Fate::Torn(u8::try_from(dice.below(256)).unwrap()),
        },
    }
}

/// A run under way.
struct Run {
    dice: Dice,
    habits: Habits,
    rig: Option<Rig>,
    all: u64,
    stream: u64,
    operations: u64,
    cuts: bool,
    damage: bool,
    /// How often the mover will do nothing.
    stalls: u64,
}

/// What a run may do.
#[derive(Clone, Copy, Debug, Default)]
#[allow(clippy::struct_excessive_bools)] // any of them with any other
pub(crate) struct Options {
    pub(crate) seed: u64,
    /// A profile that ships, scaled down as far as it goes; without, the dice choose a small one.
    pub(crate) drive: Option<&'static str>,
    pub(crate) operations: u64,
    pub(crate) cuts: bool,
    /// Whether the mover keeps up: if not, it lags behind as the dice choose.
    pub(crate) lag: bool,
    /// Whether faults on request befall the drive.
    pub(crate) faults: bool,
    /// Whether operations of the store fail and bits of it flip.
    pub(crate) damage: bool,
}

/// Says what a run was like if it fails.
struct LastWords(Options, String);

impl Drop for LastWords {
    fn drop(&mut self) {
        if std::thread::panicking() {
            println!("failed: {:?}: {}", self.0, self.1);
        }
    }
}

fn large(name: &str) -> Profile {
    let profile = Profile::from_toml(name, Profile::built_in(name).unwrap()).unwrap();
    let (profile, _) = profile.scaled_to(profile.capacity_bytes_min()).unwrap();
    profile
}

/// Runs and tells which states were met.
pub(crate) fn run(options: Options) -> Tally {
    run_traced(options, false).0
}

/// Runs; the number stands for everything that the drive did.
pub(crate) fn run_traced(options: Options, trace: bool) -> (Tally, u64) {
    let mut dice = Dice::new(options.seed);
    let profile = match options.drive {
        Some(name) => large(name),
        None => any(&mut dice),
    };
    let habits = Habits::of(&mut dice);
    let _words = LastWords(options, describe(&profile));
    let mut rig = Rig::new(&profile);
    if trace {
        rig.trace = Some(std::hash::DefaultHasher::new());
    }
    let all = rig.pieces();
    let mut run = Run {
        dice,
        habits,
        rig: Some(rig),
        all,
        stream: 0,
        operations: 0,
        cuts: options.cuts,
        damage: options.damage,
        stalls: 0,
    };
    while run.operations < options.operations {
        if options.faults && run.dice.one_in(12) {
            run.misfortune();
        }
        run.go_on(options.lag);
    }
    if options.faults {
        run.rig().lift_all();
    }
    if options.damage {
        // What was still to fail does not any more.
        run.rig().store.fail_nth(u64::MAX / 2);
        if run.rig().broken.is_some() {
            run.recover();
        }
    }
    let rig = run.rig.take().expect("a rig").shut_down_and_reopen();
    let mut tally = rig.tally.clone();
    tally.add("operations", run.operations);
    let fingerprint = if trace { rig.fingerprint() } else { 0 };
    (tally, fingerprint)
}

impl Run {
    fn rig(&mut self) -> &mut Rig {
        self.rig.as_mut().expect("a rig")
    }

    fn ask(&mut self, ask: Ask) {
        let rig = self.rig();
        if rig.clashes(ask) {
            rig.settle();
        }
        if !rig.stands_still() {
            rig.ask(ask);
        }
        self.operations += 1;
    }

    /// After a failed operation nothing works until the image is opened again; then all does.
    fn recover(&mut self) {
        let rig = self.rig();
        if rig.broken.as_ref().unwrap().operation != StoreOperation::Read {
            rig.stays_broken();
        }
        rig.tally.add("failed operations", 1);
        self.cut();
    }

    /// One or a few requests, and some time.
    fn go_on(&mut self, lag: bool) {
        if self.rig().broken.is_some() {
            self.recover();
        }
        if self.damage && self.dice.one_in(60) {
            let n = 1 + self.dice.below(40);
            self.rig().store.fail_nth(n);
        }
        if self.damage && self.dice.one_in(30) {
            let rig = self.rig.as_mut().expect("a rig");
            rig.flip_a_bit(&mut self.dice);
        }
        let Habits {
            stream,
            discard,
            rest,
            ..
        } = self.habits;
        match self.dice.below(30) {
            n if n < stream => self.stream(),
            n if n < stream + discard => {
                let at = self.dice.below(self.all / 512) * 512;
                self.ask(Ask::Trim { at, pieces: 512 });
            }
            n if n < stream + discard + rest => {
                let ns = self.dice.below(4_000_000_000);
                self.rest(ns);
                self.ask(Ask::Flush);
            }
            _ => {
                let ask = self.habits.ask(&mut self.dice, self.all);
                self.ask(ask);
            }
        }
        if self.cuts && self.dice.one_in(25) {
            return self.cut();
        }
        if self.dice.one_in(20) {
            self.rig().audit();
        }
        match self.dice.below(6) {
            0 => self.rig().settle(),
            1..=2 => {
                self.carry(lag);
                self.rig().advance();
                if self.cuts && self.dice.one_in(25) {
                    return self.cut();
                }
                self.carry(lag);
            }
            3 => {}
            _ => self.carry(lag),
        }
        while self.rig().under_way() > 12 && !self.rig().stands_still() {
            self.carry(lag);
            if !self.rig().advance() {
                self.rig().carry_out();
            }
        }
    }

    /// A fault befalls the drive, or all are over.
    fn misfortune(&mut self) {
        let on = self.dice.one_in(2);
        let fault = match self.dice.below(8) {
            0..=1 => Fault::WriteCache(Switch { on }),
            2 => Fault::ReadOnly(Switch { on }),
            3 => Fault::Slow(Slow {
                percent: 100 + self.dice.below(300),
            }),
            4 => Fault::FailCommands(FailCommands {
                commands: 1 + self.dice.below(3),
                after_bands_cleaned: self.dice.below(3),
            }),
            5..=6 => Fault::MediaError(self.media_error()),
            _ => return self.rig().lift_all(),
        };
        self.rig().impose(fault);
    }

    fn media_error(&mut self) -> MediaError {
        let pieces = 1 + self.dice.below(64);
        let at = self.dice.below(self.all - pieces);
        let on = self
            .dice
            .one_of([Commands::Reads, Commands::Reads, Commands::Writes]);
        let lasts = [Lasts::Once, Lasts::Times(3), Lasts::Permanent];
        MediaError {
            offset: at * PIECE,
            bytes: pieces * PIECE,
            on,
            lasts: if on == Commands::Reads && self.dice.one_in(2) {
                Lasts::UntilRewritten
            } else {
                self.dice.one_of(lasts)
            },
            place: self.dice.one_of([
                Whereabouts::Anywhere,
                Whereabouts::Home,
                Whereabouts::Staged,
            ]),
            tries_ns: self.dice.below(1_000_000_000),
        }
    }

    /// A long sequential run, which may go straight to its bands.
    fn stream(&mut self) {
        if self.dice.one_in(2) {
            self.stream = self.dice.below(self.all / 512) * 512;
        }
        for _ in 0..=self.dice.below(24) {
            let pieces = 128.min(self.all - self.stream);
            let at = self.stream;
            self.ask(Ask::Write {
                at,
                pieces,
                fua: false,
            });
            self.stream = (self.stream + pieces) % self.all;
        }
        self.ask(Ask::Flush);
    }

    /// Lets the drive alone for a while, in which the power may go at any step of its own work.
    fn rest(&mut self, ns: u64) {
        if !self.cuts || !self.dice.one_in(2) {
            return self.rig().rest(ns);
        }
        self.rig().settle();
        for _ in 0..self.dice.below(40) {
            self.rig().carry_out();
            self.rig().advance();
        }
        self.cut();
    }

    fn carry(&mut self, lag: bool) {
        if lag && self.stalls == 0 && self.dice.one_in(8) {
            self.stalls = 1 + self.dice.below(8);
        }
        if self.stalls > 0 {
            self.stalls -= 1;
            let plans = usize::try_from(self.dice.below(4) / 3).unwrap();
            self.rig().carry(plans);
        } else {
            self.rig().carry_out();
        }
    }

    /// The power goes; and sometimes again before what recovery found is settled.
    fn cut(&mut self) {
        let mut rig = self.rig.take().expect("a rig");
        loop {
            let waiting = u64::try_from(rig.steps_waiting()).unwrap();
            let reached = usize::try_from(self.dice.below(waiting + 1)).unwrap();
            let mut fates = fates(&mut self.dice);
            rig = rig.cut_power_only(reached, &mut fates);
            if !self.dice.one_in(4) {
                break;
            }
        }
        rig.compare();
        self.rig = Some(rig);
    }
}

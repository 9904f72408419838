//! Maps that are well formed and say what cannot be: opening such an image is refused or gives a
//! drive, but never panics; and a drive that it gives either serves or says why it stopped.

#![allow(clippy::unwrap_used)] // a test asserts

use imbrex::drive::Drive;
use imbrex::drive::request::{Operation, Request};
use imbrex::extent::Extent;
use imbrex::image::open::{self, OpenError};
use imbrex::medium::layout::Layout;
use imbrex::medium::memory_store::MemoryStore;
use imbrex::medium::movement::RequestId;
use imbrex::medium::store::Store;
use imbrex::profile::Profile;
use imbrex::time::Instant;
use imbrex::translation::change::Change;
use imbrex::translation::codec::header::seal;
use imbrex::translation::codec::map_record::{MapHeader, encode_state};
use imbrex::translation::codec::map_state::{
    BandAge, BandPlace, MapState, RegionHead, SparePass, Target,
};
use imbrex::translation::codec::record::{JournalHeader, encode_journal, journal_sectors};
use imbrex::units::{BandId, HomeBand, Lba, Pba, Sectors};
use proptest::collection::vec;
use proptest::prelude::*;

const BANDS: u32 = 60;

fn sectors() -> impl Strategy<Value = Sectors> {
    prop_oneof![0..70u64, Just(u64::MAX / 2)].prop_map(Sectors)
}

fn band() -> impl Strategy<Value = BandId> {
    (0..BANDS + 4).prop_map(BandId)
}

fn home() -> impl Strategy<Value = HomeBand> {
    (0..40u32).prop_map(HomeBand)
}

fn place() -> impl Strategy<Value = Pba> {
    prop_oneof![0..5000u64, Just(u64::MAX - 100)].prop_map(Pba)
}

/// A place that a full map has words for.
fn mapped() -> impl Strategy<Value = Pba> {
    prop_oneof![0..5000u64, Just((1 << 40) - 100)].prop_map(Pba)
}

fn extent() -> impl Strategy<Value = Extent<Lba>> {
    (0..2100u64, 1..200u64).prop_map(|(start, n)| Extent::new(Lba(start), Sectors(n)))
}

prop_compose! {
    fn map()(
        runs in vec((0..60u64, 1..50u64, prop::option::of(mapped())), 0..12),
        places in vec((home(), band(), sectors()), 0..5),
        passes in vec((home(), band(), sectors()), 0..4),
        heads in vec((band(), sectors()), 0..3),
        ages in vec((band(), 0..9u64), 0..5),
    ) -> MapState {
        let mut at = 0;
        let mut state = MapState::default();
        for (gap, n, target) in runs {
            let extent = Extent::new(Lba(at + gap), Sectors(n));
            at = extent.end().0;
            state.extents.push((extent, target.map_or(Target::Hole, Target::At)));
        }
        state.band_places = places
            .into_iter()
            .map(|(band, at, written)| BandPlace { band, at, written })
            .collect();
        state.passes = passes
            .into_iter()
            .map(|(band, spare, upto)| SparePass { band, spare, upto })
            .collect();
        state.heads = heads
            .into_iter()
            .map(|(band, next)| RegionHead { band, next })
            .collect();
        state.ages = ages
            .into_iter()
            .map(|(band, age)| BandAge { band, age })
            .collect();
        state.band_places.sort_by_key(|p| p.band);
        state.band_places.dedup_by_key(|p| p.band);
        state.passes.sort_by_key(|p| p.band);
        state.passes.dedup_by_key(|p| p.band);
        state.ages.sort_by_key(|p| p.band);
        state.ages.dedup_by_key(|p| p.band);
        state
    }
}

fn change() -> impl Strategy<Value = Change> {
    prop_oneof![
        (vec(extent(), 1..3), place(), sectors()).prop_map(|(extents, at, slot_sectors)| {
            Change::Stage {
                extents,
                at,
                slot_sectors,
            }
        }),
        (home(), sectors(), sectors()).prop_map(|(band, from, upto)| Change::Append {
            band,
            from: from.min(upto),
            upto: from.max(upto),
        }),
        (home(), band(), sectors(), sectors(), vec(extent(), 0..3)).prop_map(
            |(band, spare, from, upto, keep)| Change::Divert {
                band,
                spare,
                from: from.min(upto),
                upto: from.max(upto),
                keep,
            }
        ),
        extent().prop_map(|extent| Change::Trim { extent }),
        (home(), band(), sectors(), vec(extent(), 0..3)).prop_map(|(band, at, written, keep)| {
            Change::Cleaned {
                band,
                at,
                written,
                keep,
            }
        }),
    ]
}

/// What counts openings, maps and records: a plausible number, or one from which counting cannot go on.
fn counter() -> impl Strategy<Value = u64> {
    let far = prop_oneof![Just(1 << 62), ((1 << 62) - 3)..u64::MAX, Just(u64::MAX)];
    prop_oneof![3 => 1..20u64, 1 => far]
}

fn write(store: &MemoryStore, at: Pba, mut record: Vec<u8>) {
    seal(&mut record);
    store.write_at(&record, at.0 * 4096).unwrap();
}

fn tiny() -> Profile {
    Profile::from_toml("tiny", Profile::built_in("tiny").unwrap()).unwrap()
}

/// Opens an image with this map and these records after it.
fn opened(map: &MapState, changes: &[Change], counters: [u64; 3]) -> Result<Drive, OpenError> {
    let [epoch, generation, last] = counters;
    let profile = tiny();
    let layout = Layout::new(&profile).unwrap();
    let store = MemoryStore::new(open::image_bytes(&profile).unwrap());
    open::make(&store, &profile, [7; 16]).unwrap();
    let at = layout.band(layout.map_half(0)).start;
    let mut next = layout.journal().start;
    let header = MapHeader {
        epoch,
        generation,
        sequence: last,
        journal_position: next,
        at,
    };
    write(&store, at, encode_state(&header, map));
    for (sequence, change) in (last.saturating_add(1)..=u64::MAX).zip(changes) {
        let changes = std::slice::from_ref(change);
        let sectors = journal_sectors(0, changes);
        let header = JournalHeader {
            epoch,
            sequence,
            durable: last,
            at: next,
            sectors,
        };
        write(&store, next, encode_journal(&header, &[], changes).0);
        next = next + sectors;
    }
    Ok(open::open(&store, false)?.drive)
}

/// Uses the drive of such an image for a while, if it is not refused.
fn use_it(map: &MapState, changes: &[Change], counters: [u64; 3]) {
    let Ok(mut drive) = opened(map, changes, counters) else {
        return;
    };
    let capacity = drive.profile().drive.capacity_bytes;
    let mut now = Instant::default();
    for id in 1..40u64 {
        let operation = match id % 4 {
            0 => Operation::Read,
            1 => Operation::Trim,
            2 => Operation::Flush,
            _ => Operation::Write { fua: true },
        };
        let offset = id * 7 * 28672 % (capacity - 262_144) / 4096 * 4096;
        let request = Request::new(RequestId(id), operation, offset, 24576, capacity).unwrap();
        drive.submit(now, request);
        for _ in 0..30 {
            let Some(next) = drive.next_deadline() else {
                break;
            };
            now = now.max(next.at);
            drive.advance(now);
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::with_cases(400) })]

    #[test]
    fn no_map_and_no_record_make_it_panic(
        map in prop_oneof![Just(MapState::default()), map()],
        changes in vec(change(), 0..6),
        counters in [counter(), counter(), counter()],
    ) {
        use_it(&map, &changes, counters);
    }
}

#[test]
fn the_maps_are_not_all_refused() {
    // A map of nothing, and one of a single run in a staging band that is in use.
    let layout = Layout::new(&tiny()).unwrap();
    let staging = BandId(layout.regions()[0].bands.start);
    let mut map = MapState::default();
    assert!(opened(&map, &[], [1, 1, 5]).is_ok());
    map.ages.push(BandAge {
        band: staging,
        age: 3,
    });
    map.heads.push(RegionHead {
        band: staging,
        next: Sectors(8),
    });
    let run = Extent::new(Lba(3), Sectors(2));
    map.extents
        .push((run, Target::At(layout.band(staging).start)));
    assert!(opened(&map, &[], [1, 1, 5]).is_ok());
    use_it(&map, &[], [1, 1, 5]);
    assert!(layout.bands() <= BANDS, "{}", layout.bands());
}

#[test]
fn a_run_in_a_staging_band_that_is_not_in_use_is_refused() {
    let layout = Layout::new(&tiny()).unwrap();
    let at = layout.band(BandId(layout.regions()[0].bands.start)).start;
    let (lost, staged) = (extent_of(3), extent_of(100));
    let map = MapState {
        extents: vec![(lost, Target::At(at + Sectors(8)))],
        ..MapState::default()
    };
    // An entry takes the band into use; then both runs leave it, of which one was counted.
    let changes = [
        Change::Stage {
            extents: vec![staged],
            at,
            slot_sectors: Sectors(8),
        },
        Change::Trim { extent: staged },
        Change::Trim { extent: lost },
    ];
    let refused = opened(&map, &changes, [1, 1, 5]).map(drop).unwrap_err();
    let why = format!("{:#}", anyhow::Error::from(refused));
    assert!(why.contains("which is not in use"), "{why}");
}

fn extent_of(start: u64) -> Extent<Lba> {
    Extent::new(Lba(start), Sectors(2))
}

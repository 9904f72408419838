//! Tests of the record formats: what is written is read back, what was not written is refused.

use std::fmt::Debug;

use proptest::collection::vec;
use proptest::prelude::*;

use crate::extent::LbaExtent;
use crate::translation::change::Change;
use crate::translation::codec::error::RecordError;
use crate::translation::codec::header::{MAGIC, RecordKind, seal};
use crate::translation::codec::map_record::*;
use crate::translation::codec::map_state::*;
use crate::translation::codec::record::*;
use crate::translation::lifetime::Lifetime;
use crate::units::{BandId, HomeBand, Lba, Pba, SECTOR_BYTES, Sectors, count, index};

fn extent() -> impl Strategy<Value = LbaExtent> {
    (0..1_u64 << 48, 1..1_u64 << 32)
        .prop_map(|(start, sectors)| LbaExtent::new(Lba(start), Sectors(sectors)))
}

fn extents() -> impl Strategy<Value = Vec<LbaExtent>> {
    vec(extent(), 0..40)
}

fn range() -> impl Strategy<Value = (Sectors, Sectors)> {
    (any::<u32>(), any::<u32>()).prop_map(|(from, more)| {
        let from = u64::from(from);
        (Sectors(from), Sectors(from + u64::from(more)))
    })
}

fn change() -> impl Strategy<Value = Change> {
    prop_oneof![
        (extents(), any::<u64>(), any::<u64>()).prop_map(|(extents, at, slot)| Change::Stage {
            extents,
            at: Pba(at),
            slot_sectors: Sectors(slot),
        }),
        (any::<u32>(), range()).prop_map(|(band, (from, upto))| Change::Append {
            band: HomeBand(band),
            from,
            upto,
        }),
        (any::<u32>(), any::<u32>(), range(), extents()).prop_map(
            |(band, spare, (from, upto), keep)| Change::Divert {
                band: HomeBand(band),
                spare: BandId(spare),
                from,
                upto,
                keep,
            }
        ),
        extent().prop_map(|extent| Change::Trim { extent }),
        (any::<u32>(), any::<u32>(), any::<u64>(), extents()).prop_map(
            |(band, at, written, keep)| Change::Cleaned {
                band: HomeBand(band),
                at: BandId(at),
                written: Sectors(written),
                keep,
            }
        ),
    ]
}

fn changes() -> impl Strategy<Value = Vec<Change>> {
    vec(change(), 0..30)
}

fn span() -> impl Strategy<Value = PayloadSpan> {
    (0..1_u64 << 48, 1..10_000_u64, any::<u32>()).prop_map(|(at, sectors, crc)| PayloadSpan {
        at: Pba(at),
        bytes: sectors * SECTOR_BYTES,
        crc,
    })
}

fn journal() -> impl Strategy<Value = JournalRecord> {
    let numbers = (counter(), counter(), counter(), 0..1_u64 << 48, 0..9_u64);
    (numbers, vec(span(), 0..20), changes()).prop_map(|(numbers, payload, changes)| {
        let (epoch, one, other, at, more) = numbers;
        let header = JournalHeader {
            epoch,
            sequence: one.max(other),
            durable: one.min(other),
            at: Pba(at),
            sectors: journal_sectors(payload.len(), &changes) + Sectors(more),
        };
        JournalRecord {
            header,
            payload,
            changes,
        }
    })
}

fn map_header() -> impl Strategy<Value = MapHeader> {
    let counters = [counter(), counter(), counter()];
    (counters, any::<u64>(), 0..1_u64 << 48).prop_map(|(counters, position, at)| MapHeader {
        epoch: counters[0],
        generation: counters[1],
        sequence: counters[2],
        journal_position: Pba(position),
        at: Pba(at),
    })
}

fn counter() -> impl Strategy<Value = u64> {
    0..=1_u64 << 62
}

fn ascending<T: Debug>(entry: impl Strategy<Value = T>) -> impl Strategy<Value = Vec<(u32, T)>> {
    vec((0..1000_u32, entry), 0..60).prop_map(|entries| {
        let mut band = 0;
        let step = |(gap, entry)| {
            band += gap + 1;
            (band, entry)
        };
        entries.into_iter().map(step).collect()
    })
}

fn map_state() -> impl Strategy<Value = MapState> {
    let target = prop_oneof![
        (0..1_u64 << 39).prop_map(|pba| Target::At(Pba(pba))),
        Just(Target::Hole)
    ];
    let extents = vec(
        (0..100_u64, prop_oneof![1..500_u64, 1..1_u64 << 30], target),
        0..400,
    )
    .prop_map(|runs| {
        let mut end = Lba(0);
        let place = |(gap, sectors, target)| {
            let extent = LbaExtent::new(end + Sectors(gap), Sectors(sectors));
            end = extent.end();
            (extent, target)
        };
        runs.into_iter().map(place).collect()
    });
    let wide = || (any::<u32>(), any::<u64>());
    let tables = (
        ascending(wide()),
        ascending(wide()),
        ascending(any::<u64>()),
    );
    let counted = [(); 4].map(|()| any::<u64>()).prop_map(|counted| Lifetime {
        entries: counted[0],
        staged: Sectors(counted[1]),
        bands_renewed: counted[2],
        rewritten: Sectors(counted[3]),
    });
    let all = (extents, tables, vec(wide(), 0..8), counted);
    all.prop_map(|(extents, (places, passes, ages), heads, lifetime)| {
        let place = |(band, (at, written))| BandPlace {
            band: HomeBand(band),
            at: BandId(at),
            written: Sectors(written),
        };
        let pass = |(band, (spare, upto))| SparePass {
            band: HomeBand(band),
            spare: BandId(spare),
            upto: Sectors(upto),
        };
        let head = |(band, next)| RegionHead {
            band: BandId(band),
            next: Sectors(next),
        };
        let age = |(band, age)| BandAge {
            band: BandId(band),
            age,
        };
        MapState {
            extents,
            band_places: places.into_iter().map(place).collect(),
            passes: passes.into_iter().map(pass).collect(),
            heads: heads.into_iter().map(head).collect(),
            ages: ages.into_iter().map(age).collect(),
            lifetime,
        }
    })
}

fn sealed(mut bytes: Vec<u8>) -> Vec<u8> {
    seal(&mut bytes);
    bytes
}

fn encode_record(record: &JournalRecord) -> Vec<u8> {
    sealed(encode_journal(&record.header, &record.payload, &record.changes).0)
}

fn encode_map(record: &MapRecord) -> Vec<u8> {
    sealed(match record {
        MapRecord::Full { header, state } => encode_state(header, state),
        MapRecord::Delta {
            header,
            index,
            changes,
        } => encode_delta(header, *index, changes),
    })
}

/// One change of each kind.
pub(super) fn one_of_each() -> Vec<Change> {
    let kept = LbaExtent::new(Lba(70), Sectors(3));
    vec![
        Change::Stage {
            extents: vec![kept],
            at: Pba(900),
            slot_sectors: Sectors(16),
        },
        Change::Append {
            band: HomeBand(3),
            from: Sectors(8),
            upto: Sectors(24),
        },
        Change::Divert {
            band: HomeBand(4),
            spare: BandId(40),
            from: Sectors(0),
            upto: Sectors(32),
            keep: vec![kept],
        },
        Change::Trim { extent: kept },
        Change::Cleaned {
            band: HomeBand(4),
            at: BandId(40),
            written: Sectors(64),
            keep: vec![kept],
        },
    ]
}

/// A journal record with one span and one change of each kind, for sector 77.
pub(super) fn sample_journal() -> JournalRecord {
    JournalRecord {
        header: JournalHeader {
            epoch: 2,
            sequence: 11,
            durable: 9,
            at: Pba(77),
            sectors: Sectors(2),
        },
        payload: vec![PayloadSpan {
            at: Pba(900),
            bytes: 3 * SECTOR_BYTES,
            crc: 0x1234_5678,
        }],
        changes: one_of_each(),
    }
}

/// A full map with one entry in each table, for sector 88.
pub(super) fn sample_full() -> MapRecord {
    let state = MapState {
        extents: vec![(LbaExtent::new(Lba(5), Sectors(2)), Target::At(Pba(901)))],
        band_places: vec![BandPlace {
            band: HomeBand(1),
            at: BandId(12),
            written: Sectors(64),
        }],
        passes: vec![SparePass {
            band: HomeBand(2),
            spare: BandId(13),
            upto: Sectors(16),
        }],
        heads: vec![RegionHead {
            band: BandId(0),
            next: Sectors(8),
        }],
        ages: vec![BandAge {
            band: BandId(0),
            age: 5,
        }],
        lifetime: Lifetime {
            entries: 31,
            staged: Sectors(32),
            bands_renewed: 33,
            rewritten: Sectors(34),
        },
    };
    MapRecord::Full {
        header: sample_map_header(),
        state,
    }
}

/// A delta with one change of each kind, for sector 88.
pub(super) fn sample_delta() -> MapRecord {
    MapRecord::Delta {
        header: sample_map_header(),
        index: 6,
        changes: one_of_each(),
    }
}

fn sample_map_header() -> MapHeader {
    MapHeader {
        epoch: 2,
        generation: 7,
        sequence: 10,
        journal_position: Pba(76),
        at: Pba(88),
    }
}

/// Decodes a sample and encodes what came out.
type Reencode = fn(&[u8]) -> Result<Vec<u8>, RecordError>;

/// The samples as bytes, with their decoder.
fn samples() -> Vec<(Vec<u8>, Reencode)> {
    vec![
        (encode_record(&sample_journal()), reencoded_journal),
        (encode_map(&sample_full()), reencoded_map),
        (encode_map(&sample_delta()), reencoded_map),
    ]
}

fn reencoded_journal(bytes: &[u8]) -> Result<Vec<u8>, RecordError> {
    decode_journal(bytes, Pba(77)).map(|record| encode_record(&record))
}

fn reencoded_map(bytes: &[u8]) -> Result<Vec<u8>, RecordError> {
    decode_map(bytes, Pba(88)).map(|record| encode_map(&record))
}

proptest! {
    #[test]
    fn a_journal_record_comes_back_as_written(record in journal()) {
        let bytes = encode_record(&record);
        let at = record.header.at;
        prop_assert_eq!(decode_journal(&bytes, at), Ok(record));
    }

    #[test]
    fn the_predicted_length_is_the_encoded_length(record in journal(), state in map_state()) {
        let (spans, changes) = (record.payload.len(), &record.changes);
        let length = |bytes: &[u8]| Sectors(count(bytes.len()) / SECTOR_BYTES);
        let bytes = encode_record(&record);
        prop_assert_eq!(journal_sectors(spans, changes), length(&bytes));
        prop_assert_eq!(peek_sectors(&bytes[..4096], record.header.at), Ok(length(&bytes)));
        let bytes = encode_delta(&sample_map_header(), 0, changes);
        prop_assert_eq!(delta_sectors(changes), length(&bytes));
        let bytes = encode_state(&sample_map_header(), &state);
        prop_assert_eq!(full_sectors(&state.counts()), length(&bytes));
        prop_assert_eq!(peek_map_sectors(&bytes[..4096], Pba(88)), Ok(length(&bytes)));
    }

    #[test]
    fn the_offsets_of_payload_checksums_are_where_they_are_read(record in journal()) {
        let (mut bytes, offsets) = encode_journal(&record.header, &record.payload, &record.changes);
        prop_assert_eq!(offsets.len(), record.payload.len());
        let mut expected = record.clone();
        for (span, offset) in expected.payload.iter_mut().zip(offsets) {
            span.crc = !span.crc;
            bytes[index(offset)..][..4].copy_from_slice(&span.crc.to_le_bytes());
        }
        seal(&mut bytes);
        prop_assert_eq!(decode_journal(&bytes, record.header.at), Ok(expected));
    }

    #[test]
    fn a_full_map_comes_back_as_written(header in map_header(), state in map_state()) {
        let at = header.at;
        let record = MapRecord::Full { header, state };
        prop_assert_eq!(decode_map(&encode_map(&record), at), Ok(record));
    }

    #[test]
    fn a_delta_comes_back_as_written(header in map_header(), index: u64, changes in changes()) {
        let at = header.at;
        let record = MapRecord::Delta { header, index, changes };
        prop_assert_eq!(decode_map(&encode_map(&record), at), Ok(record));
    }

    /// The mutations carry a right checksum, so they reach every field's own check.
    #[test]
    fn what_is_accepted_is_what_a_writer_writes(
        which in 0..3_usize,
        // Weighted to the used front of the sector and to values that overflow.
        pokes in vec((12..420_usize, prop_oneof![Just(0_u8), Just(1), Just(0xff), any::<u8>()]), 1..12),
    ) {
        let (mut bytes, reencoded) = samples().swap_remove(which);
        for (offset, value) in pokes {
            bytes[offset] = value;
        }
        seal(&mut bytes);
        if let Ok(again) = reencoded(&bytes) {
            prop_assert_eq!(again, bytes);
        }
    }

    #[test]
    fn random_bytes_after_the_magic_are_refused(noise in vec(any::<u8>(), 0..9000), at: u64) {
        let bytes = [&MAGIC[..], &noise].concat();
        prop_assert!(decode_journal(&bytes, Pba(at)).is_err());
        prop_assert!(decode_map(&bytes, Pba(at)).is_err());
        if let Ok(sectors) = peek_sectors(&bytes, Pba(at)) {
            prop_assert!(sectors <= RecordKind::Journal.sectors_max());
        }
        let error = decode_map(&noise, Pba(at)).unwrap_err();
        let absent =
            matches!(error, RecordError::NotARecord { .. } | RecordError::Truncated { .. });
        prop_assert!(absent, "{}", error);
    }
}

#[test]
fn every_flipped_bit_is_detected() {
    for (bytes, reencoded) in samples() {
        assert_eq!(reencoded(&bytes).as_ref(), Ok(&bytes));
        for bit in 0..bytes.len() * 8 {
            let mut flipped = bytes.clone();
            flipped[bit / 8] ^= 1 << (bit % 8);
            assert!(reencoded(&flipped).is_err(), "bit {bit} flipped unnoticed");
        }
    }
}

#[test]
fn every_cut_is_detected() {
    for (bytes, reencoded) in samples() {
        for length in 0..bytes.len() {
            let error = reencoded(&bytes[..length]).unwrap_err();
            assert!(
                matches!(error, RecordError::Truncated { .. }),
                "cut to {length}: {error}"
            );
        }
    }
}

#[test]
fn a_record_read_from_elsewhere_names_both_addresses() {
    let bytes = encode_record(&sample_journal());
    let expected = RecordError::WrongAddress {
        at: Pba(78),
        found: Pba(77),
    };
    assert_eq!(decode_journal(&bytes, Pba(78)), Err(expected.clone()));
    assert_eq!(peek_sectors(&bytes, Pba(78)), Err(expected));
}

#[test]
fn a_record_of_another_kind_is_refused() {
    let journal = encode_record(&sample_journal());
    let error = decode_map(&journal, Pba(77)).unwrap_err();
    assert!(
        matches!(error, RecordError::WrongKind { found: 2, .. }),
        "{error}"
    );
    let map = encode_map(&sample_full());
    let error = decode_journal(&map, Pba(88)).unwrap_err();
    assert!(
        matches!(error, RecordError::WrongKind { found: 3, .. }),
        "{error}"
    );
}

#[test]
fn a_record_of_another_version_is_told_from_a_damaged_one() {
    let mut bytes = encode_record(&sample_journal());
    bytes[12..14].copy_from_slice(&9_u16.to_le_bytes());
    seal(&mut bytes);
    let error = decode_journal(&bytes, Pba(77)).unwrap_err();
    assert!(
        matches!(error, RecordError::WrongVersion { found: 9, .. }),
        "{error}"
    );
}

#[test]
fn a_blank_sector_is_no_record() {
    let at = Pba(5);
    let blank = RecordError::NotARecord { at, found: 0 };
    assert_eq!(decode_journal(&[0; 4096], at), Err(blank.clone()));
    assert_eq!(decode_map(&[0; 4096], at), Err(blank.clone()));
    assert_eq!(peek_sectors(&[0; 4096], at), Err(blank));
}

/// Sets the four bytes at each of these offsets to all ones and expects the field to be named.
#[track_caller]
fn check_count(mut bytes: Vec<u8>, offset: usize, expected: &str) {
    bytes[offset..offset + 4].fill(0xff);
    seal(&mut bytes);
    let result = match decode_journal(&bytes, Pba(77)) {
        Err(RecordError::WrongAddress { .. } | RecordError::WrongKind { .. }) => {
            decode_map(&bytes, Pba(88)).map(drop)
        }
        other => other.map(drop),
    };
    match result {
        Err(RecordError::BadField {
            field,
            offset: at,
            found,
            ..
        }) => {
            assert_eq!((field, at, found), (expected, count(offset), 0xffff_ffff));
        }
        other => panic!("{expected}: {other:?}"),
    }
}

#[test]
fn a_count_that_cannot_be_true_is_refused_before_anything_is_allocated() {
    let journal = encode_record(&sample_journal());
    check_count(journal.clone(), 64, "spans");
    check_count(journal, 68, "changes");
    let full = encode_map(&sample_full());
    for (offset, field) in [
        (64, "extents"),
        (68, "band_places"),
        (72, "passes"),
        (76, "heads"),
        (80, "ages"),
    ] {
        check_count(full.clone(), offset, field);
    }
    check_count(encode_map(&sample_delta()), 72, "changes");
}

#[test]
fn a_length_beyond_the_longest_record_is_refused_by_peeking() {
    let mut bytes = encode_record(&sample_journal());
    let most = RecordKind::Journal.sectors_max().bytes();
    bytes[40..48].copy_from_slice(&most.to_le_bytes());
    assert_eq!(
        peek_sectors(&bytes, Pba(77)),
        Ok(Sectors(most / SECTOR_BYTES))
    );
    for length in [0, 47, most + 1, u64::MAX] {
        bytes[40..48].copy_from_slice(&length.to_le_bytes());
        let error = peek_sectors(&bytes, Pba(77)).unwrap_err();
        assert!(
            matches!(
                error,
                RecordError::BadField {
                    field: "length",
                    offset: 40,
                    ..
                }
            ),
            "{length}: {error}"
        );
    }
}

#[test]
#[should_panic(expected = "extents out of order")]
fn overlapping_extents_are_not_written() {
    let MapRecord::Full { header, mut state } = sample_full() else {
        panic!("a full map");
    };
    state
        .extents
        .push((LbaExtent::new(Lba(6), Sectors(1)), Target::Hole));
    encode_state(&header, &state);
}

#[test]
fn overlapping_extents_are_not_read() {
    let MapRecord::Full { header, mut state } = sample_full() else {
        panic!("a full map");
    };
    state
        .extents
        .push((LbaExtent::new(Lba(7), Sectors(1)), Target::Hole));
    let mut bytes = encode_state(&header, &state);
    // The second extent's start: 116 bytes of header and counts, one entry of 16.
    assert_eq!(bytes[132], 7);
    bytes[132] = 6;
    seal(&mut bytes);
    let error = decode_map(&bytes, Pba(88)).unwrap_err();
    assert_eq!(
        error.to_string(),
        "sector 88, byte 132: extent.start is 6, expected no less than the end before it"
    );
}

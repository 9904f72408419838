//! Owns images with a past, and the ways in which their metadata is spoiled. A record that was
//! spoiled can be given a checksum that fits again: decoders are reached behind it.

use std::sync::LazyLock;

use imbrex::host::handle::Ask;
use imbrex::medium::layout::Layout;
use imbrex::medium::memory_store::{Fate, MemoryStore};
use imbrex::medium::store::Store;
use imbrex::profile::Profile;
use imbrex::translation::codec::header::seal;
use imbrex::units::Pba;

use crate::{new_image, small, start};

const SECTOR: usize = 4096;
/// Where a record's header says how long it is (`docs/image-format.md`).
const LENGTH_AT: usize = 40;
/// No record of these images is longer.
const RECORD_SECTORS_MAX: usize = 64;
/// Bytes of an input that stand for one act of spoiling.
const ACT_BYTES: usize = 6;
const ACTS_MAX: usize = 32;

/// An image, and the sectors of it that hold metadata.
pub struct OldImage {
    store: MemoryStore,
    metadata: Vec<u64>,
}

/// Of each style: one that the power left in the middle of its work, one that ended in order.
static IMAGES: LazyLock<Vec<OldImage>> = LazyLock::new(|| {
    let mut images = Vec::new();
    for (cache, passes) in [(true, 2), (false, 3)] {
        let mut profile = small();
        profile.write_cache.enabled = cache;
        profile.cleaning.passes = passes;
        let store = new_image(&profile);
        images.push(OldImage::of(new_image(&profile), &profile));
        let cut = live(&store);
        images.push(OldImage::of(cut, &profile));
        images.push(OldImage::of(store, &profile));
    }
    images
});

/// Writes, discards and flushes; returns what a power cut before the end leaves.
fn live(store: &MemoryStore) -> MemoryStore {
    let (handle, owner) = start(store);
    let sectors = 512_u64;
    for i in 0..160_u64 {
        let offset = i * 7919 % (sectors - 16) * 4096;
        let ask = match i % 8 {
            5 => Ask::Trim {
                offset,
                bytes: 32_768,
                fua: true,
            },
            7 => Ask::Flush,
            _ => Ask::Write {
                offset,
                data: vec![1; 4096 << (i % 4)],
                fua: i % 3 == 0,
            },
        };
        handle.ask(ask).expect("the drive works");
    }
    let cut = store.power_cut(&mut |_| Fate::Kept);
    for i in 0..40_u64 {
        let (offset, data) = (i * 8192, vec![2; 8192]);
        let ask = Ask::Write {
            offset,
            data,
            fua: false,
        };
        handle.ask(ask).expect("the drive works");
    }
    owner.stop().expect("it ends in order");
    cut
}

impl OldImage {
    fn of(store: MemoryStore, profile: &Profile) -> OldImage {
        let layout = Layout::new(profile).expect("its parts fit");
        let halves = [0, 1].map(|half| layout.band(layout.map_half(half)).extent());
        let mut metadata = Vec::new();
        for area in [layout.system(), layout.journal(), halves[0], halves[1]] {
            let used = (area.start.0..area.end().0)
                .filter(|at| read(&store, *at).iter().any(|byte| *byte != 0));
            metadata.extend(used);
        }
        OldImage { store, metadata }
    }
}

/// The image that an input stands for, all of it durable: what is written to it later shows.
pub fn spoiled(input: &[u8]) -> MemoryStore {
    let (choice, acts) = input.split_first().unwrap_or((&0, &[]));
    let image = &IMAGES[usize::from(*choice) % IMAGES.len()];
    let work = image.store.power_cut(&mut |_| Fate::Kept);
    for act in acts.chunks_exact(ACT_BYTES).take(ACTS_MAX) {
        spoil(&work, &image.metadata, act);
    }
    work.sync().expect("it does not fail");
    work
}

fn spoil(store: &MemoryStore, metadata: &[u64], act: &[u8]) {
    let sector = |number: u16| metadata[usize::from(number) % metadata.len()];
    let at = sector(u16::from_le_bytes([act[1], act[2]]));
    let wide = u16::from_le_bytes([act[3], act[4]]);
    // Most of what matters lies at the front of a record.
    let offset = usize::from(wide) % if act[0] & 0x40 == 0 { 256 } else { SECTOR };
    let value = act[5];
    let mut bytes = read(store, at);
    match act[0] % 8 {
        0 => bytes[offset] = value,
        1 => bytes[offset] ^= value.max(1),
        2 => fill(&mut bytes, offset, &u64::from(value).to_le_bytes()),
        3 => fill(
            &mut bytes,
            offset,
            &(u64::MAX - u64::from(value)).to_le_bytes(),
        ),
        4 => fill(&mut bytes, offset, &[value; 4]),
        5 => bytes = read(store, sector(wide)),
        6 => bytes[offset..].fill(0),
        _ => bytes[offset] = bytes[offset].wrapping_add(value),
    }
    write(store, at, &bytes);
    if act[0] & 0x80 == 0 {
        reseal(store, record_around(store, at));
    }
}

fn fill(bytes: &mut [u8], offset: usize, with: &[u8]) {
    for (byte, new) in bytes[offset..].iter_mut().zip(with) {
        *byte = *new;
    }
}

/// Where the record begins that a sector is a part of, or the sector itself.
fn record_around(store: &MemoryStore, at: u64) -> u64 {
    let first = at.saturating_sub(RECORD_SECTORS_MAX as u64 - 1);
    let holds = |start: &u64| {
        let bytes = read(store, *start);
        begins_record(&bytes) && start + length_sectors(&bytes) as u64 > at
    };
    (first..=at).rev().find(holds).unwrap_or(at)
}

/// Records name their own place, so one that a copy brought here does not count.
fn begins_record(bytes: &[u8]) -> bool {
    bytes.starts_with(&imbrex::translation::codec::header::MAGIC)
}

fn length_sectors(first: &[u8]) -> usize {
    let length = first[LENGTH_AT..LENGTH_AT + 8].try_into().expect("eight");
    let sectors = u64::from_le_bytes(length).div_ceil(SECTOR as u64);
    usize::try_from(sectors).map_or(RECORD_SECTORS_MAX, |n| n.clamp(1, RECORD_SECTORS_MAX))
}

fn reseal(store: &MemoryStore, start: u64) {
    let sectors = length_sectors(&read(store, start));
    let mut record = vec![0; sectors * SECTOR];
    let at = Pba(start).0 * SECTOR as u64;
    if store.read_at(&mut record, at).is_ok() {
        seal(&mut record);
        write(store, start, &record);
    }
}

fn read(store: &MemoryStore, sector: u64) -> Vec<u8> {
    let mut bytes = vec![0; SECTOR];
    store
        .read_at(&mut bytes, sector * SECTOR as u64)
        .expect("it lies in the image");
    bytes
}

fn write(store: &MemoryStore, sector: u64, bytes: &[u8]) {
    store
        .write_at(bytes, sector * SECTOR as u64)
        .expect("it lies in the image");
}

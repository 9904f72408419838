//! Owns the putting of a saved image over one that lies on a block device, whose name no other can take.
//!
//! At no moment is a mixture of both an image: what is there counts for nothing until all is there.
//! Nothing here knows who uses the device.

use std::fs::File;
use std::io;
use std::os::unix::fs::FileExt as _;
use std::path::Path;

use super::copying::{CopyError, failed, next_data};
use super::superblock::COPIES_BYTES;
use crate::medium::store::Store;
use crate::units::{SECTOR_BYTES, index};

/// Bytes copied at a time.
const CHUNK_BYTES: u64 = 1 << 20;

/// Copies the first `bytes` of `saved`, which hold an image, over `device`, which is named `path`.
///
/// 1. Both copies of the superblock are zeroed, sync. A crash leaves no image.
/// 2. All that lies behind them is copied, holes as zeroes, sync. A crash leaves no image.
/// 3. The copies of the superblock are copied, sync. A crash leaves the image as soon as one is whole.
pub fn copy_over(
    saved: &File,
    device: &dyn Store,
    path: &Path,
    bytes: u64,
) -> Result<(), CopyError> {
    overwrite(saved, device, bytes).map_err(failed("overwrite", path))
}

fn overwrite(saved: &File, device: &dyn Store, bytes: u64) -> io::Result<()> {
    device.zero_at(0, COPIES_BYTES)?;
    device.sync()?;
    let mut at = COPIES_BYTES;
    while let Some((start, end)) = next_data(saved, at, bytes)? {
        // Holes may end anywhere; a device takes whole sectors of its own, which are no longer than ours.
        let start = (start / SECTOR_BYTES * SECTOR_BYTES).max(at);
        let end = end.next_multiple_of(SECTOR_BYTES).min(bytes);
        device.zero_at(at, start - at)?;
        copy(saved, device, start, end)?;
        at = end;
    }
    device.zero_at(at, bytes - at)?;
    device.sync()?;
    copy(saved, device, 0, COPIES_BYTES)?;
    device.sync()
}

fn copy(from: &File, to: &dyn Store, start: u64, end: u64) -> io::Result<()> {
    let mut memory = vec![0; index((end - start).min(CHUNK_BYTES))];
    let mut at = start;
    while at < end {
        let now = (end - at).min(CHUNK_BYTES);
        let memory = &mut memory[..index(now)];
        from.read_exact_at(memory, at)?;
        to.write_at(memory, at)?;
        at += now;
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::image::open::{image_bytes, make, open};
    use crate::medium::file_store::FileStore;
    use crate::medium::memory_store::{Fate, MemoryStore};
    use crate::profile::Profile;

    const SAVED: [u8; 16] = [1; 16];
    const FORMER: [u8; 16] = [2; 16];

    /// What is in the first so many bytes.
    fn all(store: &dyn Store, bytes: u64) -> Vec<u8> {
        let mut found = vec![0; index(bytes)];
        store.read_at(&mut found, 0).unwrap();
        found
    }

    /// A saved image with holes, and what is in it.
    fn saved(profile: &Profile, bytes: u64) -> (File, Vec<u8>) {
        let file = tempfile::tempfile().unwrap();
        file.set_len(bytes).unwrap();
        let store = FileStore::new(file.try_clone().unwrap()).unwrap();
        make(&store, profile, SAVED).unwrap();
        for at in [bytes / 2, bytes - 1] {
            store.write_at(b"x", at).unwrap();
        }
        (file, all(&store, bytes))
    }

    /// A device with another image of that drive, larger than it has to be and with no zeroes in it.
    fn device(profile: &Profile, bytes: u64) -> MemoryStore {
        let device = MemoryStore::new(bytes + 4096);
        device.write_at(&vec![7; index(bytes + 4096)], 0).unwrap();
        make(&device, profile, FORMER).unwrap();
        device
    }

    #[test]
    fn whatever_fails_on_the_way_and_whatever_a_crash_leaves_is_no_mixture_of_two_images() {
        let profile = Profile::built_in("tiny").unwrap();
        let profile = Profile::from_toml("tiny", profile).unwrap();
        let bytes = image_bytes(&profile).unwrap();
        let (file, saved) = saved(&profile, bytes);
        let former = all(&device(&profile, bytes), bytes);
        let rest = |whole: &[u8]| whole[index(COPIES_BYTES)..].to_vec();
        let mut without_image = 0;
        for n in 1.. {
            let device = device(&profile, bytes);
            device.fail_nth(n);
            let done = copy_over(&file, &device, Path::new("device"), bytes);
            for fate in [Fate::Lost, Fate::Kept, Fate::Torn(0b0101_1010)] {
                let left = device.power_cut(&mut |_| fate);
                let found = rest(&all(&left, bytes));
                match open(&left, true) {
                    Ok(opened) if opened.identity.id == SAVED => assert!(found == rest(&saved)),
                    Ok(_) => assert!(found == rest(&former) && n <= 2, "operation {n}"),
                    Err(_) => without_image += 1,
                }
            }
            if done.is_ok() {
                assert!(without_image > 0);
                // All of it durable.
                let mut found = all(&device.power_cut(&mut |_| Fate::Lost), bytes + 4096);
                let behind = found.split_off(index(bytes));
                assert!(found == saved);
                assert!(behind.iter().all(|&byte| byte == 7), "behind the image");
                return;
            }
        }
    }
}

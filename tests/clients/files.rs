//! Sparse files with data that no two places share, and their comparison.

use std::fs::File;
use std::io::Read as _;
use std::os::unix::fs::FileExt as _;

use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{Rng as _, SeedableRng as _};

const RUN_BYTES_MAX: u64 = 4 << 20;
const SECTOR_BYTES: u64 = 512;

/// Fills files with random bytes, the same ones for the same seed.
pub(crate) struct Filler(ChaCha8Rng);

impl Filler {
    pub(crate) fn new(seed: &str) -> Filler {
        let mut bytes = [0; 32];
        for (byte, letter) in bytes.iter_mut().zip(seed.bytes()) {
            *byte = letter;
        }
        Filler(ChaCha8Rng::from_seed(bytes))
    }

    /// Writes runs of data, `filled` bytes or a little more, anywhere in the first `length` bytes.
    pub(crate) fn scatter(&mut self, file: &File, length: u64, filled: u64) {
        let mut written = 0;
        while written < filled {
            let bytes = (1 + self.0.next_u64() % (RUN_BYTES_MAX / SECTOR_BYTES)) * SECTOR_BYTES;
            let at = self.0.next_u64() % ((length - bytes) / SECTOR_BYTES) * SECTOR_BYTES;
            let mut run = vec![0; usize::try_from(bytes).expect("64-bit host")];
            self.0.fill_bytes(&mut run);
            file.write_all_at(&run, at).expect("there is room");
            written += bytes;
        }
    }
}

/// Insists that two files are the same, and tells where they are not.
pub(crate) fn assert_same_bytes(one: &str, other: &str) {
    let mut files = [one, other].map(|path| File::open(path).expect("it is there"));
    let lengths = files
        .each_ref()
        .map(|file| file.metadata().expect("it is there").len());
    assert_eq!(lengths[0], lengths[1], "{one} and {other} differ in length");
    let mut chunks = [vec![0; 1 << 20], vec![0; 1 << 20]];
    let mut at = 0;
    while at < lengths[0] {
        let bytes = chunks[0]
            .len()
            .min(usize::try_from(lengths[0] - at).expect("64-bit host"));
        for (file, chunk) in files.iter_mut().zip(&mut chunks) {
            file.read_exact(&mut chunk[..bytes]).expect("read");
        }
        if chunks[0][..bytes] != chunks[1][..bytes] {
            let differs = chunks[0].iter().zip(&chunks[1]).position(|(a, b)| a != b);
            panic!("{one} and {other} differ at byte {at} + {differs:?}");
        }
        at += u64::try_from(bytes).expect("64-bit host");
    }
}

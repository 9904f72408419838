//! Images as files of bytes: records found as `docs/image-format.md` describes them, and damaged.

use std::path::{Path, PathBuf};

use tempfile::TempDir;

use crate::program::{Served, imbrex};

const SECTOR_BYTES: usize = 4096;
const MAGIC: [u8; 8] = *b"\x89imbrex\n";

pub(crate) const SUPERBLOCK: u16 = 1;
pub(crate) const JOURNAL: u16 = 2;
pub(crate) const FULL_MAP: u16 = 3;

/// A new image of the tiny profile in a folder of its own.
pub(crate) struct Scratch {
    folder: TempDir,
    pub(crate) image: PathBuf,
}

/// A record in an image.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Record {
    pub(crate) sector: usize,
    pub(crate) sequence: u64,
}

impl Scratch {
    /// What [`Scratch::cut_off`] wrote first: later records say that it was durable.
    pub(crate) const LONG_DURABLE: [u8; 4096] = [0xee; 4096];

    pub(crate) fn empty() -> Scratch {
        let folder = tempfile::tempdir().expect("a folder");
        let image = folder.path().join("disk.img");
        Scratch { folder, image }
    }

    pub(crate) fn tiny() -> Scratch {
        let scratch = Scratch::empty();
        imbrex("create {} --profile tiny", &scratch.image).success();
        scratch
    }

    /// Written to and flushed, then cut off. Returns what was written at byte 0.
    pub(crate) fn cut_off() -> (Scratch, Vec<u8>) {
        let scratch = Scratch::tiny();
        let served = Served::start(&scratch.image, "--pace off");
        let mut client = served.client();
        client.write(2 << 20, &Self::LONG_DURABLE).expect("written");
        client.flush().expect("flushed");
        let mut last = Vec::new();
        for turn in 1..4 {
            last = vec![turn; 8192];
            client.write(0, &last).expect("written");
            client.write(1 << 20, &[turn; 4096]).expect("written");
            client.flush().expect("flushed");
        }
        served.cut();
        (scratch, last)
    }

    pub(crate) fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    pub(crate) fn bytes(&self) -> Vec<u8> {
        std::fs::read(&self.image).expect("the image is there")
    }

    /// Records of a kind, wherever they lie.
    pub(crate) fn records(&self, kind: u16) -> Vec<Record> {
        let bytes = self.bytes();
        let sectors = bytes.chunks(SECTOR_BYTES).enumerate();
        let found = sectors
            .filter(|(_, sector)| sector[..8] == MAGIC && sector[14..16] == kind.to_le_bytes());
        found
            .map(|(sector, bytes)| {
                let sequence = bytes[24..32].try_into().expect("eight bytes");
                Record {
                    sector,
                    sequence: u64::from_le_bytes(sequence),
                }
            })
            .collect()
    }

    /// Overwrites the byte at an offset of a sector.
    pub(crate) fn set(&self, sector: usize, offset: usize, change: impl Fn(u8) -> u8) {
        let mut bytes = self.bytes();
        let at = sector * SECTOR_BYTES + offset;
        bytes[at] = change(bytes[at]);
        std::fs::write(&self.image, bytes).expect("the image can be written");
    }

    /// Every command that opens the image refuses it with these words and leaves it alone.
    pub(crate) fn is_refused(&self, words: &[&str]) {
        let before = self.bytes();
        let socket = self.path("none.sock");
        let serve = format!("serve {{}} --nbd unix:{}", socket.display());
        for arguments in ["inspect {}", "check {}", "check {} --data", &serve] {
            let told = imbrex(arguments, &self.image).expect(3);
            for word in words {
                assert!(
                    told.contains(word),
                    "{arguments}: {word:?} is missing in: {told}"
                );
            }
        }
        assert!(self.bytes() == before, "the image was written to");
        assert!(!exists(&socket), "a socket was left behind");
    }
}

fn exists(path: &Path) -> bool {
    path.symlink_metadata().is_ok()
}

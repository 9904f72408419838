//! A real tree of files: found on this machine, copied, changed at random, and remembered by length
//! and checksum.

use std::collections::BTreeMap;
use std::fs::{self, File, OpenOptions};
use std::io::Read as _;
use std::os::unix::fs::FileExt as _;
use std::path::{Path, PathBuf};

use rand_chacha::ChaCha8Rng;
use rand_core::{Rng as _, SeedableRng as _};

/// Where any Debian keeps many files of all sizes.
const SOURCES: [&str; 3] = ["/usr/share", "/usr/lib", "/usr/bin"];
/// Longer ones would make up most of a tree.
const FILE_BYTES_MAX: u64 = 4 << 20;

/// Length and checksum of each file, by its path in the tree.
type Content = BTreeMap<PathBuf, (u64, u32)>;

pub(crate) struct Tree {
    content: Content,
    random: ChaCha8Rng,
}

impl Tree {
    /// Copies files of this machine to `to` until they are `bytes` or a little more.
    pub(crate) fn copy_to(to: &Path, bytes: u64) -> Tree {
        let mut found = Vec::new();
        let mut total = 0;
        for source in SOURCES {
            collect(Path::new(source), bytes, &mut total, &mut found);
        }
        assert!(
            total >= bytes,
            "the folders {SOURCES:?} hold {total} bytes, too little for a test of {bytes}"
        );
        let mut content = Content::new();
        for from in found {
            let name = from.strip_prefix("/").expect("an absolute path").to_owned();
            let copy = to.join(&name);
            fs::create_dir_all(copy.parent().expect("in a folder")).expect("a folder");
            fs::copy(&from, &copy).expect("copied");
            // From the source, not from what is under test.
            content.insert(name, sum(&from));
        }
        Tree {
            content,
            random: ChaCha8Rng::seed_from_u64(bytes),
        }
    }

    pub(crate) fn bytes(&self) -> u64 {
        self.content.values().map(|(bytes, _)| bytes).sum()
    }

    /// Overwrites parts of a fifth of the files; every other one is written out at once.
    pub(crate) fn overwrite(&mut self, root: &Path) {
        let mut content = std::mem::take(&mut self.content);
        for (turn, (name, known)) in content.iter_mut().enumerate() {
            if known.0 == 0 || !self.random.next_u32().is_multiple_of(5) {
                continue;
            }
            let path = root.join(name);
            // What it becomes is worked out beside the filesystem.
            let mut expected = fs::read(&path).expect("read");
            assert_eq!(
                sum_of(&expected),
                *known,
                "{} before a change",
                path.display()
            );
            let file = OpenOptions::new().write(true).open(&path).expect("opened");
            for _ in 0..=self.random.next_u32() % 4 {
                let length = expected.len();
                let at = self.below(length);
                let bytes = (1 + self.below(65536)).min(length - at);
                self.random.fill_bytes(&mut expected[at..at + bytes]);
                let offset = u64::try_from(at).expect("64-bit host");
                file.write_all_at(&expected[at..at + bytes], offset)
                    .expect("written");
            }
            if turn % 2 == 0 {
                file.sync_all().expect("synced");
            }
            *known = sum_of(&expected);
        }
        self.content = content;
    }

    /// Deletes every third file; hands back how many bytes that were.
    pub(crate) fn delete_some(&mut self, root: &Path) -> u64 {
        let before = self.bytes();
        let names: Vec<PathBuf> = self.content.keys().step_by(3).cloned().collect();
        for name in names {
            fs::remove_file(root.join(&name)).expect("deleted");
            self.content.remove(&name);
        }
        before - self.bytes()
    }

    /// Insists that exactly these files are there, with this content.
    pub(crate) fn verify(&self, root: &Path) {
        let mut found = Vec::new();
        collect(root, u64::MAX, &mut 0, &mut found);
        let names = found
            .iter()
            .map(|path| path.strip_prefix(root).expect("below"));
        assert!(
            names.eq(self.content.keys()),
            "other files are there than were left"
        );
        for (name, known) in &self.content {
            assert_eq!(sum(&root.join(name)), *known, "{}", name.display());
        }
    }

    fn below(&mut self, limit: usize) -> usize {
        usize::try_from(self.random.next_u32()).expect("64-bit host") % limit
    }
}

/// Plain files below a folder in order of their names, until they make up `bytes`.
fn collect(folder: &Path, bytes: u64, total: &mut u64, found: &mut Vec<PathBuf>) {
    let entries =
        fs::read_dir(folder).unwrap_or_else(|error| panic!("{}: {error}", folder.display()));
    let mut paths: Vec<PathBuf> = entries.map(|entry| entry.expect("listed").path()).collect();
    paths.sort();
    for path in paths {
        let known = path.symlink_metadata().expect("it is there");
        if *total >= bytes {
            return;
        } else if known.is_dir() {
            collect(&path, bytes, total, found);
        } else if known.is_file() && known.len() <= FILE_BYTES_MAX {
            *total += known.len();
            found.push(path);
        }
    }
}

fn sum(path: &Path) -> (u64, u32) {
    let mut bytes = Vec::new();
    let read = File::open(path).and_then(|mut file| file.read_to_end(&mut bytes));
    read.unwrap_or_else(|error| panic!("{}: {error}", path.display()));
    sum_of(&bytes)
}

fn sum_of(bytes: &[u8]) -> (u64, u32) {
    (
        u64::try_from(bytes.len()).expect("64-bit host"),
        crc32c::crc32c(bytes),
    )
}

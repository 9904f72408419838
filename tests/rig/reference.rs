//! The plain reference: which versions of each 512-byte piece a reader may see.
//!
//! Each write fills its pieces with a pattern of its own, so that a torn or misplaced piece is seen
//! as such. The reference does not check the order in which concurrent requests to the same piece
//! take effect: whoever uses it never has two of those under way.

use std::collections::BTreeMap;

/// Bytes of a piece.
pub(crate) const PIECE: u64 = 512;

/// What the host asks of the rig. Offsets and lengths in pieces.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Ask {
    Read {
        at: u64,
        pieces: u64,
    },
    Write {
        at: u64,
        pieces: u64,
        fua: bool,
    },
    Trim {
        at: u64,
        pieces: u64,
    },
    Zero {
        at: u64,
        pieces: u64,
        fua: bool,
        may_deallocate: bool,
    },
    Flush,
}

impl Ask {
    /// First piece and how many.
    pub(crate) fn range(self) -> Option<(u64, u64)> {
        match self {
            Ask::Read { at, pieces }
            | Ask::Write { at, pieces, .. }
            | Ask::Trim { at, pieces }
            | Ask::Zero { at, pieces, .. } => Some((at, pieces)),
            Ask::Flush => None,
        }
    }

    /// The pieces that it changes.
    pub(crate) fn changes(self) -> Option<(u64, u64)> {
        match self {
            Ask::Read { .. } | Ask::Flush => None,
            _ => self.range(),
        }
    }

    pub(crate) fn is_fua(self) -> bool {
        matches!(
            self,
            Ask::Write { fua: true, .. } | Ask::Zero { fua: true, .. }
        )
    }

    /// Whether the two touch a piece in common.
    pub(crate) fn overlaps(self, other: Ask) -> bool {
        let (Some((a, n)), Some((b, m))) = (self.range(), other.range()) else {
            return false;
        };
        a < b + m && b < a + n
    }
}

/// What some request left in a piece.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Version {
    /// Number of the request.
    by: u64,
    zero: bool,
}

/// What a new drive holds.
const ZEROES: Version = Version { by: 0, zero: true };

impl Version {
    /// The value whose pattern the piece then holds; 0 stands for zeroes.
    fn value(self) -> u64 {
        if self.zero { 0 } else { self.by }
    }
}

/// Pieces that the reference knows of together.
pub(crate) const CHUNK: u64 = 512;

/// The number of a request for each piece, by chunk; what is left out was never changed.
pub(crate) type Newest = BTreeMap<u64, Vec<u64>>;

/// Which versions of each piece a power cut may leave: the newest last. Chunks that no request has
/// changed take no memory.
#[derive(Clone, Debug, Default)]
pub(crate) struct Reference {
    chunks: BTreeMap<u64, Vec<Vec<Version>>>,
}

impl Reference {
    fn versions(&mut self, piece: u64) -> &mut Vec<Version> {
        let untouched = || vec![vec![ZEROES]; usize::try_from(CHUNK).unwrap()];
        let chunk = self.chunks.entry(piece / CHUNK).or_insert_with(untouched);
        &mut chunk[usize::try_from(piece % CHUNK).unwrap()]
    }

    fn known(&self, piece: u64) -> &[Version] {
        match self.chunks.get(&(piece / CHUNK)) {
            Some(chunk) => &chunk[usize::try_from(piece % CHUNK).unwrap()],
            None => &[ZEROES],
        }
    }

    /// Chunks that requests have changed.
    pub(crate) fn touched(&self) -> impl Iterator<Item = u64> {
        self.chunks.keys().copied()
    }

    /// Request `by` is under way: from now on a power cut may leave the old or the new.
    pub(crate) fn begin(&mut self, ask: Ask, by: u64) {
        let Some((at, pieces)) = ask.changes() else {
            return;
        };
        let zero = !matches!(ask, Ask::Write { .. });
        for piece in at..at + pieces {
            self.versions(piece).push(Version { by, zero });
        }
    }

    /// Request `by` has failed and changed nothing.
    pub(crate) fn failed(&mut self, ask: Ask, by: u64) {
        if let Some((at, pieces)) = ask.changes() {
            for piece in at..at + pieces {
                self.versions(piece).retain(|version| version.by != by);
            }
        }
    }

    /// The newest version of each piece that is not `under_way`.
    pub(crate) fn newest(&self, under_way: impl Fn(u64) -> bool) -> Newest {
        let newest = |versions: &Vec<Version>| {
            let mut settled = versions.iter().rev().filter(|v| !under_way(v.by));
            settled.next().map_or(0, |v| v.by)
        };
        let chunk = |(at, chunk): (&u64, &Vec<_>)| (*at, chunk.iter().map(newest).collect());
        self.chunks.iter().map(chunk).collect()
    }

    /// These versions are durable, or newer ones.
    pub(crate) fn all_durable(&mut self, vouched: &Newest) {
        for (at, vouched) in vouched {
            let chunk = self.chunks.get_mut(at).expect("it was there before");
            for (versions, by) in chunk.iter_mut().zip(vouched) {
                forget_before(versions, *by);
            }
        }
    }

    /// What request `by` left is durable.
    pub(crate) fn durable(&mut self, ask: Ask, by: u64) {
        if let Some((at, pieces)) = ask.changes() {
            for piece in at..at + pieces {
                forget_before(self.versions(piece), by);
            }
        }
    }

    /// Nothing is known of these pieces any more, and a read of them is not checked.
    pub(crate) fn unknown(&mut self, at: u64, pieces: u64) {
        for piece in at..at + pieces {
            self.versions(piece).clear();
        }
    }

    /// Checks what a read of an undisturbed drive returned.
    pub(crate) fn check_read(&self, at: u64, data: &[u8], who: &str) {
        for (piece, bytes) in (at..).zip(data.chunks(512)) {
            let Some(newest) = self.known(piece).last() else {
                continue;
            };
            assert_eq!(
                value_of(bytes, piece),
                Some(newest.value()),
                "piece {piece} read by {who}"
            );
        }
    }

    /// Checks what is there after a power cut; from now on each piece has what it was found to have.
    pub(crate) fn learn(&mut self, at: u64, data: &[u8]) {
        for (piece, bytes) in (at..).zip(data.chunks(512)) {
            let versions = self.known(piece);
            let found = value_of(bytes, piece);
            let mut fitting = versions.iter().rev().filter(|v| Some(v.value()) == found);
            let Some(&allowed) = fitting.next() else {
                panic!("after a power cut piece {piece} holds {found:?}, allowed are {versions:?}");
            };
            if versions != [allowed] {
                *self.versions(piece) = vec![allowed];
            }
        }
    }
}

/// The version left by request `by` is durable: older ones are gone for good.
fn forget_before(versions: &mut Vec<Version>, by: u64) {
    if let Some(keep) = versions.iter().position(|version| version.by == by) {
        versions.drain(..keep);
    }
}

/// The bytes that request `value` writes from piece `at` on.
pub(crate) fn data(value: u64, at: u64, pieces: u64) -> Vec<u8> {
    (at..at + pieces)
        .flat_map(|piece| pattern(value, piece))
        .collect()
}

fn pattern(value: u64, piece: u64) -> Vec<u8> {
    let word = if value == 0 { 0 } else { value << 24 | piece };
    word.to_le_bytes().repeat(64)
}

/// The value whose pattern these bytes are.
pub(crate) fn value_of(bytes: &[u8], piece: u64) -> Option<u64> {
    let value = u64::from_le_bytes(bytes[..8].try_into().unwrap()) >> 24;
    (bytes == pattern(value, piece)).then_some(value)
}

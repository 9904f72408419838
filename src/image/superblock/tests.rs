//! Tests of the system area: what was made is read back, what is damaged is named.

use std::cell::RefCell;

use super::*;
use crate::translation::codec::document;

/// Bytes in memory, a log of what was done to them, and a call that fails.
struct Memory {
    state: RefCell<State>,
}

#[derive(Clone, Default)]
struct State {
    bytes: Vec<u8>,
    log: Vec<String>,
    /// Calls that change something and still succeed.
    calls_left: Option<u32>,
}

impl Memory {
    fn new(bytes: Vec<u8>) -> Memory {
        let state = RefCell::new(State {
            bytes,
            ..State::default()
        });
        Memory { state }
    }

    fn log(&self) -> Vec<String> {
        self.state.borrow().log.clone()
    }

    fn bytes(&self) -> Vec<u8> {
        self.state.borrow().bytes.clone()
    }

    fn change(&self, what: String, change: impl FnOnce(&mut [u8])) -> io::Result<()> {
        let mut state = self.state.borrow_mut();
        match &mut state.calls_left {
            Some(0) => return Err(io::Error::other("no more")),
            Some(left) => *left -= 1,
            None => {}
        }
        state.log.push(what);
        change(&mut state.bytes);
        Ok(())
    }
}

impl Store for Memory {
    fn bytes(&self) -> io::Result<u64> {
        Ok(count(self.state.borrow().bytes.len()))
    }

    fn read_at(&self, into: &mut [u8], at: u64) -> io::Result<()> {
        let state = self.state.borrow();
        let from = state
            .bytes
            .get(index(at)..)
            .and_then(|rest| rest.get(..into.len()));
        into.copy_from_slice(from.ok_or(io::ErrorKind::UnexpectedEof)?);
        Ok(())
    }

    fn write_at(&self, from: &[u8], at: u64) -> io::Result<()> {
        self.change(
            format!("write {}+{}", at / 4096, from.len() / 4096),
            |bytes| {
                bytes[index(at)..][..from.len()].copy_from_slice(from);
            },
        )
    }

    fn zero_at(&self, at: u64, length: u64) -> io::Result<()> {
        self.change(format!("zero {}+{}", at / 4096, length / 4096), |bytes| {
            bytes[index(at)..][..index(length)].fill(0);
        })
    }

    fn sync(&self) -> io::Result<()> {
        self.change("sync".to_owned(), |_| {})
    }
}

const TEXT: &str = "name = \"tiny\"\n# größer wird es nicht\n";
const IMAGE_SECTORS: u64 = 100;

fn identity() -> Identity {
    Identity {
        id: *b"sixteen bytes id",
        total: Sectors(IMAGE_SECTORS),
        fingerprint: 0x0123_4567_89ab_cdef,
        created_with: "0.1.0".to_owned(),
    }
}

fn make(store: &dyn Store, profile_text: &str) -> Result<(), ImageError> {
    let clear = [
        PbaExtent::new(Pba(64), Sectors(8)),
        PbaExtent::new(Pba(72), Sectors(4)),
    ];
    let new = NewImage {
        identity: identity(),
        profile_text,
        clear: &clear,
    };
    write_new(store, &new)
}

/// An image over old bytes that are not zero.
fn made() -> Vec<u8> {
    let store = Memory::new(vec![0xaa; index(IMAGE_SECTORS * SECTOR_BYTES)]);
    make(&store, TEXT).unwrap();
    store.bytes()
}

fn read_bytes_of(bytes: Vec<u8>) -> Result<Superblock, ImageError> {
    let store = Memory::new(bytes);
    let result = read(&store);
    assert_eq!(
        store.log(),
        Vec::<String>::new(),
        "reading changed something"
    );
    result
}

fn whole() -> Superblock {
    Superblock {
        identity: identity(),
        profile_text: TEXT.to_owned(),
        damaged: None,
    }
}

#[test]
fn an_image_comes_back_as_made() {
    assert_eq!(read_bytes_of(made()).unwrap(), whole());
}

#[test]
fn an_empty_profile_and_the_longest_one_fit() {
    for length in [0, PROFILE_BYTES_MAX] {
        let text = "x".repeat(index(length));
        let store = Memory::new(vec![0; index(IMAGE_SECTORS * SECTOR_BYTES)]);
        make(&store, &text).unwrap();
        assert_eq!(read(&store).unwrap().profile_text, text);
    }
}

#[test]
fn what_lay_here_before_is_cleared_and_the_rest_is_left_alone() {
    let bytes = made();
    let sector = |at: usize| &bytes[at * 4096..][..4096];
    assert!((64..76).all(|at| sector(at).iter().all(|&byte| byte == 0)));
    assert!((76..100).all(|at| sector(at).iter().all(|&byte| byte == 0xaa)));
}

#[test]
fn an_image_is_made_in_the_documented_order() {
    let store = Memory::new(vec![0; index(IMAGE_SECTORS * SECTOR_BYTES)]);
    make(&store, TEXT).unwrap();
    let expected =
        "zero 0+2, sync, zero 64+8, zero 72+4, write 2+62, sync, write 0+1, write 1+1, sync";
    assert_eq!(store.log().join(", "), expected);
}

#[test]
fn an_image_over_an_older_one_is_none_until_a_copy_is_whole() {
    for calls in 0..=9 {
        let store = Memory::new(made());
        store.state.borrow_mut().calls_left = Some(calls);
        let result = make(&store, "another = true\n");
        assert_eq!(
            result.is_ok(),
            calls == 9,
            "after {calls} calls: {result:?}"
        );
        let opened = read(&store);
        match calls {
            0 => assert_eq!(opened.unwrap(), whole()),
            1..=6 => assert!(matches!(opened, Err(ImageError::NotAnImage)), "{opened:?}"),
            _ => assert_eq!(opened.unwrap().profile_text, "another = true\n"),
        }
    }
}

#[test]
fn a_refused_image_leaves_no_trace() {
    let store = Memory::new(vec![0xaa; index(IMAGE_SECTORS * SECTOR_BYTES)]);
    let error = make(&store, &"x".repeat(index(PROFILE_BYTES_MAX + 1))).unwrap_err();
    assert!(
        matches!(error, ImageError::ProfileTooLong { bytes } if bytes == PROFILE_BYTES_MAX + 1)
    );
    assert_eq!(store.log(), Vec::<String>::new());

    let store = Memory::new(vec![0xaa; index(IMAGE_SECTORS * SECTOR_BYTES - 1)]);
    let error = make(&store, TEXT).unwrap_err();
    assert_eq!(
        error.to_string(),
        "the image takes 409600 bytes, the backing store has 409599: it was cut short or made too \
         short"
    );
    assert_eq!(store.log(), Vec::<String>::new());
}

#[test]
fn every_flipped_bit_of_one_copy_is_named_and_the_other_copy_used() {
    let bytes = made();
    for bit in 0..2 * 4096 * 8 {
        let (byte, mask) = (bit / 8, 1 << (bit % 8));
        // Beyond the fields every byte is alike: one bit of each will do.
        if byte % 4096 >= index(LENGTH) && bit % 8 != byte % 8 {
            continue;
        }
        let mut flipped = bytes.clone();
        flipped[byte] ^= mask;
        let read = read_bytes_of(flipped).unwrap();
        let damaged = read.damaged.clone().expect("a flipped bit is seen");
        assert_eq!(damaged.copy, u32::from(byte >= 4096), "bit {bit}");
        assert_eq!(damaged.why.at(), address(damaged.copy));
        assert_eq!(
            Superblock {
                damaged: None,
                ..read
            },
            whole()
        );
    }
}

#[test]
fn the_same_byte_damaged_in_both_copies_is_an_error() {
    let bytes = made();
    for byte in 0..4096 {
        let mut flipped = bytes.clone();
        flipped[byte] ^= 0x10;
        flipped[byte + 4096] ^= 0x10;
        let error = read_bytes_of(flipped).unwrap_err();
        match byte {
            0..8 => assert!(matches!(error, ImageError::NotAnImage), "{byte}: {error}"),
            12..14 => assert!(
                matches!(error, ImageError::WrongVersion { .. }),
                "{byte}: {error}"
            ),
            _ => assert!(
                matches!(error, ImageError::NoSuperblock { .. }),
                "{byte}: {error}"
            ),
        }
    }
}

#[test]
fn every_damaged_byte_of_the_profile_is_detected() {
    let bytes = made();
    for byte in 0..TEXT.len() {
        let mut flipped = bytes.clone();
        flipped[2 * 4096 + byte] ^= 1;
        let error = read_bytes_of(flipped).unwrap_err();
        assert!(
            matches!(error, ImageError::ProfileDamaged { at: PROFILE_AT, .. }),
            "{error}"
        );
    }
}

#[test]
fn a_file_cut_anywhere_is_refused() {
    let bytes = made();
    for length in (0..3 * 4096).chain([64 * 4096, bytes.len() - 1]) {
        let error = read_bytes_of(bytes[..length].to_vec()).unwrap_err();
        match error {
            ImageError::NotAnImage => assert!(length < 8, "cut to {length}"),
            ImageError::NoSuperblock { .. } => assert!((8..4096).contains(&length)),
            ImageError::Truncated { needed, given } => {
                assert_eq!(
                    (needed, given),
                    (IMAGE_SECTORS * SECTOR_BYTES, count(length))
                );
            }
            other => panic!("cut to {length}: {other}"),
        }
    }
}

#[test]
fn a_file_of_something_else_is_no_image() {
    for bytes in [vec![], vec![0; 1 << 20], vec![b'x'; 1 << 20]] {
        assert!(matches!(read_bytes_of(bytes), Err(ImageError::NotAnImage)));
    }
}

/// Changes both copies under a right checksum.
fn forged(offset: usize, value: &[u8], copies: &[u32]) -> Result<Superblock, ImageError> {
    let mut bytes = made();
    for &copy in copies {
        let start = 4096 * index(u64::from(copy));
        let sector = &mut bytes[start..start + 4096];
        sector[offset..offset + value.len()].copy_from_slice(value);
        header::seal(sector);
    }
    read_bytes_of(bytes)
}

#[test]
fn an_image_of_another_version_says_which() {
    let error = forged(12, &[7, 0], &COPIES).unwrap_err();
    assert_eq!(
        error.to_string(),
        "the image has format version 7; this imbrex reads version 2: open it with the imbrex \
         that made it"
    );
}

#[test]
fn fields_that_no_writer_writes_are_named() {
    let check = |offset: usize, value: &[u8], field: &str| {
        let error = forged(offset, value, &COPIES).unwrap_err().to_string();
        assert!(
            error.contains(&format!("byte {offset}: {field} is")),
            "{field}: {error}"
        );
    };
    check(48, &[4], "features");
    check(56, &[9], "copy");
    check(60, &[0xff; 4], "profile_bytes");
    check(64, &[3], "profile_at");
    check(76, &[63, 0], "image_sectors");
    check(76, &[0xff; 8], "image_sectors");
    check(108, &[0; 32], "created_with");
    check(108, b"\n", "created_with");
}

#[test]
fn two_valid_copies_of_different_images_are_refused() {
    let error = forged(92, b"another id", &[1]).unwrap_err();
    assert!(matches!(error, ImageError::CopiesDiffer), "{error}");
}

#[test]
fn the_document_shows_the_superblock() {
    let bytes = encode(&identity(), TEXT.as_bytes(), 0);
    let (_, mut reader) = header::open(&bytes, &sought(0)).unwrap();
    read_body(&mut reader, 0).unwrap();
    document::check("header", 0, &reader.seen[..8]);
    document::check("superblock", 0, &reader.seen[8..]);
}

//! Owns the table of magic numbers by which a disk that someone uses is recognised.
//!
//! Offsets are bytes from the start of the disk. What is not in the table is not recognised: an
//! empty answer does not prove that a disk holds nothing.
//!
//! An image of ours is somebody's data too, so its magic number is in the table.
//!
//! Sources of the others: the on-disk format pages of the Linux kernel's documentation and its headers under
//! `include/uapi/linux` (ext4, XFS, btrfs, f2fs, md, swap, iso9660, exFAT), the LUKS1 and LUKS2
//! on-disk format specifications, the label format in lvm2's source, the UEFI specification (GPT),
//! and the descriptions of the FAT and NTFS boot sectors.

use std::fmt;
use std::fs::File;
use std::io;
use std::os::unix::fs::FileExt;

use crate::translation::codec::header::MAGIC;

/// Something recognised.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Signature {
    /// What it belongs to, in words.
    pub name: &'static str,
    /// First byte of the magic number.
    pub at: u64,
    /// Length of the magic number in bytes.
    pub bytes: u64,
}

impl fmt::Display for Signature {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} (at byte {})", self.name, self.at)
    }
}

struct Row {
    name: &'static str,
    place: Place,
    magic: &'static [u8],
}

/// Where a magic number stands on a disk.
#[derive(Clone, Copy)]
enum Place {
    /// So many bytes from the start.
    Start(u64),
    /// So many bytes before the end.
    End(u64),
    /// In the last whole block of 64 KiB that has at least 64 KiB behind its start.
    LastBlock64K,
    /// 8 KiB before the end, rounded down to 4 KiB.
    Last8K,
}

const MD: &[u8] = &[0xfc, 0x4e, 0x2b, 0xa9];
const SWAP: &[u8] = b"SWAPSPACE2";
const LVM: &[u8] = b"LABELONE";
const GPT: &[u8] = b"EFI PART";

const TABLE: &[Row] = &[
    // Both copies of the superblock: either is enough to open it.
    row("an imbrex image", 0, &MAGIC),
    row("an imbrex image (second superblock)", 4096, &MAGIC),
    row("an ext2, ext3 or ext4 filesystem", 1080, &[0x53, 0xef]),
    row("an XFS filesystem", 0, b"XFSB"),
    row("a btrfs filesystem", 65_600, b"_BHRfS_M"),
    row("an f2fs filesystem", 1024, &[0x10, 0x20, 0xf5, 0xf2]),
    row("an LVM2 physical volume", 0, LVM),
    row("an LVM2 physical volume", 512, LVM),
    row("an LVM2 physical volume", 1024, LVM),
    row("an LVM2 physical volume", 1536, LVM),
    row("a LUKS encrypted volume", 0, b"LUKS\xba\xbe"),
    row(
        "a LUKS2 encrypted volume (second header)",
        16_384,
        b"SKUL\xba\xbe",
    ),
    row("a member of an md array (version 1.1)", 0, MD),
    row("a member of an md array (version 1.2)", 4096, MD),
    Row {
        name: "a member of an md array (version 1.0)",
        place: Place::Last8K,
        magic: MD,
    },
    Row {
        name: "a member of an md array (version 0.90)",
        place: Place::LastBlock64K,
        magic: MD,
    },
    row("a GPT partition table", 512, GPT),
    row("a GPT partition table (sectors of 4096 bytes)", 4096, GPT),
    Row {
        name: "a GPT partition table (backup)",
        place: Place::End(512),
        magic: GPT,
    },
    Row {
        name: "a GPT partition table (backup, sectors of 4096 bytes)",
        place: Place::End(4096),
        magic: GPT,
    },
    row(
        "an MBR partition table or a boot sector",
        510,
        &[0x55, 0xaa],
    ),
    row("a swap area", 4086, SWAP),
    row("a swap area (pages of 16 KiB)", 16_374, SWAP),
    row("a swap area (pages of 64 KiB)", 65_526, SWAP),
    row("an NTFS filesystem", 3, b"NTFS    "),
    row("an exFAT filesystem", 3, b"EXFAT   "),
    row("a FAT12 filesystem", 54, b"FAT12   "),
    row("a FAT16 filesystem", 54, b"FAT16   "),
    row("a FAT32 filesystem", 82, b"FAT32   "),
    row("an ISO 9660 filesystem", 32_769, b"CD001"),
];

const fn row(name: &'static str, at: u64, magic: &'static [u8]) -> Row {
    Row {
        name,
        place: Place::Start(at),
        magic,
    }
}

impl Place {
    fn on(self, disk_bytes: u64) -> Option<u64> {
        match self {
            Place::Start(at) => Some(at),
            Place::End(before) => disk_bytes.checked_sub(before),
            Place::LastBlock64K => (disk_bytes & !0xffff).checked_sub(0x1_0000),
            Place::Last8K => disk_bytes.checked_sub(0x2000).map(|at| at & !0xfff),
        }
    }
}

/// Every signature on a disk of `disk_bytes`, in the order of the table.
pub fn find(disk: &File, disk_bytes: u64) -> io::Result<Vec<Signature>> {
    let mut found = Vec::new();
    for row in TABLE {
        let bytes = crate::units::count(row.magic.len());
        let Some(at) = row.place.on(disk_bytes) else {
            continue;
        };
        if at.checked_add(bytes).is_none_or(|end| end > disk_bytes) {
            continue;
        }
        let mut read = vec![0; row.magic.len()];
        disk.read_exact_at(&mut read, at)?;
        if read == row.magic {
            found.push(Signature {
                name: row.name,
                at,
                bytes,
            });
        }
    }
    Ok(found)
}

/// Overwrites the magic numbers with zeroes, so that nothing takes the disk for what it was.
pub fn erase(disk: &File, signatures: &[Signature]) -> io::Result<()> {
    for signature in signatures {
        disk.write_all_at(&vec![0; crate::units::index(signature.bytes)], signature.at)?;
    }
    disk.sync_all()
}

#[cfg(test)]
mod tests {
    use std::path::Path;
    use std::process::Command;

    use super::*;

    const DISK_BYTES: u64 = 200 * 1024 * 1024 + 512;

    fn disk() -> tempfile::NamedTempFile {
        let disk = tempfile::NamedTempFile::new().unwrap();
        disk.as_file().set_len(DISK_BYTES).unwrap();
        disk
    }

    fn names(path: &Path) -> Vec<&'static str> {
        let found = find(&File::open(path).unwrap(), DISK_BYTES).unwrap();
        found.iter().map(|signature| signature.name).collect()
    }

    #[test]
    fn an_empty_disk_and_one_too_small_for_any_magic_carry_none() {
        let disk = disk();
        assert_eq!(find(disk.as_file(), DISK_BYTES).unwrap(), []);
        for bytes in 0..600 {
            disk.as_file().set_len(bytes).unwrap();
            assert_eq!(find(disk.as_file(), bytes).unwrap(), []);
        }
    }

    /// The judges are the programs that write these formats; a missing one is passed over aloud.
    #[test]
    fn what_the_makers_of_filesystems_write_is_recognised_and_erased() {
        let makers: [(&str, &[&str], &str); 4] = [
            ("mkfs.ext4", &["-qF"], "an ext2, ext3 or ext4 filesystem"),
            ("mkfs.btrfs", &["-qf"], "a btrfs filesystem"),
            ("mkswap", &["-f"], "a swap area"),
            ("mkfs.xfs", &["-qf", "--unsupported"], "an XFS filesystem"),
        ];
        let mut tried = 0;
        for (program, arguments, name) in makers {
            let disk = disk();
            let made = Command::new(program)
                .args(arguments)
                .arg(disk.path())
                .output();
            if !made.as_ref().is_ok_and(|output| output.status.success()) {
                println!("passed over: {program}: {made:?}");
                continue;
            }
            tried += 1;
            assert!(names(disk.path()).contains(&name), "{program}");
            let signatures = find(disk.as_file(), DISK_BYTES).unwrap();
            erase(disk.as_file(), &signatures).unwrap();
            assert_eq!(names(disk.path()), [""; 0], "{program}");
        }
        if tried == 0 {
            println!("skipped: none of the programs is installed");
        }
    }

    /// Offsets and bytes written out anew, from the formats' descriptions.
    #[test]
    fn magic_numbers_are_found_where_the_formats_put_them() {
        let by_hand: [(u64, &[u8], &str); 15] = [
            (0, b"\x89imbrex\n", "an imbrex image"),
            (
                0x1000,
                b"\x89imbrex\n",
                "an imbrex image (second superblock)",
            ),
            (0x200, b"LABELONE", "an LVM2 physical volume"),
            (0, b"LUKS\xba\xbe", "a LUKS encrypted volume"),
            (
                0x1000,
                b"\xfcN+\xa9",
                "a member of an md array (version 1.2)",
            ),
            (
                DISK_BYTES - 512 - 0x2000,
                b"\xfcN+\xa9",
                "a member of an md array (version 1.0)",
            ),
            (
                DISK_BYTES - 512 - 0x1_0000,
                b"\xfcN+\xa9",
                "a member of an md array (version 0.90)",
            ),
            (0x200, b"EFI PART", "a GPT partition table"),
            (
                DISK_BYTES - 0x200,
                b"EFI PART",
                "a GPT partition table (backup)",
            ),
            (
                0x1fe,
                b"\x55\xaa",
                "an MBR partition table or a boot sector",
            ),
            (0x400, b"\x10\x20\xf5\xf2", "an f2fs filesystem"),
            (3, b"NTFS    ", "an NTFS filesystem"),
            (0x52, b"FAT32   ", "a FAT32 filesystem"),
            (0x36, b"FAT16   ", "a FAT16 filesystem"),
            (0x8001, b"CD001", "an ISO 9660 filesystem"),
        ];
        for (at, magic, name) in by_hand {
            let disk = disk();
            disk.as_file().write_all_at(magic, at).unwrap();
            assert_eq!(names(disk.path()), [name]);
        }
    }
}

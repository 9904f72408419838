//! Owns what bytes a request to a file means on a drive that cannot grow.
//!
//! Pure functions: no kernel, no drive. All positions and lengths are bytes.

use fuser::Errno;

use crate::host::handle::Ask;

/// How many of `bytes` from `offset` on lie on the drive. 0 from the end on.
pub(super) fn on_drive(offset: u64, bytes: u64, capacity: u64) -> u64 {
    bytes.min(capacity.saturating_sub(offset))
}

/// What `fallocate` asks of the drive; `None` where no byte of the drive is meant.
///
/// A hole past the end is no news, as on any file, so the range is cut there. A mode that would
/// make the file longer is refused with `ENOSPC`, one that drives do not know with `EOPNOTSUPP`.
pub(super) fn fallocate(
    mode: i32,
    offset: u64,
    bytes: u64,
    capacity: u64,
) -> Result<Option<Ask>, Errno> {
    const PUNCH: i32 = libc::FALLOC_FL_PUNCH_HOLE | libc::FALLOC_FL_KEEP_SIZE;
    const ZERO: i32 = libc::FALLOC_FL_ZERO_RANGE;
    const ZERO_KEEP: i32 = libc::FALLOC_FL_ZERO_RANGE | libc::FALLOC_FL_KEEP_SIZE;
    let inside = on_drive(offset, bytes, capacity);
    let zeroes = Ask::WriteZeroes {
        offset,
        bytes: inside,
        fua: false,
        may_deallocate: false,
    };
    let ask = match mode {
        PUNCH => Ask::Trim {
            offset,
            bytes: inside,
            fua: false,
        },
        ZERO if inside < bytes => return Err(Errno::ENOSPC),
        ZERO | ZERO_KEEP => zeroes,
        _ => return Err(Errno::EOPNOTSUPP),
    };
    Ok((inside > 0).then_some(ask))
}

/// Whether a write to a file opened with these flags, or one marked by the kernel, must be durable
/// before it is answered. `O_SYNC` contains the bit of `O_DSYNC`.
pub(super) fn durable(flags: i32) -> bool {
    flags & libc::O_DSYNC != 0
}

#[cfg(test)]
mod tests {
    use super::*;

    const CAPACITY: u64 = 100;

    #[test]
    fn every_small_range_is_cut_exactly_at_the_end() {
        for offset in 0..130 {
            for bytes in 0..130 {
                let counted = (offset..offset + bytes).filter(|&at| at < CAPACITY).count();
                assert_eq!(
                    usize::try_from(on_drive(offset, bytes, CAPACITY)).unwrap(),
                    counted
                );
            }
        }
        assert_eq!(on_drive(u64::MAX, u64::MAX, CAPACITY), 0);
    }

    #[test]
    fn a_hole_becomes_a_trim_and_a_hole_past_the_end_nothing() {
        let punch = libc::FALLOC_FL_PUNCH_HOLE | libc::FALLOC_FL_KEEP_SIZE;
        let trim = |bytes| Ask::Trim {
            offset: 90,
            bytes,
            fua: false,
        };
        assert_eq!(fallocate(punch, 90, 10, CAPACITY), Ok(Some(trim(10))));
        assert_eq!(fallocate(punch, 90, 11, CAPACITY), Ok(Some(trim(10))));
        assert_eq!(fallocate(punch, 100, 5, CAPACITY), Ok(None));
    }

    #[test]
    fn zeroing_may_not_deallocate_and_may_not_grow_the_drive() {
        let zeroes = |bytes| Ask::WriteZeroes {
            offset: 95,
            bytes,
            fua: false,
            may_deallocate: false,
        };
        let keep = libc::FALLOC_FL_ZERO_RANGE | libc::FALLOC_FL_KEEP_SIZE;
        let grow = libc::FALLOC_FL_ZERO_RANGE;
        assert_eq!(fallocate(keep, 95, 9, CAPACITY), Ok(Some(zeroes(5))));
        assert_eq!(fallocate(grow, 95, 5, CAPACITY), Ok(Some(zeroes(5))));
        assert_eq!(fallocate(grow, 95, 6, CAPACITY), Err(Errno::ENOSPC));
    }

    #[test]
    fn every_other_mode_is_not_supported() {
        let known = [
            libc::FALLOC_FL_PUNCH_HOLE | libc::FALLOC_FL_KEEP_SIZE,
            libc::FALLOC_FL_ZERO_RANGE,
            libc::FALLOC_FL_ZERO_RANGE | libc::FALLOC_FL_KEEP_SIZE,
        ];
        for mode in (0..256).filter(|mode| !known.contains(mode)) {
            assert_eq!(
                fallocate(mode, 0, 10, CAPACITY),
                Err(Errno::EOPNOTSUPP),
                "mode {mode:#x}"
            );
        }
    }

    #[test]
    fn both_kinds_of_synchronous_files_are_durable() {
        assert!(durable(libc::O_RDWR | libc::O_SYNC));
        assert!(durable(libc::O_WRONLY | libc::O_DSYNC));
        assert!(!durable(libc::O_RDWR | libc::O_DIRECT));
    }
}

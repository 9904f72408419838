//! Owns what `stat` says: a directory and a file that are their owner's alone and never change.

use std::time::SystemTime;

use fuser::{FileAttr, FileType, INodeNo};
use nix::unistd::{getegid, geteuid};

use crate::host::handle::DriveInfo;

/// The file.
pub(super) const DISK: INodeNo = INodeNo(2);

/// Attributes of the directory or the file; everything carries the time `stamp`.
pub(super) fn of(inode: INodeNo, info: &DriveInfo, stamp: SystemTime) -> Option<FileAttr> {
    let (kind, size, perm, nlink) = match inode {
        INodeNo::ROOT => (FileType::Directory, 0, 0o700, 2),
        DISK if info.read_only => (FileType::RegularFile, info.capacity_bytes, 0o400, 1),
        DISK => (FileType::RegularFile, info.capacity_bytes, 0o600, 1),
        _ => return None,
    };
    Some(FileAttr {
        ino: inode,
        size,
        // Fewer would make some archivers believe that the file is one hole.
        blocks: size.div_ceil(512),
        atime: stamp,
        mtime: stamp,
        ctime: stamp,
        crtime: stamp,
        kind,
        perm,
        nlink,
        uid: geteuid().as_raw(),
        gid: getegid().as_raw(),
        rdev: 0,
        blksize: info.physical_sector_bytes,
        flags: 0,
    })
}

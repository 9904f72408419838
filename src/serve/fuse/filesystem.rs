//! Owns the conversation with the kernel: one directory, one file called `disk`, its size fixed.
//!
//! Every request for bytes is sent to the drive and answered from the drive's thread, so the
//! session thread is free for the next one at once. It decides nothing: what bytes are meant is in
//! `range`, what becomes of the drive's answers in `answers`.

use std::ffi::OsStr;
use std::io;
use std::time::{Duration, SystemTime};

use fuser::{
    AccessFlags, BsdFileFlags, Errno, FileAttr, FileHandle, FileType, Filesystem, FopenFlags,
    Generation, INodeNo, InitFlags, IoctlFlags, KernelConfig, LockOwner, OpenAccMode, OpenFlags,
    PollEvents, PollFlags, PollNotifier, RenameFlags, ReplyAttr, ReplyCreate, ReplyData,
    ReplyDirectory, ReplyEmpty, ReplyEntry, ReplyIoctl, ReplyLseek, ReplyOpen, ReplyPoll,
    ReplyStatfs, ReplyWrite, ReplyXattr, Request, TimeOrNow, WriteFlags,
};

use crate::host::handle::{Ask, Handle};
use crate::serve::fuse::answers;
use crate::serve::fuse::attributes::{self, DISK};
use crate::serve::fuse::range;
use crate::serve::fuse::seek::{Searcher, Wanted};
use crate::units::count;

/// Name of the file.
pub(super) const FILE_NAME: &str = "disk";

/// Largest request, and how far the kernel reads ahead where someone maps the file.
const REQUEST_BYTES_MAX: u32 = 1024 * 1024;
/// Requests of asynchronous I/O and read-ahead that the kernel sends before it waits for replies.
const BACKGROUND_REQUESTS_MAX: u16 = 128;
/// Nothing about the file ever changes, so the kernel need not ask again.
const UNCHANGING: Duration = Duration::from_secs(24 * 60 * 60);

/// The filesystem.
pub(super) struct DiskFilesystem {
    handle: Handle,
    searcher: Searcher,
    /// Time stamp of everything.
    stamp: SystemTime,
}

impl DiskFilesystem {
    /// A filesystem whose directory and file carry the time `stamp`.
    pub(super) fn new(handle: Handle, searcher: Searcher, stamp: SystemTime) -> DiskFilesystem {
        DiskFilesystem {
            handle,
            searcher,
            stamp,
        }
    }

    fn capacity(&self) -> u64 {
        self.handle.info().capacity_bytes
    }

    fn attributes(&self, inode: INodeNo) -> Option<FileAttr> {
        attributes::of(inode, self.handle.info(), self.stamp)
    }

    fn reply_attributes(&self, inode: INodeNo, reply: ReplyAttr) {
        match self.attributes(inode) {
            Some(attributes) => reply.attr(&UNCHANGING, &attributes),
            None => reply.error(Errno::ENOENT),
        }
    }

    /// Sends an ask whose success carries nothing back.
    fn send_plain(&self, ask: Ask, reply: ReplyEmpty) {
        self.handle.send(ask, answers::plain(reply));
    }
}

// The attributes that cannot be set and the things that cannot be made are refused without the
// log line which the library would write.
impl Filesystem for DiskFilesystem {
    fn init(&mut self, _: &Request, config: &mut KernelConfig) -> io::Result<()> {
        // Each of these only says how much is wanted; an older kernel gives less.
        let _ = config.set_max_write(REQUEST_BYTES_MAX);
        if let Err(allowed) = config.set_max_readahead(REQUEST_BYTES_MAX) {
            let _ = config.set_max_readahead(allowed);
        }
        let _ = config.set_max_background(BACKGROUND_REQUESTS_MAX);
        for wanted in [InitFlags::FUSE_ASYNC_DIO, InitFlags::FUSE_PARALLEL_DIROPS] {
            let _ = config.add_capabilities(wanted);
        }
        Ok(())
    }

    fn lookup(&self, _: &Request, parent: INodeNo, name: &OsStr, reply: ReplyEntry) {
        let found = (parent == INodeNo::ROOT && name == FILE_NAME)
            .then(|| self.attributes(DISK))
            .flatten();
        match found {
            Some(attributes) => reply.entry(&UNCHANGING, &attributes, Generation(0)),
            None => reply.error(Errno::ENOENT),
        }
    }

    fn getattr(&self, _: &Request, inode: INodeNo, _: Option<FileHandle>, reply: ReplyAttr) {
        self.reply_attributes(inode, reply);
    }

    fn setattr(
        &self,
        _: &Request,
        inode: INodeNo,
        mode: Option<u32>,
        uid: Option<u32>,
        gid: Option<u32>,
        size: Option<u64>,
        _: Option<TimeOrNow>,
        _: Option<TimeOrNow>,
        _: Option<SystemTime>,
        _: Option<FileHandle>,
        _: Option<SystemTime>,
        _: Option<SystemTime>,
        _: Option<SystemTime>,
        _: Option<BsdFileFlags>,
        reply: ReplyAttr,
    ) {
        let resizes = size.is_some_and(|size| size != self.capacity());
        if resizes || mode.is_some() || uid.is_some() || gid.is_some() {
            return reply.error(Errno::EPERM);
        }
        // Times stay as they are; programs that copy a file and then its times should not fail.
        self.reply_attributes(inode, reply);
    }

    fn open(&self, _: &Request, inode: INodeNo, flags: OpenFlags, reply: ReplyOpen) {
        if inode != DISK {
            return reply.error(Errno::EISDIR);
        }
        if self.handle.info().read_only && flags.acc_mode() != OpenAccMode::O_RDONLY {
            return reply.error(Errno::EROFS);
        }
        let manner = FopenFlags::FOPEN_DIRECT_IO
            | FopenFlags::FOPEN_PARALLEL_DIRECT_WRITES
            | FopenFlags::FOPEN_NOFLUSH;
        reply.opened(FileHandle(0), manner);
    }

    fn read(
        &self,
        _: &Request,
        _: INodeNo,
        _: FileHandle,
        offset: u64,
        size: u32,
        _: OpenFlags,
        _: Option<LockOwner>,
        reply: ReplyData,
    ) {
        let bytes = range::on_drive(offset, size.into(), self.capacity());
        if bytes == 0 {
            return reply.data(&[]);
        }
        let read = Ask::Read { offset, bytes };
        self.handle.send(read, answers::data(reply));
    }

    fn write(
        &self,
        _: &Request,
        _: INodeNo,
        _: FileHandle,
        offset: u64,
        data: &[u8],
        _: WriteFlags,
        flags: OpenFlags,
        _: Option<LockOwner>,
        reply: ReplyWrite,
    ) {
        let asked = count(data.len());
        let room = range::on_drive(offset, asked, self.capacity());
        if room == 0 {
            return match asked {
                0 => reply.written(0),
                _ => reply.error(Errno::ENOSPC),
            };
        }
        // Over the end: the part that fits is written and counted, as on a block device.
        let fits = crate::units::index(room);
        let written = u32::try_from(room).expect("the kernel's requests are far below 4 GiB");
        let write = Ask::Write {
            offset,
            data: data[..fits].to_vec(),
            fua: range::durable(flags.0),
        };
        self.handle.send(write, answers::written(reply, written));
    }

    fn flush(&self, _: &Request, _: INodeNo, _: FileHandle, _: LockOwner, reply: ReplyEmpty) {
        // This is close(), which makes nothing durable.
        reply.ok();
    }

    fn fsync(&self, _: &Request, _: INodeNo, _: FileHandle, _: bool, reply: ReplyEmpty) {
        self.send_plain(Ask::Flush, reply);
    }

    fn fsyncdir(&self, _: &Request, _: INodeNo, _: FileHandle, _: bool, reply: ReplyEmpty) {
        self.send_plain(Ask::Flush, reply);
    }

    fn fallocate(
        &self,
        _: &Request,
        _: INodeNo,
        _: FileHandle,
        offset: u64,
        length: u64,
        mode: i32,
        reply: ReplyEmpty,
    ) {
        match range::fallocate(mode, offset, length, self.capacity()) {
            Ok(Some(ask)) => self.send_plain(ask, reply),
            Ok(None) => reply.ok(),
            Err(error) => reply.error(error),
        }
    }

    fn lseek(
        &self,
        _: &Request,
        _: INodeNo,
        _: FileHandle,
        offset: i64,
        whence: i32,
        reply: ReplyLseek,
    ) {
        let wanted = match whence {
            libc::SEEK_DATA => Wanted::Data,
            libc::SEEK_HOLE => Wanted::Hole,
            _ => return reply.error(Errno::EINVAL),
        };
        match u64::try_from(offset) {
            Ok(from) => self.searcher.search(wanted, from, reply),
            Err(_) => reply.error(Errno::ENXIO),
        }
    }

    fn readdir(
        &self,
        _: &Request,
        inode: INodeNo,
        _: FileHandle,
        offset: u64,
        mut reply: ReplyDirectory,
    ) {
        if inode != INodeNo::ROOT {
            return reply.error(Errno::ENOTDIR);
        }
        let entries = [
            (1, INodeNo::ROOT, FileType::Directory, "."),
            (2, INodeNo::ROOT, FileType::Directory, ".."),
            (3, DISK, FileType::RegularFile, FILE_NAME),
        ];
        for (next, inode, kind, name) in entries.into_iter().filter(|entry| entry.0 > offset) {
            if reply.add(inode, next, kind, name) {
                break;
            }
        }
        reply.ok();
    }

    fn statfs(&self, _: &Request, _: INodeNo, reply: ReplyStatfs) {
        // Loop devices take the block size as the grain of a discard.
        let block_bytes = self.handle.info().physical_sector_bytes;
        let blocks = self.capacity() / u64::from(block_bytes);
        reply.statfs(blocks, 0, 0, 2, 0, block_bytes, 255, block_bytes);
    }

    fn mknod(&self, _: &Request, _: INodeNo, _: &OsStr, _: u32, _: u32, _: u32, reply: ReplyEntry) {
        reply.error(Errno::EPERM);
    }

    fn mkdir(&self, _: &Request, _: INodeNo, _: &OsStr, _: u32, _: u32, reply: ReplyEntry) {
        reply.error(Errno::EPERM);
    }

    fn unlink(&self, _: &Request, _: INodeNo, _: &OsStr, reply: ReplyEmpty) {
        reply.error(Errno::EPERM);
    }

    fn rmdir(&self, _: &Request, _: INodeNo, _: &OsStr, reply: ReplyEmpty) {
        reply.error(Errno::EPERM);
    }

    fn rename(
        &self,
        _: &Request,
        _: INodeNo,
        _: &OsStr,
        _: INodeNo,
        _: &OsStr,
        _: RenameFlags,
        reply: ReplyEmpty,
    ) {
        reply.error(Errno::EPERM);
    }

    fn create(
        &self,
        _: &Request,
        _: INodeNo,
        _: &OsStr,
        _: u32,
        _: u32,
        _: i32,
        reply: ReplyCreate,
    ) {
        reply.error(Errno::EPERM);
    }

    fn access(&self, _: &Request, _: INodeNo, _: AccessFlags, reply: ReplyEmpty) {
        // The kernel checks the mode itself.
        reply.ok();
    }

    fn getxattr(&self, _: &Request, _: INodeNo, _: &OsStr, _: u32, reply: ReplyXattr) {
        reply.error(Errno::ENOSYS);
    }

    fn listxattr(&self, _: &Request, _: INodeNo, _: u32, reply: ReplyXattr) {
        reply.error(Errno::ENOSYS);
    }

    fn setxattr(
        &self,
        _: &Request,
        _: INodeNo,
        _: &OsStr,
        _: &[u8],
        _: i32,
        _: u32,
        reply: ReplyEmpty,
    ) {
        reply.error(Errno::ENOSYS);
    }

    fn removexattr(&self, _: &Request, _: INodeNo, _: &OsStr, reply: ReplyEmpty) {
        reply.error(Errno::ENOSYS);
    }

    fn ioctl(
        &self,
        _: &Request,
        _: INodeNo,
        _: FileHandle,
        _: IoctlFlags,
        _: u32,
        _: &[u8],
        _: u32,
        reply: ReplyIoctl,
    ) {
        reply.error(Errno::ENOTTY);
    }

    fn poll(
        &self,
        _: &Request,
        _: INodeNo,
        _: FileHandle,
        _: PollNotifier,
        _: PollEvents,
        _: PollFlags,
        reply: ReplyPoll,
    ) {
        // The kernel then says "always ready" by itself, as for any file.
        reply.error(Errno::ENOSYS);
    }

    fn copy_file_range(
        &self,
        _: &Request,
        _: INodeNo,
        _: FileHandle,
        _: u64,
        _: INodeNo,
        _: FileHandle,
        _: u64,
        _: u64,
        _: fuser::CopyFileRangeFlags,
        reply: ReplyWrite,
    ) {
        // The kernel falls back to reading and writing.
        reply.error(Errno::ENOSYS);
    }
}

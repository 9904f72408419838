//! A served drive, the loop device over its file and the filesystem on that; each is taken away
//! again however the test ends.

#![allow(dead_code)] // every test program compiles this anew and uses a part of it

use std::path::{Path, PathBuf};

use tempfile::TempDir;

use crate::program::{Served, imbrex, tool};

/// An image in a folder of its own.
pub(crate) struct Disk {
    folder: TempDir,
    image: PathBuf,
}

impl Disk {
    pub(crate) fn new(capacity: &str) -> Disk {
        let folder = tempfile::tempdir().expect("a folder");
        let image = folder.path().join("disk.img");
        for name in ["fuse", "mounted"] {
            std::fs::create_dir(folder.path().join(name)).expect("a folder");
        }
        imbrex(&format!("create {{}} --capacity {capacity}"), &image).success();
        Disk { folder, image }
    }

    /// Serves it and attaches a loop device to it.
    pub(crate) fn attach(&self) -> Attached {
        self.attach_with("")
    }

    /// The same, served with more options.
    pub(crate) fn attach_with(&self, options: &str) -> Attached {
        let fuse = self.folder.path().join("fuse");
        let served = Served::start(
            &self.image,
            &format!("--pace off --fuse {} {options}", fuse.display()),
        );
        let file = fuse.join("disk");
        let file = file.to_str().expect("a plain path");
        let told = tool("losetup", ["--find", "--show", "--direct-io=on", file]);
        let device = told.success().trim().to_owned();
        Attached {
            served: Some(served),
            device,
            fuse,
            mount_point: self.folder.path().join("mounted"),
        }
    }

    pub(crate) fn check(&self) {
        imbrex("check {} --data", &self.image).success();
    }
}

pub(crate) struct Attached {
    /// Taken at an orderly end.
    served: Option<Served>,
    pub(crate) device: String,
    fuse: PathBuf,
    mount_point: PathBuf,
}

impl Attached {
    pub(crate) fn mount(&self) -> Mounted<'_> {
        let path = &*self.mount_point;
        tool("mount", [self.device.as_ref(), path.as_os_str()]).success();
        Mounted {
            path,
            _device: self,
        }
    }

    /// Where the server shows its file.
    pub(crate) fn folder(&self) -> &Path {
        &self.fuse
    }

    /// Kills the server under whatever is mounted.
    pub(crate) fn lose_power(&self) {
        self.served.as_ref().expect("it is served").kill();
    }

    /// Detaches the loop device from a server that was killed. Its mount is left behind.
    pub(crate) fn leave(mut self) {
        tool("losetup", ["--detach", &self.device]).success();
        self.served.take().expect("ended once").cut();
    }

    /// Detaches the loop device and ends the server; hands back its account.
    pub(crate) fn end(mut self) -> String {
        tool("losetup", ["--detach", &self.device]).success();
        self.served.take().expect("ended once").stop().success()
    }
}

impl Drop for Attached {
    fn drop(&mut self) {
        if let Some(served) = self.served.take() {
            // The test has failed already.
            tool("losetup", ["--detach", &self.device]);
            drop(served);
            tool("umount", ["--lazy".as_ref(), self.fuse.as_os_str()]);
        }
    }
}

/// A mounted filesystem. Lives no longer than the device that it is on.
pub(crate) struct Mounted<'a> {
    pub(crate) path: &'a Path,
    _device: &'a Attached,
}

impl Drop for Mounted<'_> {
    fn drop(&mut self) {
        let ended = tool("umount", [self.path]);
        if !std::thread::panicking() {
            ended.success();
        } else if ended.code != Some(0) {
            tool("umount", ["--lazy".as_ref(), self.path.as_os_str()]);
        }
    }
}

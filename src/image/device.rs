//! Owns the question whether anyone uses a block device: its mounts, its swap areas, what is built
//! on it, for the device itself, its partitions and the disk it is a partition of.
//!
//! It reads `/proc` and `/sys` only. What another mount namespace does is not visible here; opening
//! the device exclusively finds that.

use std::ffi::OsStr;
use std::fmt;
use std::fs;
use std::io;
use std::os::unix::ffi::OsStrExt;
use std::os::unix::fs::{FileTypeExt, MetadataExt};
use std::path::{Path, PathBuf};

use nix::sys::stat::{major, minor};

use crate::image::mounts::{self, Mount};

/// Someone who uses a device or a part of it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum DeviceUser {
    /// It is mounted.
    Mounted {
        /// The device or partition.
        device: String,
        /// Where.
        at: PathBuf,
    },
    /// The system swaps to it.
    Swap {
        /// The device or partition.
        device: String,
    },
    /// Another device is built on it: a volume, an array, an encrypted mapping.
    Holder {
        /// The device or partition.
        device: String,
        /// Name of the other device.
        holder: String,
    },
}

impl fmt::Display for DeviceUser {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            DeviceUser::Mounted { device, at } => {
                write!(f, "/dev/{device} is mounted on {}", at.display())
            }
            DeviceUser::Swap { device } => write!(f, "/dev/{device} is a swap area in use"),
            DeviceUser::Holder { device, holder } => {
                write!(f, "/dev/{holder} is built on /dev/{device}")
            }
        }
    }
}

/// Everyone who uses the device with number `rdev`, a part of it, or the disk it is a part of.
pub(super) fn users(rdev: u64) -> io::Result<Vec<DeviceUser>> {
    let mounted = mounts::current()?;
    let swaps = swaps()?;
    let mut users = Vec::new();
    for node in family(Path::new("/sys"), (major(rdev), minor(rdev)))? {
        users.extend(users_of(&node, &mounted, &swaps));
    }
    Ok(users)
}

/// A device as the kernel lists it.
#[derive(Clone, Debug, PartialEq, Eq)]
struct Node {
    name: String,
    number: (u64, u64),
    holders: Vec<String>,
}

/// The device, and its partitions or the disk that it is a partition of. Its sister partitions are
/// nobody's business.
fn family(sys: &Path, (major, minor): (u64, u64)) -> io::Result<Vec<Node>> {
    let own = sys
        .join(format!("dev/block/{major}:{minor}"))
        .canonicalize()?;
    let mut folders = vec![own.clone()];
    if own.join("partition").exists() {
        folders.extend(own.parent().map(Path::to_path_buf));
    } else {
        let mut parts: Vec<PathBuf> = fs::read_dir(&own)?
            .filter_map(|entry| Some(entry.ok()?.path()))
            .filter(|folder| folder.join("partition").exists())
            .collect();
        parts.sort();
        folders.extend(parts);
    }
    folders.iter().map(|folder| node(folder)).collect()
}

fn node(folder: &Path) -> io::Result<Node> {
    let text = fs::read_to_string(folder.join("dev"))?;
    let number = text
        .trim()
        .split_once(':')
        .and_then(|(major, minor)| Some((major.parse().ok()?, minor.parse().ok()?)))
        .ok_or_else(|| io::Error::other(format!("{text:?} is no device number")))?;
    let mut holders: Vec<String> = match fs::read_dir(folder.join("holders")) {
        Ok(entries) => entries
            .map(|entry| Ok(entry?.file_name().to_string_lossy().into_owned()))
            .collect::<io::Result<_>>()?,
        Err(error) if error.kind() == io::ErrorKind::NotFound => Vec::new(),
        Err(error) => return Err(error),
    };
    holders.sort();
    let name = folder.file_name().unwrap_or(OsStr::new("?"));
    Ok(Node {
        name: name.to_string_lossy().into_owned(),
        number,
        holders,
    })
}

fn users_of(node: &Node, mounted: &[Mount], swaps: &[(u64, u64)]) -> Vec<DeviceUser> {
    let device = || node.name.clone();
    let mounts = mounted
        .iter()
        // A filesystem over several devices has a number of its own; its source is one of them.
        .filter(|mount| {
            mount.device == node.number || block_number(&mount.source) == Some(node.number)
        })
        .map(|mount| DeviceUser::Mounted {
            device: device(),
            at: mount.at.clone(),
        });
    let swap = swaps
        .contains(&node.number)
        .then(|| DeviceUser::Swap { device: device() });
    let holders = node.holders.iter().map(|holder| DeviceUser::Holder {
        device: device(),
        holder: holder.clone(),
    });
    mounts.chain(swap).chain(holders).collect()
}

/// Numbers of the block devices that the system swaps to.
fn swaps() -> io::Result<Vec<(u64, u64)>> {
    let text = match fs::read("/proc/swaps") {
        Ok(text) => text,
        // A kernel without swap.
        Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(Vec::new()),
        Err(error) => return Err(error),
    };
    Ok(text
        .split(|&byte| byte == b'\n')
        .skip(1)
        .filter_map(|line| line.split(u8::is_ascii_whitespace).next())
        .filter_map(|path| block_number(Path::new(OsStr::from_bytes(path))))
        .collect())
}

/// Number of the block device at `path`, if it is one. Only looks below `/dev`: anything else in a
/// list of mounts may be a path on a server that does not answer.
fn block_number(path: &Path) -> Option<(u64, u64)> {
    if !path.starts_with("/dev") {
        return None;
    }
    let found = fs::metadata(path).ok()?;
    found
        .file_type()
        .is_block_device()
        .then(|| (major(found.rdev()), minor(found.rdev())))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A disk 8:0 with partitions 8:1 (which holds up dm-0) and 8:2.
    fn sys() -> tempfile::TempDir {
        let sys = tempfile::tempdir().unwrap();
        let disk = sys.path().join("devices/sda");
        for (folder, number, partition) in [
            (disk.clone(), "8:0", false),
            (disk.join("sda1"), "8:1", true),
            (disk.join("sda2"), "8:2", true),
        ] {
            fs::create_dir_all(folder.join("holders")).unwrap();
            fs::write(folder.join("dev"), format!("{number}\n")).unwrap();
            if partition {
                fs::write(folder.join("partition"), "1\n").unwrap();
            }
            let link = sys.path().join("dev/block").join(number);
            fs::create_dir_all(link.parent().unwrap()).unwrap();
            std::os::unix::fs::symlink(&folder, link).unwrap();
        }
        fs::write(disk.join("sda1/holders/dm-0"), "").unwrap();
        fs::create_dir(disk.join("queue")).unwrap();
        sys
    }

    fn names(minor: u64) -> Vec<String> {
        let sys = sys();
        let nodes = family(sys.path(), (8, minor)).unwrap();
        nodes.into_iter().map(|node| node.name).collect()
    }

    #[test]
    fn a_disk_answers_for_its_partitions_and_a_partition_for_its_disk() {
        assert_eq!(names(0), ["sda", "sda1", "sda2"]);
        assert_eq!(names(1), ["sda1", "sda"]);
        assert_eq!(names(2), ["sda2", "sda"]);
    }

    #[test]
    fn mounts_swap_and_holders_of_any_part_are_found() {
        let sys = sys();
        let mounted = [Mount {
            device: (8, 2),
            at: "/data".into(),
            kind: "xfs".into(),
            source: "none".into(),
        }];
        let found: Vec<String> = family(sys.path(), (8, 0))
            .unwrap()
            .iter()
            .flat_map(|node| users_of(node, &mounted, &[(8, 0), (9, 9)]))
            .map(|user| user.to_string())
            .collect();
        assert_eq!(
            found,
            [
                "/dev/sda is a swap area in use",
                "/dev/dm-0 is built on /dev/sda1",
                "/dev/sda2 is mounted on /data",
            ]
        );
    }
}

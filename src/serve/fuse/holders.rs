//! Owns the search for whoever keeps a mounted drive busy, so that a message can name them.
//!
//! It reads `/proc` and `/sys` and touches nothing below the mounted directory, so it cannot hang
//! on it. What this user may not see is missing from the answer.

use std::ffi::OsStr;
use std::fmt;
use std::fs;
use std::os::unix::ffi::OsStrExt;
use std::path::{Path, PathBuf};

use crate::image::mounts::{self, Mount};

/// Someone who uses the mounted file or directory.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Holder {
    /// A loop device over the file.
    LoopDevice {
        /// Its node in `/dev`.
        device: PathBuf,
        /// Where it is mounted, if it is.
        mounted_at: Vec<PathBuf>,
    },
    /// Another filesystem mounted below the directory.
    Mount {
        /// Where.
        at: PathBuf,
    },
    /// A process that has the file open or stands in the directory.
    Process {
        /// Its number.
        pid: u32,
        /// Its name.
        name: String,
    },
}

impl fmt::Display for Holder {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Holder::LoopDevice { device, mounted_at } => {
                write!(f, "by the loop device {}: ", device.display())?;
                for at in mounted_at {
                    write!(f, "umount {} && ", at.display())?;
                }
                write!(f, "losetup -d {}", device.display())
            }
            Holder::Mount { at } => {
                let at = at.display();
                write!(f, "by what is mounted on {at}: umount {at}")
            }
            Holder::Process { pid, name } => {
                write!(
                    f,
                    "by process {pid} ({name}): end it, or let it close the file"
                )
            }
        }
    }
}

/// Everyone who could be found to use `dir` or what is below it. `dir` must be a real path.
pub fn find(dir: &Path) -> Vec<Holder> {
    let mounted = mounts::current().unwrap_or_default();
    let mut holders = loop_devices(dir, &mounted);
    holders.extend(
        mounted
            .iter()
            .filter(|mount| mount.at != dir && mount.at.starts_with(dir))
            .map(|mount| Holder::Mount {
                at: mount.at.clone(),
            }),
    );
    holders.extend(processes(dir));
    holders
}

fn loop_devices(dir: &Path, mounted: &[Mount]) -> Vec<Holder> {
    let mut devices: Vec<Holder> = names_in(Path::new("/sys/block"))
        .filter_map(|name| {
            let file = fs::read(format!("/sys/block/{name}/loop/backing_file")).ok()?;
            let file = file.strip_suffix(b"\n").unwrap_or(&file);
            Path::new(OsStr::from_bytes(file))
                .starts_with(dir)
                .then(|| Path::new("/dev").join(name))
        })
        .map(|device| Holder::LoopDevice {
            mounted_at: mounted
                .iter()
                .filter(|mount| mount.source == device)
                .map(|mount| mount.at.clone())
                .collect(),
            device,
        })
        .collect();
    devices.sort_by_key(ToString::to_string);
    devices
}

fn processes(dir: &Path) -> Vec<Holder> {
    let mut pids: Vec<u32> = names_in(Path::new("/proc"))
        .filter_map(|name| name.parse().ok())
        .filter(|pid| uses(*pid, dir))
        .collect();
    pids.sort_unstable();
    pids.into_iter()
        .map(|pid| Holder::Process {
            pid,
            name: fs::read_to_string(format!("/proc/{pid}/comm"))
                .map_or_else(|_| "ended".into(), |name| name.trim_end().to_string()),
        })
        .collect()
}

/// Reading a link of `/proc` does not go to the filesystem it points into.
fn uses(pid: u32, dir: &Path) -> bool {
    let base = PathBuf::from(format!("/proc/{pid}"));
    let points_below = |link: PathBuf| fs::read_link(link).is_ok_and(|to| to.starts_with(dir));
    points_below(base.join("cwd"))
        || points_below(base.join("root"))
        || names_in(&base.join("fd")).any(|number| points_below(base.join("fd").join(number)))
}

fn names_in(dir: &Path) -> impl Iterator<Item = String> + use<> {
    fs::read_dir(dir)
        .into_iter()
        .flatten()
        .filter_map(|entry| entry.ok()?.file_name().into_string().ok())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_process_with_an_open_file_below_is_found_until_it_closes_it() {
        let scratch = tempfile::tempdir().unwrap();
        let dir = scratch.path().canonicalize().unwrap();
        let open = fs::File::create(dir.join("file")).unwrap();
        let me = std::process::id();
        let found = |holders: &[Holder]| {
            holders
                .iter()
                .any(|holder| matches!(holder, Holder::Process { pid, .. } if *pid == me))
        };
        assert!(found(&find(&dir)));
        drop(open);
        assert!(!found(&find(&dir)));
    }

    #[test]
    fn a_holder_says_what_to_do_about_it() {
        let holder = Holder::LoopDevice {
            device: "/dev/loop7".into(),
            mounted_at: vec!["/mnt/a".into()],
        };
        assert_eq!(
            holder.to_string(),
            "by the loop device /dev/loop7: umount /mnt/a && losetup -d /dev/loop7"
        );
    }
}

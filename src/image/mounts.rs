//! Owns what the kernel says is mounted: `/proc/self/mountinfo`, parsed.
//!
//! Every line that cannot be understood is left out. It only reads; it decides nothing.

use std::ffi::OsString;
use std::io;
use std::os::unix::ffi::OsStringExt;
use std::path::{Path, PathBuf};

/// One mount.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Mount {
    /// Major and minor number of the mounted filesystem. Not of its disk where the filesystem
    /// spans several.
    pub device: (u64, u64),
    /// Where it is mounted.
    pub at: PathBuf,
    /// Kind of filesystem, with the subtype after a dot.
    pub kind: String,
    /// What is mounted, as whoever mounted it called it. A path of a device, mostly.
    pub source: PathBuf,
}

/// All mounts this process can see, oldest first.
pub fn current() -> io::Result<Vec<Mount>> {
    Ok(parse(&std::fs::read("/proc/self/mountinfo")?))
}

/// The mount that is visible at exactly `at`: the newest one there.
pub fn visible_at<'a>(mounts: &'a [Mount], at: &Path) -> Option<&'a Mount> {
    mounts.iter().rev().find(|mount| mount.at == at)
}

fn parse(text: &[u8]) -> Vec<Mount> {
    text.split(|&byte| byte == b'\n')
        .filter_map(parse_line)
        .collect()
}

/// A line reads: id, parent, major:minor, root, mount point, options, any number of tags, a dash,
/// kind, source, options of the filesystem.
fn parse_line(line: &[u8]) -> Option<Mount> {
    let fields: Vec<&[u8]> = line.split(|&byte| byte == b' ').collect();
    let dash = fields.iter().position(|&field| field == b"-")?;
    let device = std::str::from_utf8(fields.get(2)?).ok()?;
    let (major, minor) = device.split_once(':')?;
    Some(Mount {
        device: (major.parse().ok()?, minor.parse().ok()?),
        at: unescape(fields.get(4)?),
        kind: String::from_utf8_lossy(fields.get(dash + 1)?).into_owned(),
        source: unescape(fields.get(dash + 2)?),
    })
}

/// The kernel writes space, tab, newline and backslash as a backslash and three octal digits.
fn unescape(field: &[u8]) -> PathBuf {
    let mut bytes = Vec::with_capacity(field.len());
    let mut rest = field;
    while let [first, tail @ ..] = rest {
        let octal = (*first == b'\\')
            .then(|| tail.get(..3))
            .flatten()
            .and_then(|digits| std::str::from_utf8(digits).ok())
            .and_then(|digits| u8::from_str_radix(digits, 8).ok());
        bytes.push(octal.unwrap_or(*first));
        rest = if octal.is_some() { &tail[3..] } else { tail };
    }
    PathBuf::from(OsString::from_vec(bytes))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_line_with_tags_and_escapes_is_understood() {
        let line = b"36 35 98:7 /root /mnt\\040two\\134x rw,noatime master:1 shared:4 - ext4 /dev/my\\011disk rw\n";
        assert_eq!(
            parse(line),
            [Mount {
                device: (98, 7),
                at: PathBuf::from("/mnt two\\x"),
                kind: "ext4".into(),
                source: PathBuf::from("/dev/my\tdisk"),
            }]
        );
    }

    #[test]
    fn lines_that_make_no_sense_are_left_out() {
        assert_eq!(
            parse(b"\nnonsense\n1 2 3 4 5 - ext4 x\n1 2 3:x / / rw - ext4 x y\n"),
            []
        );
    }

    #[test]
    fn of_mounts_on_top_of_each_other_the_newest_is_visible() {
        let mounts = parse(b"1 0 0:1 / /a rw - tmpfs one rw\n2 1 0:2 / /a rw - tmpfs two rw\n");
        let top = visible_at(&mounts, Path::new("/a")).map(|mount| mount.source.clone());
        assert_eq!(top, Some(PathBuf::from("two")));
        assert_eq!(visible_at(&mounts, Path::new("/b")), None);
    }

    #[test]
    fn the_root_of_this_machine_is_mounted() {
        let mounts = current().unwrap();
        assert!(visible_at(&mounts, Path::new("/")).is_some());
    }
}

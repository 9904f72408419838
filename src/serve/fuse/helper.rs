//! Owns the conversation with `fusermount3`, the program that mounts FUSE for ordinary users.
//!
//! It passes the opened `/dev/fuse` over a socket. Taking that descriptor is the one place of this
//! folder that needs `unsafe`.
#![allow(unsafe_code)] // a descriptor received over a socket arrives as a bare number

use std::io::{self, IoSliceMut};
use std::os::fd::{AsRawFd, FromRawFd, OwnedFd, RawFd};
use std::os::unix::net::UnixStream;
use std::path::Path;
use std::process::{Command, Output, Stdio};

use nix::sys::socket::{ControlMessageOwned, MsgFlags, UnixAddr, recvmsg};

const PROGRAM: &str = "fusermount3";

/// What came of a call.
pub(super) enum HelperFault {
    /// The program is not installed.
    Missing,
    /// It refused, in its own words on one line.
    Refused(String),
    /// It could not be started or talked to.
    System(io::Error),
}

/// Mounts on `dir` with comma-separated options and hands over the connection to the kernel.
pub(super) fn mount(dir: &Path, options: &str) -> Result<OwnedFd, HelperFault> {
    let (ours, theirs) = UnixStream::pair().map_err(HelperFault::System)?;
    // The socket is its standard input, so nothing has to be done to let it inherit a descriptor.
    let child = Command::new(PROGRAM)
        .args(["-o", options, "--"])
        .arg(dir)
        .env("_FUSE_COMMFD", "0")
        .stdin(Stdio::from(OwnedFd::from(theirs)))
        .stdout(Stdio::null())
        .stderr(Stdio::piped())
        .spawn()
        .map_err(start_fault)?;
    let received = receive(&ours);
    let output = child.wait_with_output().map_err(HelperFault::System)?;
    match received.map_err(HelperFault::System)? {
        Some(connection) => Ok(connection),
        None => Err(HelperFault::Refused(words(&output))),
    }
}

/// Unmounts `dir`.
pub(super) fn unmount(dir: &Path, lazily: bool) -> Result<(), HelperFault> {
    let flags = if lazily { "-uz" } else { "-u" };
    let output = Command::new(PROGRAM)
        .args([flags, "--"])
        .arg(dir)
        .stdin(Stdio::null())
        .output()
        .map_err(start_fault)?;
    if output.status.success() {
        Ok(())
    } else {
        Err(HelperFault::Refused(words(&output)))
    }
}

fn start_fault(error: io::Error) -> HelperFault {
    if error.kind() == io::ErrorKind::NotFound {
        HelperFault::Missing
    } else {
        HelperFault::System(error)
    }
}

fn words(output: &Output) -> String {
    let said = String::from_utf8_lossy(&output.stderr);
    let said = said.split_whitespace().collect::<Vec<_>>().join(" ");
    if said.is_empty() {
        format!("it ended with {} and said nothing", output.status)
    } else {
        said
    }
}

/// Waits for the one message. `None` when the helper closed the socket without sending any.
fn receive(socket: &UnixStream) -> io::Result<Option<OwnedFd>> {
    let mut byte = [0_u8];
    let mut parts = [IoSliceMut::new(&mut byte)];
    let mut space = nix::cmsg_space!([RawFd; 1]);
    let message = recvmsg::<UnixAddr>(
        socket.as_raw_fd(),
        &mut parts,
        Some(&mut space),
        MsgFlags::MSG_CMSG_CLOEXEC,
    )?;
    for control in message.cmsgs()? {
        if let ControlMessageOwned::ScmRights(numbers) = control
            && let [number, ..] = numbers[..]
        {
            // SAFETY: the kernel has just opened this descriptor for us as part of the message, it
            // is named nowhere else, and there is room for one only.
            return Ok(Some(unsafe { OwnedFd::from_raw_fd(number) }));
        }
    }
    Ok(None)
}

#[cfg(test)]
mod tests {
    use std::os::fd::AsFd;

    use nix::sys::socket::{ControlMessage, sendmsg};

    use super::*;

    #[test]
    fn a_descriptor_sent_is_a_descriptor_received() {
        let (ours, theirs) = UnixStream::pair().unwrap();
        let (kept, sent) = UnixStream::pair().unwrap();
        let numbers = [sent.as_fd().as_raw_fd()];
        sendmsg::<UnixAddr>(
            theirs.as_raw_fd(),
            &[io::IoSlice::new(&[0])],
            &[ControlMessage::ScmRights(&numbers)],
            MsgFlags::empty(),
            None,
        )
        .unwrap();
        let received = UnixStream::from(receive(&ours).unwrap().unwrap());
        drop(sent);
        io::Write::write_all(&mut &received, b"x").unwrap();
        let mut got = [0];
        io::Read::read_exact(&mut &kept, &mut got).unwrap();
        assert_eq!(&got, b"x");
    }

    #[test]
    fn a_helper_that_sends_nothing_gives_nothing() {
        let (ours, theirs) = UnixStream::pair().unwrap();
        drop(theirs);
        assert!(receive(&ours).unwrap().is_none());
    }
}

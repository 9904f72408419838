//! Owns a connected socket of either family, and deadlines on it.
//!
//! A [`Socket`] is shared by the threads of a connection: one reads, one writes, anyone may shut
//! it down. It knows nothing of the protocol or of TLS.

use std::io::{self, IoSlice, Read, Write};
use std::net::{Shutdown, TcpStream};
use std::os::fd::AsRawFd;
use std::os::unix::net::UnixStream;
use std::time::{Duration, Instant};

use nix::sys::socket::{MsgFlags, recv, sendmsg, setsockopt, sockopt};

/// The system doubles this, for its own needs.
const SEND_BUFFER_BYTES: usize = 1 << 20;

/// A connected stream socket.
#[derive(Debug)]
pub(super) enum Socket {
    Tcp(TcpStream),
    Unix(UnixStream),
}

impl Socket {
    /// Takes over an accepted TCP connection. Replies leave at once, and a peer that vanished
    /// without a word is noticed by the system's keep-alive.
    pub(super) fn tcp(stream: TcpStream) -> io::Result<Socket> {
        stream.set_nodelay(true)?;
        setsockopt(&stream, sockopt::KeepAlive, &true)?;
        Ok(Socket::Tcp(stream))
    }

    /// Takes over an accepted unix connection, with room for a long reply as TCP has by itself.
    pub(super) fn unix(stream: UnixStream) -> io::Result<Socket> {
        // As much of it as the system allows.
        setsockopt(&stream, sockopt::SndBuf, &SEND_BUFFER_BYTES)?;
        Ok(Socket::Unix(stream))
    }

    /// Ends the connection in the given direction. One that has already ended stays so.
    pub(super) fn shut(&self, how: Shutdown) {
        // The only failure is "not connected", which is what was wanted.
        let _ = match self {
            Socket::Tcp(stream) => stream.shutdown(how),
            Socket::Unix(stream) => stream.shutdown(how),
        };
    }

    /// Sends as much as there is room for now.
    pub(super) fn send_now(&self, slices: &[IoSlice<'_>]) -> io::Result<usize> {
        let fd = match self {
            Socket::Tcp(stream) => stream.as_raw_fd(),
            Socket::Unix(stream) => stream.as_raw_fd(),
        };
        let flags = MsgFlags::MSG_DONTWAIT | MsgFlags::MSG_NOSIGNAL;
        Ok(sendmsg::<()>(fd, slices, &[], flags, None)?)
    }

    /// Reads what is there now.
    pub(super) fn read_now(&self, buffer: &mut [u8]) -> io::Result<usize> {
        let fd = match self {
            Socket::Tcp(stream) => stream.as_raw_fd(),
            Socket::Unix(stream) => stream.as_raw_fd(),
        };
        Ok(recv(fd, buffer, MsgFlags::MSG_DONTWAIT)?)
    }

    /// Limits how long a read or write may wait; `None` for ever.
    pub(super) fn set_patience(&self, patience: Option<Duration>) -> io::Result<()> {
        match self {
            Socket::Tcp(stream) => {
                stream.set_read_timeout(patience)?;
                stream.set_write_timeout(patience)
            }
            Socket::Unix(stream) => {
                stream.set_read_timeout(patience)?;
                stream.set_write_timeout(patience)
            }
        }
    }
}

impl Read for &Socket {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        match self {
            Socket::Tcp(stream) => (&mut &*stream).read(buffer),
            Socket::Unix(stream) => (&mut &*stream).read(buffer),
        }
    }
}

impl Write for &Socket {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        match self {
            Socket::Tcp(stream) => (&mut &*stream).write(bytes),
            Socket::Unix(stream) => (&mut &*stream).write(bytes),
        }
    }

    fn write_vectored(&mut self, slices: &[IoSlice<'_>]) -> io::Result<usize> {
        match self {
            Socket::Tcp(stream) => (&mut &*stream).write_vectored(slices),
            Socket::Unix(stream) => (&mut &*stream).write_vectored(slices),
        }
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

/// A socket on which everything must be over by a moment.
pub(super) struct Deadline<'a> {
    pub(super) socket: &'a Socket,
    pub(super) until: Instant,
}

impl Deadline<'_> {
    fn arm(&self) -> io::Result<()> {
        let left = self.until.saturating_duration_since(Instant::now());
        if left.is_zero() {
            return Err(io::ErrorKind::TimedOut.into());
        }
        self.socket.set_patience(Some(left))
    }
}

impl Read for Deadline<'_> {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        self.arm()?;
        timed((&mut &*self.socket).read(buffer))
    }
}

impl Write for Deadline<'_> {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.arm()?;
        timed((&mut &*self.socket).write(bytes))
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

/// A blocking socket reports a timeout as "would block", which TLS would take for "try again".
fn timed(result: io::Result<usize>) -> io::Result<usize> {
    result.map_err(|error| match error.kind() {
        io::ErrorKind::WouldBlock => io::ErrorKind::TimedOut.into(),
        _ => error,
    })
}

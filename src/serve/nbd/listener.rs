//! Owns the places where clients knock: binding them safely and cleaning up after them.
//!
//! A unix socket is as careful as `host/private_socket.rs` says. TCP stays on the loopback interface
//! unless TLS is required or the configuration says otherwise.

use std::fmt;
use std::io;
use std::net::{SocketAddr, TcpListener};
use std::os::fd::{AsFd, BorrowedFd};
use std::os::unix::ffi::OsStrExt;
use std::path::{Path, PathBuf};

use super::NbdError;
use super::socket::Socket;
use crate::host::private_socket::{PrivateSocket, SocketError};

/// How a server can be reached; prints as an NBD URI ("The NBD Uniform Resource Indicator (URI)
/// format", of the protocol's project).
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Address {
    /// Where it listens.
    pub place: Place,
    /// Whether only clients that encrypt are served.
    pub tls_required: bool,
}

/// Where a server listens.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Place {
    /// A unix socket.
    Unix(PathBuf),
    /// A TCP port.
    Tcp(SocketAddr),
}

impl fmt::Display for Address {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(if self.tls_required { "nbds" } else { "nbd" })?;
        match &self.place {
            Place::Unix(path) => {
                f.write_str("+unix:///?socket=")?;
                let bytes = path.as_os_str().as_bytes();
                bytes.iter().try_for_each(|&byte| write_escaped(f, byte))
            }
            Place::Tcp(address) => write!(f, "://{address}/"),
        }
    }
}

/// A byte of a path as the query of a URI carries it (RFC 3986, section 2).
fn write_escaped(f: &mut fmt::Formatter<'_>, byte: u8) -> fmt::Result {
    if byte.is_ascii_alphanumeric() || b"-._~/".contains(&byte) {
        write!(f, "{}", char::from(byte))
    } else {
        write!(f, "%{byte:02X}")
    }
}

/// A bound, non-blocking listener. A unix socket file goes away with it.
pub(super) struct Listener {
    kind: Kind,
    place: Place,
}

enum Kind {
    Tcp(TcpListener),
    Unix(PrivateSocket),
}

/// Insists on an address that only this machine can reach, unless others are allowed.
pub(super) fn check_reach(address: SocketAddr, allow_remote: bool) -> Result<(), NbdError> {
    if address.ip().is_loopback() || allow_remote {
        Ok(())
    } else {
        Err(NbdError::NotLoopback { address })
    }
}

impl Listener {
    /// Binds a TCP port; port 0 picks a free one.
    pub(super) fn tcp(address: SocketAddr, allow_remote: bool) -> Result<Listener, NbdError> {
        check_reach(address, allow_remote)?;
        let failed = |source| NbdError::Tcp { address, source };
        let listener = TcpListener::bind(address).map_err(failed)?;
        listener.set_nonblocking(true).map_err(failed)?;
        let place = Place::Tcp(listener.local_addr().map_err(failed)?);
        Ok(Listener {
            kind: Kind::Tcp(listener),
            place,
        })
    }

    /// Binds a unix socket that only its owner can use.
    pub(super) fn unix(path: &Path) -> Result<Listener, NbdError> {
        let socket = PrivateSocket::bind(path).map_err(|error| match error {
            SocketError::Live { path } => NbdError::Live { path },
            SocketError::NotASocket { path } => NbdError::NotASocket { path },
            SocketError::System { path, source } => NbdError::Unix { path, source },
        })?;
        Ok(Listener {
            kind: Kind::Unix(socket),
            place: Place::Unix(path.to_owned()),
        })
    }

    /// Where it listens.
    pub(super) fn place(&self) -> &Place {
        &self.place
    }

    /// Takes the next connection; "would block" when there is none.
    pub(super) fn accept(&self) -> io::Result<Socket> {
        match &self.kind {
            Kind::Tcp(listener) => Socket::tcp(listener.accept()?.0),
            Kind::Unix(socket) => Socket::unix(socket.accept()?),
        }
    }
}

impl AsFd for Listener {
    fn as_fd(&self) -> BorrowedFd<'_> {
        match &self.kind {
            Kind::Tcp(listener) => listener.as_fd(),
            Kind::Unix(socket) => socket.as_fd(),
        }
    }
}

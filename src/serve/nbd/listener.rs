//! Owns the places where clients knock: binding them safely and cleaning up after them.
//!
//! A unix socket is created with mode 0600, never with more for a moment. A socket file that a
//! dead server left behind is replaced; one that answers, or a file of another kind, is not. Only
//! the socket file this server made is removed at the end. TCP stays on the loopback interface
//! unless the configuration says otherwise.

use std::fmt;
use std::io;
use std::net::{SocketAddr, TcpListener};
use std::os::fd::{AsFd, AsRawFd, BorrowedFd, OwnedFd};
use std::os::unix::ffi::OsStrExt;
use std::os::unix::fs::{FileTypeExt, MetadataExt};
use std::os::unix::net::UnixListener;
use std::path::{Path, PathBuf};

use nix::errno::Errno;
use nix::sys::socket::{
    AddressFamily, Backlog, SockFlag, SockType, UnixAddr, bind, connect, listen, socket,
};
use nix::sys::stat::{Mode, fchmod};

use super::NbdError;
use super::socket::Socket;

/// Where a server can be reached; prints as an NBD URI.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Address {
    /// A unix socket.
    Unix(PathBuf),
    /// A TCP port.
    Tcp(SocketAddr),
}

impl fmt::Display for Address {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Address::Unix(path) => {
                f.write_str("nbd+unix:///?socket=")?;
                let bytes = path.as_os_str().as_bytes();
                bytes.iter().try_for_each(|&byte| write_escaped(f, byte))
            }
            Address::Tcp(address) => write!(f, "nbd://{address}/"),
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
    address: Address,
}

enum Kind {
    Tcp(TcpListener),
    Unix {
        listener: UnixListener,
        file: FileId,
    },
}

/// Tells a socket file from another that has taken its name.
#[derive(PartialEq, Eq)]
struct FileId {
    device: u64,
    inode: u64,
}

impl Listener {
    /// Binds a TCP port; port 0 picks a free one.
    pub(super) fn tcp(address: SocketAddr, allow_remote: bool) -> Result<Listener, NbdError> {
        if !address.ip().is_loopback() && !allow_remote {
            return Err(NbdError::NotLoopback { address });
        }
        let failed = |source| NbdError::Tcp { address, source };
        let listener = TcpListener::bind(address).map_err(failed)?;
        listener.set_nonblocking(true).map_err(failed)?;
        let address = Address::Tcp(listener.local_addr().map_err(failed)?);
        Ok(Listener {
            kind: Kind::Tcp(listener),
            address,
        })
    }

    /// Binds a unix socket that only its owner can use.
    pub(super) fn unix(path: &Path) -> Result<Listener, NbdError> {
        let failed = |source| NbdError::Unix {
            path: path.to_owned(),
            source,
        };
        make_way(path)?;
        let fd = socket(
            AddressFamily::Unix,
            SockType::Stream,
            SockFlag::SOCK_CLOEXEC | SockFlag::SOCK_NONBLOCK,
            None,
        )
        .map_err(|errno| failed(errno.into()))?;
        // Linux creates the file with the mode of the socket, so it is never open to others.
        fchmod(&fd, Mode::S_IRUSR | Mode::S_IWUSR).map_err(|errno| failed(errno.into()))?;
        bind_and_listen(&fd, path).map_err(failed)?;
        let file = file_id(path).map_err(failed)?;
        Ok(Listener {
            kind: Kind::Unix {
                listener: UnixListener::from(fd),
                file,
            },
            address: Address::Unix(path.to_owned()),
        })
    }

    /// Where it listens.
    pub(super) fn address(&self) -> &Address {
        &self.address
    }

    /// Takes the next connection; "would block" when there is none.
    pub(super) fn accept(&self) -> io::Result<Socket> {
        match &self.kind {
            Kind::Tcp(listener) => Socket::tcp(listener.accept()?.0),
            Kind::Unix { listener, .. } => Socket::unix(listener.accept()?.0),
        }
    }
}

impl AsFd for Listener {
    fn as_fd(&self) -> BorrowedFd<'_> {
        match &self.kind {
            Kind::Tcp(listener) => listener.as_fd(),
            Kind::Unix { listener, .. } => listener.as_fd(),
        }
    }
}

impl Drop for Listener {
    fn drop(&mut self) {
        let (Kind::Unix { file, .. }, Address::Unix(path)) = (&self.kind, &self.address) else {
            return;
        };
        if file_id(path).is_ok_and(|now| now == *file)
            && let Err(error) = std::fs::remove_file(path)
        {
            log::warn!("cannot remove the socket {}: {error}", path.display());
        }
    }
}

fn bind_and_listen(fd: &OwnedFd, path: &Path) -> io::Result<()> {
    bind(fd.as_raw_fd(), &UnixAddr::new(path)?)?;
    listen(fd, Backlog::MAXCONN)?;
    Ok(())
}

/// Removes a socket file that nobody listens on.
fn make_way(path: &Path) -> Result<(), NbdError> {
    let failed = |source| NbdError::Unix {
        path: path.to_owned(),
        source,
    };
    let before = match std::fs::symlink_metadata(path) {
        Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(()),
        Err(error) => return Err(failed(error)),
        Ok(metadata) => metadata,
    };
    if !before.file_type().is_socket() {
        return Err(NbdError::NotASocket {
            path: path.to_owned(),
        });
    }
    if is_live(path).map_err(failed)? {
        return Err(NbdError::Live {
            path: path.to_owned(),
        });
    }
    // Another server may have replaced the stale file meanwhile: then it is not ours to remove.
    let before = FileId {
        device: before.dev(),
        inode: before.ino(),
    };
    match file_id(path) {
        Ok(now) if now == before => std::fs::remove_file(path).map_err(failed),
        Ok(_) => Err(NbdError::Live {
            path: path.to_owned(),
        }),
        Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(()),
        Err(error) => Err(failed(error)),
    }
}

/// Whether somebody listens there. Does not wait for an answer.
fn is_live(path: &Path) -> io::Result<bool> {
    let fd = socket(
        AddressFamily::Unix,
        SockType::Stream,
        SockFlag::SOCK_CLOEXEC | SockFlag::SOCK_NONBLOCK,
        None,
    )?;
    match connect(fd.as_raw_fd(), &UnixAddr::new(path)?) {
        Err(Errno::ECONNREFUSED | Errno::ENOENT) => Ok(false),
        // A full queue of waiting clients is a sign of life too.
        Ok(()) | Err(Errno::EAGAIN | Errno::EINPROGRESS) => Ok(true),
        Err(other) => Err(other.into()),
    }
}

fn file_id(path: &Path) -> io::Result<FileId> {
    let metadata = std::fs::symlink_metadata(path)?;
    Ok(FileId {
        device: metadata.dev(),
        inode: metadata.ino(),
    })
}

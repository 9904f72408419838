//! Owns unix sockets that only their owner can use: binding them safely and cleaning up after them.
//!
//! A socket is created with mode 0600, never with more for a moment. A socket file that a dead server
//! left behind is replaced; one that answers, or a file of another kind, is not. Only the socket file
//! made here is removed at the end. A path of any length will do, though the system's limit is 107
//! bytes: the folder is opened first. Nothing here knows what is spoken.

use std::fs::File;
use std::io;
use std::os::fd::{AsFd, AsRawFd, BorrowedFd, OwnedFd};
use std::os::unix::ffi::OsStrExt;
use std::os::unix::fs::{FileTypeExt, MetadataExt};
use std::os::unix::net::{UnixListener, UnixStream};
use std::path::{Path, PathBuf};

use nix::errno::Errno;
use nix::sys::socket::{
    AddressFamily, Backlog, SockFlag, SockType, UnixAddr, bind, connect, listen, socket,
};
use nix::sys::stat::{Mode, fchmod};

/// Bytes of a path that an address holds.
const ADDRESS_BYTES_MAX: usize = 107;

/// Why a socket cannot be bound.
#[derive(Debug, thiserror::Error)]
pub enum SocketError {
    /// Another server answers there.
    #[error("a server is already listening on {}; stop it or choose another path", path.display())]
    Live {
        /// The socket's path.
        path: PathBuf,
    },
    /// Something else has that name.
    #[error("{} exists and is not a socket; it is left alone, choose another path", path.display())]
    NotASocket {
        /// The path.
        path: PathBuf,
    },
    /// The system.
    #[error("cannot listen on the unix socket {}", path.display())]
    System {
        /// Its path.
        path: PathBuf,
        /// Why not.
        source: io::Error,
    },
}

/// A bound, non-blocking socket. Its file goes away with it.
#[derive(Debug)]
pub struct PrivateSocket {
    listener: UnixListener,
    path: PathBuf,
    file: FileId,
}

/// Tells a socket file from another that has taken its name.
#[derive(Debug, PartialEq, Eq)]
struct FileId {
    device: u64,
    inode: u64,
}

impl PrivateSocket {
    /// Binds a socket at `path`.
    pub fn bind(path: &Path) -> Result<PrivateSocket, SocketError> {
        let failed = |source| SocketError::System {
            path: path.to_owned(),
            source,
        };
        make_way(path)?;
        let fd = new_socket(SockFlag::SOCK_NONBLOCK).map_err(failed)?;
        // Linux creates the file with the mode of the socket, so it is never open to others.
        fchmod(&fd, Mode::S_IRUSR | Mode::S_IWUSR).map_err(|errno| failed(errno.into()))?;
        let short = Short::of(path).map_err(failed)?;
        bind(fd.as_raw_fd(), &short.address().map_err(failed)?)
            .and_then(|()| listen(&fd, Backlog::MAXCONN))
            .map_err(|errno| failed(errno.into()))?;
        let file = file_id(path).map_err(failed)?;
        Ok(PrivateSocket {
            listener: UnixListener::from(fd),
            path: path.to_owned(),
            file,
        })
    }

    /// Takes the next connection; "would block" when there is none.
    pub fn accept(&self) -> io::Result<UnixStream> {
        Ok(self.listener.accept()?.0)
    }
}

impl AsFd for PrivateSocket {
    fn as_fd(&self) -> BorrowedFd<'_> {
        self.listener.as_fd()
    }
}

impl Drop for PrivateSocket {
    fn drop(&mut self) {
        if file_id(&self.path).is_ok_and(|now| now == self.file)
            && let Err(error) = std::fs::remove_file(&self.path)
        {
            let path = self.path.display();
            log::warn!("cannot remove the socket {path}: {error}");
        }
    }
}

/// Connects to the socket at `path`.
pub fn connect_to(path: &Path) -> io::Result<UnixStream> {
    let fd = new_socket(SockFlag::empty())?;
    let short = Short::of(path)?;
    connect(fd.as_raw_fd(), &short.address()?)?;
    Ok(UnixStream::from(fd))
}

/// A path that fits into an address, for as long as this is there.
struct Short {
    path: PathBuf,
    _folder: Option<File>,
}

impl Short {
    fn of(path: &Path) -> io::Result<Short> {
        if path.as_os_str().as_bytes().len() <= ADDRESS_BYTES_MAX {
            return Ok(Short {
                path: path.to_owned(),
                _folder: None,
            });
        }
        let parent = path.parent().filter(|parent| *parent != Path::new(""));
        let folder = File::open(parent.unwrap_or(Path::new(".")))?;
        let name = path.file_name().unwrap_or_default();
        let open = format!("/proc/self/fd/{}", folder.as_raw_fd());
        Ok(Short {
            path: Path::new(&open).join(name),
            _folder: Some(folder),
        })
    }

    fn address(&self) -> io::Result<UnixAddr> {
        Ok(UnixAddr::new(&self.path)?)
    }
}

fn new_socket(flags: SockFlag) -> io::Result<OwnedFd> {
    let flags = SockFlag::SOCK_CLOEXEC | flags;
    Ok(socket(AddressFamily::Unix, SockType::Stream, flags, None)?)
}

/// Removes a socket file that nobody listens on.
fn make_way(path: &Path) -> Result<(), SocketError> {
    let failed = |source| SocketError::System {
        path: path.to_owned(),
        source,
    };
    let live = || SocketError::Live {
        path: path.to_owned(),
    };
    let before = match std::fs::symlink_metadata(path) {
        Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(()),
        Err(error) => return Err(failed(error)),
        Ok(metadata) => metadata,
    };
    if !before.file_type().is_socket() {
        return Err(SocketError::NotASocket {
            path: path.to_owned(),
        });
    }
    if is_live(path).map_err(failed)? {
        return Err(live());
    }
    // Another server may have replaced the stale file meanwhile: then it is not ours to remove.
    let before = FileId {
        device: before.dev(),
        inode: before.ino(),
    };
    match file_id(path) {
        Ok(now) if now == before => std::fs::remove_file(path).map_err(failed),
        Ok(_) => Err(live()),
        Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(()),
        Err(error) => Err(failed(error)),
    }
}

/// Whether somebody listens there. Does not wait for an answer.
fn is_live(path: &Path) -> io::Result<bool> {
    let fd = new_socket(SockFlag::SOCK_NONBLOCK)?;
    match connect(fd.as_raw_fd(), &Short::of(path)?.address()?) {
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

#[cfg(test)]
mod tests {
    use super::*;
    use std::io::{Read, Write};

    #[test]
    fn a_path_longer_than_an_address_can_be_bound_and_reached() {
        let folder = tempfile::tempdir().unwrap();
        let deep = folder.path().join("a".repeat(90)).join("b".repeat(90));
        std::fs::create_dir_all(&deep).unwrap();
        let path = deep.join("disk.img.control");
        let socket = PrivateSocket::bind(&path).unwrap();
        assert_eq!(std::fs::metadata(&path).unwrap().mode() & 0o777, 0o600);
        let mut one = connect_to(&path).unwrap();
        let mut other = socket.accept().unwrap();
        one.write_all(b"x").unwrap();
        let mut byte = [0];
        other.read_exact(&mut byte).unwrap();
        assert_eq!(&byte, b"x");
        let again = PrivateSocket::bind(&path).unwrap_err();
        assert!(matches!(again, SocketError::Live { .. }), "{again}");
        drop(socket);
        assert!(!path.exists());
    }

    #[test]
    fn what_is_no_socket_is_left_alone() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("notes");
        std::fs::write(&path, "mine").unwrap();
        let error = PrivateSocket::bind(&path).unwrap_err();
        assert!(matches!(error, SocketError::NotASocket { .. }), "{error}");
        assert_eq!(std::fs::read(&path).unwrap(), b"mine");
    }
}

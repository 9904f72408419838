//! Owns a mounted drive from mount to unmount.
//!
//! | state | left by | what a killed daemon leaves |
//! | --- | --- | --- |
//! | mounted | [`FuseServer::unmount`], [`FuseServer::unmount_lazily`], someone's `umount` | a dead mount, which the next start takes away |
//! | ended | nothing | nothing |

use std::io;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread::JoinHandle;
use std::time::Duration;

use crossbeam_channel::{Receiver, bounded};
use fuser::{Config, Session, SessionACL};

use crate::host::handle::Handle;
use crate::image::mounts;
use crate::serve::fuse::attach::{DetachFault, Force, KIND, Manner, attach, detach};
use crate::serve::fuse::error::FuseError;
use crate::serve::fuse::filesystem::{DiskFilesystem, FILE_NAME};
use crate::serve::fuse::holders;
use crate::serve::fuse::mountpoint;
use crate::serve::fuse::seek::Searcher;

/// How long the kernel gets to end a session after its mount is gone. It needs this only where
/// another mount namespace still shows the mount.
const END_WAIT: Duration = Duration::from_secs(5);

/// How a drive is to be mounted.
#[derive(Clone, Debug)]
pub struct FuseConfig {
    /// An existing, empty directory. The drive appears in it as the file `disk`.
    pub dir: PathBuf,
    /// Whether root may use the file of a daemon that is not root, which `losetup` needs. Takes
    /// the line `user_allow_other` in `/etc/fuse.conf`. Means nothing for a daemon of root.
    pub allow_root: bool,
}

/// Why a session ended.
#[derive(Debug)]
pub enum FuseEnd {
    /// The filesystem was unmounted, by us or by someone else.
    Unmounted,
    /// The connection to the kernel broke, or the session thread panicked: the daemon must end.
    Broken(io::Error),
}

/// A mounted drive. Dropping it unmounts lazily, with a line in the log; call
/// [`FuseServer::unmount`] to do it cleanly.
pub struct FuseServer {
    dir: PathBuf,
    /// The kernel's number of our mount, so that nobody else's is ever unmounted. The kernel gives
    /// it to the next one as soon as ours is over.
    device: Option<(u64, u64)>,
    /// Whether the session ended because its mount went away. One that broke leaves its mount.
    over: Arc<AtomicBool>,
    ended: Receiver<FuseEnd>,
    threads: Vec<JoinHandle<()>>,
}

impl FuseServer {
    /// Finds out whether a drive can be mounted on `dir`; takes a mount of ours away from it whose server
    /// was killed, if there is one.
    ///
    /// # Errors
    /// Where somebody serves it, something else is there, it is no directory, or it cannot be unmounted.
    pub fn clear(dir: &Path) -> Result<(), FuseError> {
        mountpoint::prepare(dir).map(drop)
    }

    /// Mounts the drive behind `handle` and serves it from threads of its own until it is
    /// unmounted.
    pub fn mount(handle: Handle, config: &FuseConfig) -> Result<FuseServer, FuseError> {
        let dir = mountpoint::prepare(&config.dir)?;
        let session_fault = |source| FuseError::Session {
            dir: dir.clone(),
            source,
        };
        let stamp = std::fs::metadata(&dir)
            .and_then(|found| found.modified())
            .map_err(session_fault)?;
        let manner = Manner {
            allow_root: config.allow_root,
            read_only: handle.info().read_only,
        };
        let (searcher, search_thread) = Searcher::start(handle.clone()).map_err(session_fault)?;
        let filesystem = DiskFilesystem::new(handle, searcher, stamp);
        let connection = attach(&dir, manner)?;
        let (announce, ended) = bounded(1);
        // From here on dropping the server takes the mount away.
        let mut server = FuseServer {
            device: mounted_device(&dir),
            dir: dir.clone(),
            over: Arc::new(AtomicBool::new(false)),
            ended,
            threads: vec![search_thread],
        };
        let mut session_config = Config::default();
        session_config.acl = if config.allow_root {
            SessionACL::RootAndOwner
        } else {
            SessionACL::Owner
        };
        let session = Session::from_fd(
            filesystem,
            connection,
            session_config.acl,
            session_config.clone(),
        )
        .map_err(session_fault)?;
        let over = Arc::clone(&server.over);
        let session_thread = std::thread::Builder::new()
            .name("imbrex-fuse".into())
            .spawn(move || {
                let end = match session.run() {
                    Ok(()) => FuseEnd::Unmounted,
                    Err(error) => FuseEnd::Broken(error),
                };
                over.store(matches!(end, FuseEnd::Unmounted), Ordering::Release);
                // Nobody listens any more where the server was dropped.
                let _ = announce.send(end);
            })
            .map_err(session_fault)?;
        server.threads.push(session_thread);
        log::info!("serving {}", server.disk().display());
        Ok(server)
    }

    /// Path of the file that is the drive.
    pub fn disk(&self) -> PathBuf {
        self.dir.join(FILE_NAME)
    }

    /// Directory mounted, as a real path.
    pub fn dir(&self) -> &Path {
        &self.dir
    }

    /// Gives one message when the session has ended: the daemon waits for it beside its signals,
    /// and ends on [`FuseEnd::Broken`]. Whoever takes the message has it; [`FuseServer::unmount`]
    /// works the same afterwards.
    pub fn ended(&self) -> &Receiver<FuseEnd> {
        &self.ended
    }

    /// Unmounts and waits for the threads to end. Refused with [`FuseError::Busy`] and the names
    /// of its users while the file is in use; the drive is then still served and this can be
    /// called again. Does nothing where it is unmounted already.
    pub fn unmount(&mut self) -> Result<(), FuseError> {
        self.detach(Force::OnlyWhenUnused)?;
        self.wait();
        Ok(())
    }

    /// Takes the filesystem out of the tree although it is in use. Whoever has the file open keeps
    /// it, and is served as long as this process lives and then gets errors. The last resort after
    /// [`FuseError::Busy`].
    pub fn unmount_lazily(&mut self) -> Result<(), FuseError> {
        self.detach(Force::Lazily)
    }

    fn detach(&mut self, force: Force) -> Result<(), FuseError> {
        if self.device.is_none()
            || self.over.load(Ordering::Acquire)
            || mounted_device(&self.dir) != self.device
        {
            // It is unmounted already; whatever is there now belongs to someone else.
            self.device = None;
            return Ok(());
        }
        match detach(&self.dir, force) {
            Ok(()) | Err(DetachFault::NotMounted) => {
                self.device = None;
                Ok(())
            }
            Err(DetachFault::Busy) => Err(FuseError::Busy {
                dir: self.dir.clone(),
                holders: holders::find(&self.dir),
            }),
            Err(DetachFault::Other(source)) => Err(FuseError::Unmount {
                dir: self.dir.clone(),
                source,
            }),
        }
    }

    fn wait(&mut self) {
        // Disconnected means that the message was taken earlier.
        if self
            .ended
            .recv_timeout(END_WAIT)
            .is_err_and(|error| error.is_timeout())
        {
            log::warn!(
                "{} is unmounted, but another mount namespace still shows it; it ends with this \
                 process",
                self.dir.display()
            );
            return;
        }
        for thread in self.threads.drain(..) {
            if thread.join().is_err() {
                log::error!("a thread of the FUSE server panicked");
            }
        }
    }
}

impl Drop for FuseServer {
    fn drop(&mut self) {
        if self.device.is_none() || self.over.load(Ordering::Acquire) {
            return;
        }
        log::warn!("unmounting {} lazily", self.dir.display());
        if let Err(error) = self.unmount_lazily() {
            log::error!("{error}");
        }
    }
}

/// Number of the mount of ours that is visible at `dir`.
fn mounted_device(dir: &Path) -> Option<(u64, u64)> {
    let mounted = mounts::current().ok()?;
    mounts::visible_at(&mounted, dir)
        .filter(|mount| mount.kind == KIND)
        .map(|mount| mount.device)
}

#[cfg(test)]
mod tests;

//! Owns one client's session: what it sends goes to the production server over a socket pair, and
//! the server works on the calling thread; what comes back is read and dropped by another.

use std::io::{self, Write};
use std::net::Shutdown;
use std::os::unix::net::UnixStream;
use std::sync::mpsc::{SyncSender, sync_channel};
use std::sync::{Arc, LazyLock, Mutex};

use imbrex::serve::nbd::{NbdConfig, NbdServer};
use nix::sys::signal::{SigSet, Signal};
use tempfile::TempDir;

use crate::inline_drive::InlineDrive;

/// Sessions whose answers are still being read.
const SESSIONS_BEHIND_MAX: usize = 64;

struct Stand {
    server: NbdServer,
    drive: Arc<InlineDrive>,
    drain: Mutex<SyncSender<UnixStream>>,
    _folder: TempDir,
}

static STAND: LazyLock<Stand> = LazyLock::new(|| {
    // The program that holds the targets does not ignore it, as programs in Rust do.
    let broken_pipe = SigSet::from_iter([Signal::SIGPIPE]);
    broken_pipe.thread_block().expect("a signal of this system");
    let (handle, drive) = InlineDrive::new();
    let folder = tempfile::tempdir().expect("a folder");
    let config = NbdConfig {
        unix: vec![folder.path().join("socket")],
        ..NbdConfig::default()
    };
    let (drain, ends) = sync_channel::<UnixStream>(SESSIONS_BEHIND_MAX);
    std::thread::spawn(move || {
        for mut end in ends {
            // The server may close at any moment.
            let _ = io::copy(&mut end, &mut io::sink());
        }
    });
    Stand {
        server: NbdServer::start(handle, config).expect("a server"),
        drive,
        drain: Mutex::new(drain),
        _folder: folder,
    }
});

/// A client that sends these bytes, so few that a socket takes them all at once, and hangs up.
/// Returns when the server is done with it.
pub fn hold(bytes: &[u8]) {
    let (mut client, server) = UnixStream::pair().expect("a pair of sockets");
    client.write_all(bytes).expect("there is room");
    client.shutdown(Shutdown::Write).expect("it is connected");
    let drain = STAND.drain.lock().expect("nobody panicked");
    drain.send(client).expect("the thread lives");
    STAND.drive.forget();
    let served = STAND.server.serve_connected(server);
    served.expect("there is a place");
}

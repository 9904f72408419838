//! Owns the life of a connection and the register of all of them.
//!
//! States: negotiating (one thread, may be sent away when others need the place), serving (a
//! reading and a writing thread), finishing (replies still owed are written), gone. Whatever one
//! client does ends at most its own connection.

use std::collections::BTreeMap;
use std::io;
use std::net::Shutdown;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Condvar, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

use super::direct::Direct;
use super::handshake::{self, Broken, Encryption, Session, Terms};
use super::limits::{Account, Budget, Limits};
use super::progress::Stall;
use super::reply::write_replies;
use super::reply_queue::{Lane, ReplyQueue};
use super::socket::Socket;
use super::stream::{Inbox, Outlet, Talk};
use super::transmission::Reader;
use crate::host::handle::Handle;
use crate::units::{count, index};

/// Stack of a connection's threads: neither recurses nor keeps large values.
pub(super) const STACK_BYTES: usize = 512 << 10;

/// What all connections of a server have in common.
pub(super) struct Shared {
    pub(super) handle: Handle,
    pub(super) tls: Encryption,
    pub(super) patience: Duration,
    pub(super) limits: Limits,
    pub(super) budget: Arc<Budget>,
    pub(super) register: Arc<Register>,
}

/// A connection as others see it.
pub(super) struct Peer {
    number: u64,
    socket: Arc<Socket>,
    account: Arc<Account>,
    reading: Stall,
    writing: Stall,
    negotiated: AtomicBool,
    replies: Arc<ReplyQueue>,
}

impl Peer {
    /// Ends the connection whatever its threads wait for, except the drive.
    pub(super) fn close(&self) {
        self.socket.shut(Shutdown::Both);
        self.account.close();
        self.replies.close();
    }

    /// Takes no more requests; replies still leave.
    fn finish(&self) {
        self.socket.shut(Shutdown::Read);
    }

    fn is_stuck(&self, limit: Duration) -> bool {
        self.reading.lasts(limit) || self.writing.lasts(limit)
    }
}

/// All live connections.
pub(super) struct Register {
    peers: Mutex<Peers>,
    changed: Condvar,
}

#[derive(Default)]
struct Peers {
    next: u64,
    live: BTreeMap<u64, Arc<Peer>>,
}

impl Register {
    pub(super) fn new() -> Arc<Register> {
        Arc::new(Register {
            peers: Mutex::default(),
            changed: Condvar::new(),
        })
    }

    /// Enters a connection. Where all places are taken the one that has been negotiating for the
    /// longest loses its own; if none is, the new one is refused.
    pub(super) fn enter(
        &self,
        socket: Socket,
        account: Arc<Account>,
        limits: &Limits,
    ) -> Option<Arc<Peer>> {
        let mut peers = self.lock();
        if peers.live.len() >= index(u64::from(limits.connections)) {
            let slowest = peers
                .live
                .values()
                .find(|peer| !peer.negotiated.load(Ordering::Relaxed))
                .map(|peer| peer.number)?;
            if let Some(peer) = peers.live.remove(&slowest) {
                log::info!("NBD client {slowest} lost its place: it was still negotiating");
                peer.close();
            }
        }
        let number = peers.next;
        peers.next += 1;
        let peer = Arc::new(Peer {
            number,
            socket: Arc::new(socket),
            account,
            reading: Stall::new(),
            writing: Stall::new(),
            negotiated: AtomicBool::new(false),
            replies: ReplyQueue::new(),
        });
        peers.live.insert(number, Arc::clone(&peer));
        Some(peer)
    }

    /// Closes the connections that hold shared memory and whose clients have been stuck for
    /// `limit`.
    pub(super) fn close_stuck(&self, limit: Duration) {
        let peers: Vec<Arc<Peer>> = self.lock().live.values().cloned().collect();
        for peer in peers {
            if peer.account.holds_shared() && peer.is_stuck(limit) {
                log::warn!(
                    "NBD client {} is closed: it neither sends nor reads, and others need the \
                     memory it holds",
                    peer.number
                );
                peer.close();
            }
        }
    }

    /// Closes all connections at once, whatever is under way; tells how many there were.
    pub(super) fn close_all(&self) -> u64 {
        let peers: Vec<Arc<Peer>> = self.lock().live.values().cloned().collect();
        for peer in &peers {
            peer.close();
        }
        count(peers.len())
    }

    /// Lets every connection finish, for `grace`, and closes those that have not.
    pub(super) fn wind_up(&self, grace: Duration) {
        self.lock().live.values().for_each(|peer| peer.finish());
        if self.wait_until_empty(grace) {
            return;
        }
        self.lock().live.values().for_each(|peer| peer.close());
        if !self.wait_until_empty(grace) {
            log::warn!("some NBD connections still wait for the drive; leaving them behind");
        }
    }

    fn wait_until_empty(&self, limit: Duration) -> bool {
        let until = Instant::now() + limit;
        let mut peers = self.lock();
        while !peers.live.is_empty() {
            let left = until.saturating_duration_since(Instant::now());
            if left.is_zero() {
                return false;
            }
            let (guard, _) = self
                .changed
                .wait_timeout(peers, left)
                .unwrap_or_else(PoisonError::into_inner);
            peers = guard;
        }
        true
    }

    /// How many there are.
    pub(super) fn count(&self) -> u64 {
        count(self.lock().live.len())
    }

    /// Takes out a connection whose thread never came to be.
    pub(super) fn dismiss(&self, peer: &Peer) {
        peer.close();
        self.leave(peer.number);
    }

    fn leave(&self, number: u64) {
        self.lock().live.remove(&number);
        self.changed.notify_all();
    }

    /// A panic elsewhere leaves the map whole.
    fn lock(&self) -> MutexGuard<'_, Peers> {
        self.peers.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// Leaves the register when a connection's thread ends, however it ends.
struct Leaving<'a>(&'a Register, &'a Peer);

impl Drop for Leaving<'_> {
    fn drop(&mut self) {
        self.0.dismiss(self.1);
    }
}

/// A connection's life, on its own thread.
pub(super) fn run(shared: &Shared, peer: &Arc<Peer>) {
    let _leaving = Leaving(&shared.register, peer);
    match live(shared, peer) {
        Ok(()) => log::debug!("NBD client {} is done", peer.number),
        Err(error) => log::info!("NBD client {} is closed: {error}", peer.number),
    }
}

fn live(shared: &Shared, peer: &Arc<Peer>) -> Result<(), Broken> {
    let mut talk = Talk::new(Arc::clone(&peer.socket), shared.patience);
    let terms = Terms {
        drive: shared.handle.info(),
        tls: &shared.tls,
    };
    let Some(session) = handshake::negotiate(&mut talk, &terms)? else {
        return Ok(());
    };
    peer.negotiated.store(true, Ordering::Relaxed);
    let (inbox, outlet) = talk.split()?;
    serve(shared, peer, session, inbox, outlet)
}

fn serve(
    shared: &Shared,
    peer: &Arc<Peer>,
    session: Session,
    inbox: Inbox,
    mut outlet: Outlet,
) -> Result<(), Broken> {
    let direct = outlet.plain().map(|socket| Direct {
        socket,
        session,
        shelf: shared.handle.shelf().clone(),
    });
    let lane = Lane::new(Arc::clone(&peer.replies), direct);
    let mut write = |peer: &Peer| -> io::Result<()> {
        let written = write_replies(
            &peer.replies,
            &mut outlet,
            session,
            &peer.writing,
            shared.handle.shelf(),
        )
        .and_then(|()| outlet.close());
        if written.is_err() {
            // Wakes the reader, wherever it waits.
            peer.close();
        }
        written
    };
    std::thread::scope(|scope| {
        let writer = std::thread::Builder::new()
            .name(format!("nbd-reply-{}", peer.number))
            .stack_size(STACK_BYTES)
            .spawn_scoped(scope, || write(peer))?;
        let reader = Reader {
            inbox,
            lane,
            account: &peer.account,
            stall: &peer.reading,
            handle: &shared.handle,
            session,
        };
        let read = reader.run();
        if matches!(read, Err(Broken::Rule(_))) {
            peer.close();
        }
        let written = writer
            .join()
            .unwrap_or_else(|panic| std::panic::resume_unwind(panic));
        read?;
        Ok(written?)
    })
}

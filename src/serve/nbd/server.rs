//! Owns a running server: its listeners, the thread that accepts, and its end.
//!
//! One thread accepts on all listeners and starts a thread per connection. It never waits for a
//! client. Stopping closes the listeners first, then lets connections finish.

use std::io::{self, Write};
use std::net::SocketAddr;
use std::os::fd::AsFd;
use std::os::unix::net::UnixStream;
use std::path::PathBuf;
use std::sync::Arc;
use std::thread::JoinHandle;
use std::time::Duration;

use nix::poll::{PollFd, PollFlags, PollTimeout, poll};

use super::connection::{self, Register, STACK_BYTES, Shared};
use super::handshake::Encryption;
use super::limits::{Budget, Limits};
use super::listener::{Address, Listener, check_reach};
use super::socket::Socket;
use super::tls::{self, Tls, TlsError};
use super::wire::PAYLOAD_BYTES_MAX;
use crate::host::handle::Handle;

/// Where and how to serve.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct NbdConfig {
    /// Unix sockets to create.
    pub unix: Vec<PathBuf>,
    /// TCP addresses to bind; port 0 picks a free one.
    pub tcp: Vec<SocketAddr>,
    /// Whether TCP addresses other than loopback are allowed where TLS is not required.
    pub allow_remote: bool,
    /// Encryption, on all of these.
    pub tls: Tls,
    /// How long a client may take for one step of the negotiation.
    pub handshake_patience: Duration,
    /// How long `stop` waits for requests in flight.
    pub stop_grace: Duration,
    /// How much clients may have in flight.
    pub limits: Limits,
}

impl Default for NbdConfig {
    fn default() -> NbdConfig {
        NbdConfig {
            unix: Vec::new(),
            tcp: Vec::new(),
            allow_remote: false,
            tls: Tls::Off,
            handshake_patience: Duration::from_secs(10),
            stop_grace: Duration::from_secs(2),
            limits: Limits::default(),
        }
    }
}

impl NbdConfig {
    /// Finds out what can be wrong before anything is bound: an address that others can reach, what is to
    /// be read for TLS.
    ///
    /// # Errors
    /// [`NbdError::NotLoopback`], [`NbdError::Tls`], [`NbdError::Limit`].
    pub fn check(&self) -> Result<(), NbdError> {
        check_limits(&self.limits)?;
        let required = matches!(encryption(&self.tls)?, Encryption::Require(_));
        let check = |address: &SocketAddr| check_reach(*address, self.allow_remote || required);
        self.tcp.iter().try_for_each(check)
    }
}

fn encryption(tls: &Tls) -> Result<Encryption, TlsError> {
    Ok(match tls {
        Tls::Off => Encryption::Off,
        Tls::On(files) => Encryption::On(tls::load(files)?),
        Tls::Require(files) => Encryption::Require(tls::load(files)?),
    })
}

/// Why a server cannot start.
#[derive(Debug, thiserror::Error)]
pub enum NbdError {
    /// Nothing to listen on.
    #[error("no address to serve NBD on; give a unix socket or a TCP address")]
    NoAddress,
    /// An address others can reach, without the word that allows it.
    #[error(
        "{address} is not a loopback address: anyone who can reach it could read and write the \
         drive; require TLS, or allow remote clients explicitly if that is meant"
    )]
    NotLoopback {
        /// The address.
        address: SocketAddr,
    },
    /// The TCP address cannot be bound.
    #[error("cannot listen on {address}")]
    Tcp {
        /// The address.
        address: SocketAddr,
        /// Why not.
        source: io::Error,
    },
    /// The unix socket cannot be created.
    #[error("cannot listen on the unix socket {path}")]
    Unix {
        /// Its path.
        path: PathBuf,
        /// Why not.
        source: io::Error,
    },
    /// Another server answers there.
    #[error("a server is already listening on {path}; stop it or choose another path")]
    Live {
        /// The socket's path.
        path: PathBuf,
    },
    /// Something else has that name.
    #[error("{path} exists and is not a socket; it is left alone, choose another path")]
    NotASocket {
        /// The path.
        path: PathBuf,
    },
    /// TLS cannot be offered.
    #[error(transparent)]
    Tls(#[from] TlsError),
    /// A limit that no request could keep.
    #[error("the limit {name} is {given}; it must be at least {least}")]
    Limit {
        /// Which limit.
        name: &'static str,
        /// Its value.
        given: u64,
        /// The smallest that works.
        least: u64,
    },
    /// The accepting thread cannot be started.
    #[error("cannot start the thread that accepts NBD clients")]
    Thread {
        /// Why not.
        source: io::Error,
    },
}

/// A running server. Dropping it stops it.
pub struct NbdServer {
    addresses: Vec<Address>,
    shared: Arc<Shared>,
    stop_grace: Duration,
    running: Option<Running>,
}

struct Running {
    /// Closing or writing to it ends the accepting thread.
    bell: UnixStream,
    accepting: JoinHandle<Vec<JoinHandle<()>>>,
}

impl NbdServer {
    /// Binds everything the configuration names and serves the drive there.
    #[allow(clippy::needless_pass_by_value)] // it describes this server and no other
    pub fn start(handle: Handle, config: NbdConfig) -> Result<NbdServer, NbdError> {
        let NbdConfig {
            unix,
            tcp,
            allow_remote,
            tls,
            handshake_patience: patience,
            stop_grace,
            limits,
        } = config;
        check_limits(&limits)?;
        let tls = encryption(&tls)?;
        let tls_required = matches!(tls, Encryption::Require(_));
        let allow_remote = allow_remote || tls_required;
        let mut listeners = Vec::new();
        for path in unix {
            listeners.push(Listener::unix(&path)?);
        }
        for address in tcp {
            listeners.push(Listener::tcp(address, allow_remote)?);
        }
        if listeners.is_empty() {
            return Err(NbdError::NoAddress);
        }
        let addresses = listeners
            .iter()
            .map(|listener| Address {
                place: listener.place().clone(),
                tls_required,
            })
            .collect();
        let register = Register::new();
        let relieve = Arc::clone(&register);
        let relieve = move || relieve.close_stuck(limits.stuck);
        let shared = Arc::new(Shared {
            handle,
            tls,
            patience,
            limits,
            budget: Budget::new(limits, Box::new(relieve)),
            register,
        });
        let running = start_accepting(listeners, Arc::clone(&shared))
            .map_err(|source| NbdError::Thread { source })?;
        Ok(NbdServer {
            addresses,
            shared,
            stop_grace,
            running: Some(running),
        })
    }

    /// Where clients can connect, with the ports that were picked.
    pub fn addresses(&self) -> &[Address] {
        &self.addresses
    }

    /// Connections there are at the moment.
    pub fn connections(&self) -> u64 {
        self.shared.register.count()
    }

    /// Serves a client whose connection somebody else has made, on the calling thread and until it
    /// is gone. It counts as one that came through a listener.
    ///
    /// # Errors
    /// Where the socket cannot be set up, and `ConnectionRefused` if all places are taken.
    pub fn serve_connected(&self, client: UnixStream) -> io::Result<()> {
        let account = self.shared.budget.open();
        let peer = self
            .shared
            .register
            .enter(Socket::unix(client)?, account, &self.shared.limits)
            .ok_or(io::ErrorKind::ConnectionRefused)?;
        connection::run(&self.shared, &peer);
        Ok(())
    }

    /// Hands out what closes all connections there are, while the server goes on: as a cable that is
    /// pulled, and plugged in again. Tells how many there were.
    pub fn dropper(&self) -> impl Fn() -> u64 + Send + Sync + use<> {
        let shared = Arc::clone(&self.shared);
        move || shared.register.close_all()
    }

    /// Takes no more clients, lets requests in flight finish for a moment, closes all connections
    /// and removes the unix sockets.
    pub fn stop(mut self) {
        self.end();
    }

    fn end(&mut self) {
        let Some(mut running) = self.running.take() else {
            return;
        };
        // Dropping the bell would do as well; a byte is seen as soon.
        let _ = running.bell.write_all(&[1]);
        drop(running.bell);
        let threads = running.accepting.join().unwrap_or_default();
        self.shared.register.wind_up(self.stop_grace);
        for thread in threads {
            // One that hangs in the drive is left behind; `wind_up` has said so.
            if self.shared.register.count() == 0 || thread.is_finished() {
                let _ = thread.join();
            }
        }
    }
}

impl Drop for NbdServer {
    fn drop(&mut self) {
        self.end();
    }
}

fn check_limits(limits: &Limits) -> Result<(), NbdError> {
    let payload = u64::from(PAYLOAD_BYTES_MAX);
    let rows = [
        ("connections", u64::from(limits.connections), 1),
        (
            "connection_requests",
            u64::from(limits.connection_requests),
            1,
        ),
        ("connection_bytes", limits.connection_bytes, payload),
        ("shared_bytes", limits.shared_bytes, payload),
    ];
    match rows.into_iter().find(|(_, given, least)| given < least) {
        None => Ok(()),
        Some((name, given, least)) => Err(NbdError::Limit { name, given, least }),
    }
}

fn start_accepting(listeners: Vec<Listener>, shared: Arc<Shared>) -> io::Result<Running> {
    let (bell, ear) = UnixStream::pair()?;
    let accepting = std::thread::Builder::new()
        .name("nbd-accept".to_owned())
        .stack_size(STACK_BYTES)
        .spawn(move || accept_all(&listeners, &ear, &shared))?;
    Ok(Running { bell, accepting })
}

/// Accepts until the bell rings; returns the threads of connections that may still run.
fn accept_all(
    listeners: &[Listener],
    ear: &UnixStream,
    shared: &Arc<Shared>,
) -> Vec<JoinHandle<()>> {
    let mut threads: Vec<JoinHandle<()>> = Vec::new();
    let mut pause = PollTimeout::NONE;
    loop {
        let mut waiting = vec![PollFd::new(ear.as_fd(), PollFlags::POLLIN)];
        if pause.is_none() {
            let all = listeners.iter();
            waiting.extend(all.map(|each| PollFd::new(each.as_fd(), PollFlags::POLLIN)));
        }
        if let Err(error) = poll(&mut waiting, pause)
            && error != nix::errno::Errno::EINTR
        {
            log::error!("no more NBD clients are accepted: {error}");
            return threads;
        }
        if waiting[0].any().unwrap_or(true) {
            return threads;
        }
        threads.retain(|thread| !thread.is_finished());
        pause = PollTimeout::NONE;
        for listener in listeners {
            match accept_waiting(listener, shared, &mut threads) {
                Ok(()) => {}
                Err(error) => {
                    log::warn!("cannot accept NBD clients just now: {error}");
                    // Out of descriptors or threads: polling at once would only spin.
                    pause = PollTimeout::from(100_u8);
                }
            }
        }
    }
}

fn accept_waiting(
    listener: &Listener,
    shared: &Arc<Shared>,
    threads: &mut Vec<JoinHandle<()>>,
) -> io::Result<()> {
    loop {
        let socket = match listener.accept() {
            Ok(socket) => socket,
            Err(error) => {
                return match error.kind() {
                    io::ErrorKind::WouldBlock => Ok(()),
                    // The client left before it was let in.
                    io::ErrorKind::ConnectionAborted
                    | io::ErrorKind::ConnectionReset
                    | io::ErrorKind::Interrupted => continue,
                    _ => Err(error),
                };
            }
        };
        let account = shared.budget.open();
        let Some(peer) = shared.register.enter(socket, account, &shared.limits) else {
            log::info!("an NBD client was refused: all places are taken");
            continue;
        };
        let life = Arc::clone(shared);
        let own = Arc::clone(&peer);
        let spawned = std::thread::Builder::new()
            .name("nbd-client".to_owned())
            .stack_size(STACK_BYTES)
            .spawn(move || connection::run(&life, &own));
        match spawned {
            Ok(thread) => threads.push(thread),
            Err(error) => {
                shared.register.dismiss(&peer);
                return Err(error);
            }
        }
    }
}

//! Owns the server of the control socket: who may connect, how many, and its end.
//!
//! One thread accepts, each client has a thread of its own and is answered line by line, in order. A
//! client that is slow or silent holds up nobody but itself. Stopping ends connections that wait for a
//! line; one whose command is being carried out is left to finish.

use std::io::{self, BufReader, Write};
use std::net::Shutdown;
use std::os::fd::AsFd;
use std::os::unix::net::UnixStream;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::thread::JoinHandle;

use nix::errno::Errno;
use nix::poll::{PollFd, PollFlags, PollTimeout, poll};

use super::attendant::Attendant;
use super::command::{self, CommandError, LINE_BYTES_MAX};
use super::line::{self, Line};
use super::reply::{self, ErrorKind, ReplyError};
use crate::host::private_socket::{PrivateSocket, SocketError};

/// Clients at a time; one more is told so and let go.
pub const CLIENTS_MAX: usize = 16;

/// A running server. Dropping it stops it.
pub struct ControlServer {
    path: PathBuf,
    clients: Clients,
    /// Writing to it ends the accepting thread.
    bell: UnixStream,
    accepting: Option<JoinHandle<()>>,
}

/// Streams of the clients that are there, for ending them.
type Clients = Arc<Mutex<Vec<(u64, UnixStream)>>>;

/// Why there is no control socket.
#[derive(Debug, thiserror::Error)]
pub enum ControlError {
    /// The socket.
    #[error("no control socket")]
    Socket(#[from] SocketError),
    /// The thread.
    #[error("cannot start the thread of the control socket")]
    Thread(#[source] io::Error),
}

impl ControlServer {
    /// Listens at `path`.
    pub fn start(path: &Path, attendant: Attendant) -> Result<ControlServer, ControlError> {
        let socket = PrivateSocket::bind(path)?;
        let (bell, ear) = UnixStream::pair().map_err(ControlError::Thread)?;
        let clients = Clients::default();
        let known = Arc::clone(&clients);
        let accepting = std::thread::Builder::new()
            .name("control".to_owned())
            .spawn(move || accept_all(&socket, &ear, &attendant, &known))
            .map_err(ControlError::Thread)?;
        Ok(ControlServer {
            path: path.to_owned(),
            clients,
            bell,
            accepting: Some(accepting),
        })
    }

    /// Where it listens.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Nobody can connect any more, and the socket is gone. Who is connected stays so.
    pub fn close_door(&mut self) {
        if let Some(accepting) = self.accepting.take() {
            // Fails only if the thread is gone already.
            let _ = self.bell.write_all(&[1]);
            let _ = accepting.join();
        }
    }
}

impl Drop for ControlServer {
    fn drop(&mut self) {
        self.close_door();
        for (_, stream) in lock(&self.clients).iter() {
            let _ = stream.shutdown(Shutdown::Read);
        }
    }
}

fn lock(clients: &Clients) -> MutexGuard<'_, Vec<(u64, UnixStream)>> {
    // A panic elsewhere leaves the list whole.
    clients.lock().unwrap_or_else(PoisonError::into_inner)
}

fn accept_all(socket: &PrivateSocket, ear: &UnixStream, attendant: &Attendant, clients: &Clients) {
    let mut number = 0;
    loop {
        let mut waiting = [
            PollFd::new(ear.as_fd(), PollFlags::POLLIN),
            PollFd::new(socket.as_fd(), PollFlags::POLLIN),
        ];
        if let Err(error) = poll(&mut waiting, PollTimeout::NONE)
            && error != Errno::EINTR
        {
            log::error!("no more control clients are accepted: {error}");
            return;
        }
        if waiting[0].any().unwrap_or(true) {
            return;
        }
        match socket.accept() {
            Ok(stream) => {
                number += 1;
                if let Err(error) = attend(stream, number, attendant, clients) {
                    log::warn!("a control client cannot be served: {error}");
                }
            }
            Err(error) if error.kind() == io::ErrorKind::WouldBlock => {}
            Err(error) => log::warn!("cannot accept a control client: {error}"),
        }
    }
}

fn attend(
    mut stream: UnixStream,
    number: u64,
    attendant: &Attendant,
    clients: &Clients,
) -> io::Result<()> {
    if lock(clients).len() >= CLIENTS_MAX {
        let message = format!("{CLIENTS_MAX} control clients are connected, which is the limit");
        let kind = ErrorKind::Refused;
        // One that does not take it will see the end of the connection.
        stream.set_nonblocking(true)?;
        return stream
            .write_all(reply::to_line(None, Err(ReplyError { kind, message })).as_bytes());
    }
    lock(clients).push((number, stream.try_clone()?));
    let (attendant, known) = (attendant.clone(), Arc::clone(clients));
    let leaving = Leaving(known, number);
    std::thread::Builder::new()
        .name("control-client".to_owned())
        .spawn(move || {
            let _leaving = leaving;
            if let Err(error) = converse(&stream, &attendant) {
                log::info!("a control client is gone: {error}");
            }
        })?;
    Ok(())
}

/// Strikes a client off the list, however its thread ends, or does not begin.
struct Leaving(Clients, u64);

impl Drop for Leaving {
    fn drop(&mut self) {
        lock(&self.0).retain(|(number, _)| *number != self.1);
    }
}

fn converse(stream: &UnixStream, attendant: &Attendant) -> io::Result<()> {
    let mut from = BufReader::new(stream);
    let mut to = stream;
    loop {
        let line = match line::take(&mut from, LINE_BYTES_MAX)? {
            Line::Whole(line) => line,
            Line::End => return Ok(()),
            Line::TooLong => {
                let refused = not_understood(&CommandError::TooLong);
                return to.write_all(reply::to_line(None, Err(refused)).as_bytes());
            }
        };
        if line.iter().all(u8::is_ascii_whitespace) {
            continue;
        }
        let (id, command) = command::read(&line);
        let told = match command {
            Ok(command) => attendant.carry_out(command),
            Err(error) => Err(not_understood(&error)),
        };
        to.write_all(reply::to_line(id, told).as_bytes())?;
    }
}

fn not_understood(error: &CommandError) -> ReplyError {
    ReplyError::new(ErrorKind::NotUnderstood, error)
}

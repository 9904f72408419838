//! Owns the byte stream of one connection through its life: [`Talk`] while both sides negotiate,
//! then an [`Inbox`] for the reading thread and an [`Outlet`] for the writing one.
//!
//! While negotiating nothing is read ahead, so nothing sent in the clear can slip into an
//! encrypted session. Nothing here knows what the bytes mean.

use std::io::{self, IoSlice, Read, Write};
use std::sync::Arc;
use std::time::{Duration, Instant};

use rustls::{ServerConfig, ServerConnection};

use super::progress::Stall;
use super::socket::{Deadline, Socket};
use super::tls::{self, TlsInlet, TlsOutlet};
use crate::units::{count, index};

/// Both directions, for the negotiating thread. Every message must be over by a deadline.
pub(super) struct Talk {
    socket: Arc<Socket>,
    tls: Option<ServerConnection>,
    patience: Duration,
    until: Instant,
}

impl Talk {
    pub(super) fn new(socket: Arc<Socket>, patience: Duration) -> Talk {
        Talk {
            socket,
            tls: None,
            patience,
            until: Instant::now() + patience,
        }
    }

    /// The client has got somewhere: the next message has its own time.
    pub(super) fn progress(&mut self) {
        self.until = Instant::now() + self.patience;
    }

    /// Whether the stream is encrypted.
    pub(super) fn is_encrypted(&self) -> bool {
        self.tls.is_some()
    }

    /// Encrypts from here on.
    pub(super) fn start_tls(&mut self, config: Arc<ServerConfig>) -> io::Result<()> {
        let refused = |error| io::Error::new(io::ErrorKind::InvalidData, error);
        let mut connection = ServerConnection::new(config).map_err(refused)?;
        let mut deadline = Deadline {
            socket: &self.socket,
            until: self.until,
        };
        while connection.is_handshaking() {
            connection.complete_io(&mut deadline)?;
        }
        self.tls = Some(connection);
        Ok(())
    }

    /// Says goodbye where that is possible, for a negotiation that led to nothing.
    pub(super) fn close(&mut self) {
        if let Some(connection) = &mut self.tls {
            connection.send_close_notify();
            let mut deadline = Deadline {
                socket: &self.socket,
                until: self.until,
            };
            // The client may be gone already, which is just as well.
            let _ = connection.write_tls(&mut deadline);
        }
    }

    /// Ends the negotiation: from here on nobody is hurried.
    pub(super) fn split(self) -> io::Result<(Inbox, Outlet)> {
        self.socket.set_patience(None)?;
        let (inlet, outlet) = match self.tls {
            None => (
                Inlet::Plain(Arc::clone(&self.socket)),
                Outlet::Plain(self.socket),
            ),
            Some(connection) => {
                let (inlet, outlet) = tls::split(connection, self.socket);
                (Inlet::Tls(inlet), Outlet::Tls(outlet))
            }
        };
        Ok((Inbox::new(inlet), outlet))
    }
}

impl Read for Talk {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        let mut deadline = Deadline {
            socket: &self.socket,
            until: self.until,
        };
        match &mut self.tls {
            None => deadline.read(buffer),
            Some(connection) => rustls::Stream::new(connection, &mut deadline).read(buffer),
        }
    }
}

impl Write for Talk {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        let mut deadline = Deadline {
            socket: &self.socket,
            until: self.until,
        };
        match &mut self.tls {
            None => deadline.write(bytes),
            Some(connection) => rustls::Stream::new(connection, &mut deadline).write(bytes),
        }
    }

    fn flush(&mut self) -> io::Result<()> {
        let mut deadline = Deadline {
            socket: &self.socket,
            until: self.until,
        };
        match &mut self.tls {
            None => Ok(()),
            Some(connection) => rustls::Stream::new(connection, &mut deadline).flush(),
        }
    }
}

/// Where the client's bytes come from.
pub(super) enum Inlet {
    Plain(Arc<Socket>),
    Tls(TlsInlet),
}

impl Inlet {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        loop {
            let result = match self {
                Inlet::Plain(socket) => (&**socket).read(buffer),
                Inlet::Tls(inlet) => inlet.read(buffer),
            };
            match result {
                Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
                other => return other,
            }
        }
    }
}

/// Where replies go.
pub(super) enum Outlet {
    Plain(Arc<Socket>),
    Tls(TlsOutlet),
}

impl Outlet {
    /// Writes some of the slices, at least a byte.
    pub(super) fn write_vectored(&mut self, slices: &[IoSlice<'_>]) -> io::Result<usize> {
        match self {
            Outlet::Plain(socket) => (&**socket).write_vectored(slices),
            Outlet::Tls(outlet) => outlet.write_vectored(slices),
        }
    }

    /// The socket, where bytes leave as they are.
    pub(super) fn plain(&self) -> Option<Arc<Socket>> {
        match self {
            Outlet::Plain(socket) => Some(Arc::clone(socket)),
            Outlet::Tls(_) => None,
        }
    }

    /// Says that nothing more will come.
    pub(super) fn close(&mut self) -> io::Result<()> {
        match self {
            Outlet::Plain(_) => Ok(()),
            Outlet::Tls(outlet) => outlet.close(),
        }
    }
}

/// Room for many small requests per system call.
const INBOX_BYTES: usize = 64 << 10;
/// How often a thread looks for the next request before it sleeps: a few microseconds.
const LOOKS: u32 = 16;
/// Every so often it does so although that was in vain before.
const LOOK_EVERY: u32 = 64;
/// A payload must make this much progress between two looks at the clock.
const STEP_BYTES: u64 = 256 << 10;

/// A buffered reader of headers and payloads.
pub(super) struct Inbox {
    inlet: Inlet,
    buffer: Box<[u8]>,
    filled: std::ops::Range<usize>,
    /// Looking for more instead of waiting for it paid last time.
    looking_paid: bool,
    waits: u32,
}

impl Inbox {
    fn new(inlet: Inlet) -> Inbox {
        Inbox {
            inlet,
            buffer: vec![0; INBOX_BYTES].into_boxed_slice(),
            filled: 0..0,
            looking_paid: true,
            waits: 0,
        }
    }

    /// The next `N` bytes, or `None` where the stream ends before the first of them.
    pub(super) fn header<const N: usize>(&mut self) -> io::Result<Option<[u8; N]>> {
        const { assert!(N < INBOX_BYTES) };
        while self.filled.len() < N {
            if self.filled.start > 0 {
                // Less than a header: moving it makes room for the longest possible read.
                self.buffer.copy_within(self.filled.clone(), 0);
                self.filled = 0..self.filled.len();
            }
            let read = match self.read_soon()? {
                Some(read) => read,
                None => self.inlet.read(&mut self.buffer[self.filled.end..])?,
            };
            if read == 0 {
                return if self.filled.is_empty() {
                    Ok(None)
                } else {
                    Err(io::ErrorKind::UnexpectedEof.into())
                };
            }
            self.filled.end += read;
        }
        let header = self.buffer[self.filled.clone()]
            .first_chunk::<N>()
            .copied()
            .expect("the loop above ends with N bytes there");
        self.consume(N);
        Ok(Some(header))
    }

    /// Looks a few times whether more comes at once. A client with many requests under way sends the
    /// next one sooner than this thread could fall asleep and be woken.
    fn read_soon(&mut self) -> io::Result<Option<usize>> {
        let Inlet::Plain(socket) = &self.inlet else {
            return Ok(None);
        };
        self.waits = self.waits.wrapping_add(1);
        if !self.looking_paid && !self.waits.is_multiple_of(LOOK_EVERY) {
            return Ok(None);
        }
        for _ in 0..LOOKS {
            match socket.read_now(&mut self.buffer[self.filled.end..]) {
                Err(error) if error.kind() == io::ErrorKind::WouldBlock => std::hint::spin_loop(),
                Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
                other => {
                    self.looking_paid = true;
                    return other.map(Some);
                }
            }
        }
        self.looking_paid = false;
        Ok(None)
    }

    /// Fills `data` with the next bytes.
    pub(super) fn fill(&mut self, data: &mut [u8], stall: &Stall) -> io::Result<()> {
        let ready = self.filled.len().min(data.len());
        data[..ready].copy_from_slice(&self.buffer[self.filled.start..self.filled.start + ready]);
        self.consume(ready);
        for step in data[ready..].chunks_mut(index(STEP_BYTES)) {
            stall.begin();
            let mut rest = step;
            while !rest.is_empty() {
                match self.inlet.read(rest) {
                    Ok(0) => {
                        stall.end();
                        return Err(io::ErrorKind::UnexpectedEof.into());
                    }
                    Ok(read) => rest = &mut rest[read..],
                    Err(error) => {
                        stall.end();
                        return Err(error);
                    }
                }
            }
            stall.end();
        }
        Ok(())
    }

    /// Throws the next `bytes` away.
    pub(super) fn skip(&mut self, bytes: u64) -> io::Result<()> {
        let mut left = bytes;
        loop {
            let ready = self.filled.len().min(index(left));
            self.consume(ready);
            left -= count(ready);
            if left == 0 {
                return Ok(());
            }
            let read = self.inlet.read(&mut self.buffer)?;
            if read == 0 {
                return Err(io::ErrorKind::UnexpectedEof.into());
            }
            self.filled = 0..read;
        }
    }

    fn consume(&mut self, bytes: usize) {
        self.filled.start += bytes;
        if self.filled.is_empty() {
            self.filled = 0..0;
        }
    }
}

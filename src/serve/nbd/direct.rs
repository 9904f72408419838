//! Owns how replies leave from the drive's thread: only as far as the socket takes them at once.
//!
//! Saves waking the writing thread, which gets what is left, long replies, and whatever goes wrong.
//! Never blocks. Not for encrypted connections.

use std::io;
use std::sync::Arc;

use super::handshake::Session;
use super::reply::{Frame, Unsent};
use super::reply_queue::ReplyQueue;
use super::socket::Socket;

/// Replies written at once.
const REPLIES_MAX: usize = 64;
/// Payload written at once; more than that would keep the drive's thread for too long, and most
/// sockets have no room for it.
const BYTES_MAX: usize = 64 << 10;

/// The way out of one connection.
pub(super) struct Direct {
    pub(super) socket: Arc<Socket>,
    pub(super) session: Session,
}

impl Direct {
    /// Writes what waits, or leaves it to the writing thread.
    pub(super) fn write(&self, queue: &ReplyQueue) {
        let Some(batch) = queue.try_take(REPLIES_MAX, BYTES_MAX) else {
            return;
        };
        let frames = batch.into_iter();
        let frames = frames.map(|outgoing| Frame::new(outgoing, self.session));
        let mut unsent = Unsent::new(frames.collect());
        while !unsent.is_empty() {
            match unsent.with_slices(|slices| self.socket.send_now(slices)) {
                Ok(0) => break,
                Ok(sent) => unsent.sent(sent),
                Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
                // No room, or the client is gone: the writing thread will find out.
                Err(_) => break,
            }
        }
        queue.put_back((!unsent.is_empty()).then_some(unsent));
    }
}

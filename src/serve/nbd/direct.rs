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
use crate::host::shelf::Shelf;

/// Replies written at once.
const REPLIES_MAX: usize = 64;

/// The way out of one connection.
pub(super) struct Direct {
    pub(super) socket: Arc<Socket>,
    pub(super) session: Session,
    /// Where memory of long replies goes.
    pub(super) shelf: Shelf,
}

impl Direct {
    /// Writes what waits, or leaves it to the writing thread.
    pub(super) fn write(&self, queue: &ReplyQueue, bytes_max: usize) {
        let Some(batch) = queue.try_take(REPLIES_MAX, bytes_max) else {
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
        if unsent.is_empty() {
            queue.put_back(None);
            unsent.shelve(&self.shelf);
        } else {
            queue.put_back(Some(unsent));
        }
    }
}

#[cfg(test)]
mod tests {
    use std::io::Read;
    use std::os::unix::net::UnixStream;

    use super::super::limits::{Budget, Limits};
    use super::super::progress::Stall;
    use super::super::reply::write_replies;
    use super::super::reply_queue::{Asked, Lane};
    use super::super::stream::Outlet;
    use super::super::wire::Command;
    use super::*;
    use crate::host::handle::{Answer, Carrier};
    use crate::units::{count, index};

    fn asked(cookie: u64, bytes: u64) -> Asked {
        Asked {
            command: Command::Read,
            cookie,
            offset: 0,
            bytes,
            one: false,
        }
    }

    /// Headers of simple replies, each followed by its bytes.
    fn expected(lengths: &[u64]) -> Vec<u8> {
        let mut all = Vec::new();
        for (cookie, bytes) in (0..).zip(lengths) {
            all.extend([0x67, 0x44, 0x66, 0x98, 0, 0, 0, 0]);
            all.extend(u64::to_be_bytes(cookie));
            let fill = u8::try_from(cookie).expect("few");
            all.extend(std::iter::repeat_n(fill, index(*bytes)));
        }
        all
    }

    #[test]
    fn a_client_that_reads_late_gets_every_reply_whole_and_in_order_whoever_writes_it() {
        let (near, far) = UnixStream::pair().expect("a pair of sockets");
        let socket = Arc::new(Socket::unix(near).expect("a socket"));
        let queue = ReplyQueue::new();
        let direct = Direct {
            socket: Arc::clone(&socket),
            session: Session::default(),
            shelf: Shelf::default(),
        };
        let lane = Lane::new(Arc::clone(&queue), Some(direct));
        let account = Budget::new(Limits::default(), Box::new(|| {})).open();
        // Far more than the socket takes, so that the last ones are left to the writing thread.
        let lengths: Vec<u64> = (0..100_u64).map(|n| 4096 + n % 7 * 40_000).collect();
        let writing = Arc::clone(&queue);
        let writer = std::thread::spawn(move || {
            let mut outlet = Outlet::Plain(Arc::clone(&socket));
            let (session, shelf) = (Session::default(), Shelf::default());
            let written = write_replies(&writing, &mut outlet, session, &Stall::new(), &shelf);
            socket.shut(std::net::Shutdown::Write);
            written
        });
        for (cookie, bytes) in (0..).zip(&lengths) {
            let permit = account.take(*bytes).expect("it is open");
            let fill = u8::try_from(cookie).expect("few");
            let data = vec![fill; index(*bytes)];
            Lane::ticket(&lane, asked(cookie, *bytes), permit).answer(Ok(Answer::Data(data)));
            if cookie % 3 == 0 {
                lane.carry(1 << 20);
            }
        }
        lane.carry(1 << 20);
        drop(lane);
        let mut read = Vec::new();
        (&far).read_to_end(&mut read).expect("read");
        writer.join().expect("no panic").expect("written");
        assert_eq!(count(read.len()), count(expected(&lengths).len()));
        assert!(read == expected(&lengths), "bytes differ");
        assert!(!account.holds_shared(), "everything is given back");
    }
}

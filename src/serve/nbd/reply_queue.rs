//! Owns the way of an answer from the drive's thread to a connection's writing thread.
//!
//! Every request that was taken is answered exactly once: a [`Ticket`] that is dropped unanswered
//! answers for itself. Queueing holds a lock for a few instructions and wakes the writer only if
//! it sleeps, so the drive's thread is not held up; the limits bound how much can be queued. The
//! writer takes all that waits at once. Nothing here knows how replies look.

use std::collections::VecDeque;
use std::sync::{Arc, Condvar, Mutex, MutexGuard, PoisonError};

use super::errno::Fault;
use super::limits::Permit;
use super::wire::{Command, Request, command_flag};
use crate::host::handle::{Answer, HostError};

/// What a reply needs to know of its request.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Asked {
    pub(super) command: Command,
    pub(super) cookie: u64,
    pub(super) offset: u64,
    pub(super) bytes: u64,
    /// Only the first run of each context is wanted.
    pub(super) one: bool,
}

impl From<&Request> for Asked {
    fn from(request: &Request) -> Asked {
        Asked {
            command: request.command,
            cookie: request.cookie,
            offset: request.offset,
            bytes: request.bytes,
            one: request.flags & command_flag::REQ_ONE != 0,
        }
    }
}

/// How a request ended.
pub(super) type Outcome = Result<Answer, Fault>;

/// An answer that waits to be written; holds its share of the limits until it is.
pub(super) struct Outgoing {
    pub(super) asked: Asked,
    pub(super) outcome: Outcome,
    pub(super) permit: Permit,
}

/// Answers in order of completion.
pub(super) struct ReplyQueue {
    state: Mutex<State>,
    ready: Condvar,
}

#[derive(Default)]
struct State {
    waiting: VecDeque<Outgoing>,
    /// The writer sleeps.
    asleep: bool,
    /// Nobody is left who could add to it.
    ended: bool,
    /// The writer is gone or must go.
    closed: bool,
}

impl ReplyQueue {
    pub(super) fn new() -> Arc<ReplyQueue> {
        Arc::new(ReplyQueue {
            state: Mutex::default(),
            ready: Condvar::new(),
        })
    }

    /// Moves up to `most` answers into `batch`, waiting for the first. False where no more will
    /// come.
    pub(super) fn take(&self, batch: &mut Vec<Outgoing>, most: usize) -> bool {
        let mut state = self.lock();
        loop {
            if state.closed {
                return false;
            }
            if !state.waiting.is_empty() {
                let ready = state.waiting.len().min(most);
                batch.extend(state.waiting.drain(..ready));
                return true;
            }
            if state.ended {
                return false;
            }
            state.asleep = true;
            state = self
                .ready
                .wait(state)
                .unwrap_or_else(PoisonError::into_inner);
            if !state.waiting.is_empty() {
                // The drive's thread is likely to be in the middle of several answers: letting it
                // go on makes them leave together, and costs next to nothing where it is not.
                drop(state);
                std::thread::yield_now();
                state = self.lock();
            }
        }
    }

    /// Makes the writer stop and forgets what waits, now and later.
    pub(super) fn close(&self) {
        let mut state = self.lock();
        state.closed = true;
        let forgotten = std::mem::take(&mut state.waiting);
        drop(state);
        self.ready.notify_all();
        // Giving permits back takes other locks.
        drop(forgotten);
    }

    fn add(&self, outgoing: Outgoing) {
        let mut state = self.lock();
        if state.closed {
            drop(state);
            drop(outgoing);
            return;
        }
        state.waiting.push_back(outgoing);
        self.wake(state);
    }

    fn end(&self) {
        let mut state = self.lock();
        state.ended = true;
        self.wake(state);
    }

    fn wake(&self, mut state: MutexGuard<'_, State>) {
        let asleep = std::mem::take(&mut state.asleep);
        drop(state);
        if asleep {
            self.ready.notify_one();
        }
    }

    /// No panic can happen while the state is half changed.
    fn lock(&self) -> MutexGuard<'_, State> {
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// The adding end of a queue. The queue ends when the reader and every ticket have let go of it.
pub(super) struct Lane(Arc<ReplyQueue>);

impl Lane {
    pub(super) fn new(queue: Arc<ReplyQueue>) -> Arc<Lane> {
        Arc::new(Lane(queue))
    }

    /// Takes charge of a request.
    pub(super) fn ticket(lane: &Arc<Lane>, asked: Asked, permit: Permit) -> Ticket {
        Ticket {
            lane: Arc::clone(lane),
            asked,
            permit: Some(permit),
        }
    }
}

impl Drop for Lane {
    fn drop(&mut self) {
        self.0.end();
    }
}

/// The duty to answer one request.
pub(super) struct Ticket {
    lane: Arc<Lane>,
    asked: Asked,
    /// There until the request is answered.
    permit: Option<Permit>,
}

impl Ticket {
    /// Passes the drive's answer on.
    pub(super) fn answer(mut self, outcome: Result<Answer, HostError>) {
        self.settle(outcome.map_err(Fault::Host));
    }

    /// Answers that all is well.
    pub(super) fn done(mut self) {
        self.settle(Ok(Answer::Done));
    }

    /// Answers with an error.
    pub(super) fn fail(mut self, fault: Fault) {
        self.settle(Err(fault));
    }

    fn settle(&mut self, outcome: Outcome) {
        if let Some(permit) = self.permit.take() {
            self.lane.0.add(Outgoing {
                asked: self.asked,
                outcome,
                permit,
            });
        }
    }
}

impl Drop for Ticket {
    fn drop(&mut self) {
        self.settle(Err(Fault::Host(HostError::Gone)));
    }
}

//! Owns the way of an answer from the drive's thread to whoever writes it: the connection's writing
//! thread, or the drive's thread itself where the client's socket takes the bytes at once.
//!
//! Every request that was taken is answered exactly once: a [`Ticket`] that is dropped unanswered
//! answers for itself. One thread writes at a time, and what one could not finish the next begins
//! with. Queueing holds a lock for a few instructions and wakes the writer only if it sleeps, so the
//! drive's thread is not held up; the limits bound how much can be queued. Nothing here knows how
//! replies look.

use std::collections::VecDeque;
use std::sync::{Arc, Condvar, Mutex, MutexGuard, PoisonError};

use super::direct::Direct;
use super::errno::Fault;
use super::limits::Permit;
use super::reply::Unsent;
use super::wire::{Command, Request, command_flag};
use crate::host::handle::{Answer, Carrier, HostError};

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

impl Outgoing {
    fn bytes(&self) -> usize {
        match &self.outcome {
            Ok(Answer::Data(data)) => data.len(),
            _ => 0,
        }
    }
}

/// What the writing thread is to write.
pub(super) enum Task {
    /// Answers; the caller's batch has them.
    Batch,
    /// What the drive's thread could not get rid of.
    Unsent(Unsent),
}

/// Answers in order of completion.
pub(super) struct ReplyQueue {
    state: Mutex<State>,
    ready: Condvar,
}

#[derive(Default)]
#[allow(clippy::struct_excessive_bools)] // each can be true by itself
struct State {
    waiting: VecDeque<Outgoing>,
    /// Comes before all that waits.
    unsent: Option<Unsent>,
    /// Somebody writes; nobody else may.
    writing: bool,
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

    /// For the writing thread: waits for something to write; up to `most` answers go into `batch`.
    /// From here until [`ReplyQueue::written`] nobody else writes. `None`: no more will come.
    pub(super) fn take(&self, batch: &mut Vec<Outgoing>, most: usize) -> Option<Task> {
        let mut state = self.lock();
        loop {
            if state.closed {
                return None;
            }
            if !state.writing {
                if let Some(unsent) = state.unsent.take() {
                    state.writing = true;
                    return Some(Task::Unsent(unsent));
                }
                if !state.waiting.is_empty() {
                    state.writing = true;
                    let ready = state.waiting.len().min(most);
                    batch.extend(state.waiting.drain(..ready));
                    return Some(Task::Batch);
                }
                if state.ended {
                    return None;
                }
            }
            state.asleep = true;
            state = self
                .ready
                .wait(state)
                .unwrap_or_else(PoisonError::into_inner);
        }
    }

    /// The writing thread has written all that it took.
    pub(super) fn written(&self) {
        self.lock().writing = false;
    }

    /// For the drive's thread: up to `most` answers, if nobody else writes and they are so few that
    /// the socket can be expected to take them; else the writing thread is told of them. Whoever
    /// gets some must call [`ReplyQueue::put_back`].
    pub(super) fn try_take(&self, most: usize, bytes_max: usize) -> Option<Vec<Outgoing>> {
        let mut state = self.lock();
        if state.closed || state.writing || state.waiting.is_empty() {
            // Whoever writes looks again when it is done.
            return None;
        }
        let bytes: usize = state.waiting.iter().map(Outgoing::bytes).sum();
        if state.unsent.is_some() || state.waiting.len() > most || bytes > bytes_max {
            self.wake(state);
            return None;
        }
        state.writing = true;
        Some(state.waiting.drain(..).collect())
    }

    /// Ends what [`ReplyQueue::try_take`] began, with what could not be written.
    pub(super) fn put_back(&self, unsent: Option<Unsent>) {
        let mut state = self.lock();
        state.writing = false;
        if state.closed {
            drop(state);
            drop(unsent);
            return;
        }
        state.unsent = unsent;
        if state.unsent.is_some() || !state.waiting.is_empty() || state.ended {
            self.wake(state);
        }
    }

    /// Makes the writer stop and forgets what waits, now and later.
    pub(super) fn close(&self) {
        let mut state = self.lock();
        state.closed = true;
        let forgotten = (std::mem::take(&mut state.waiting), state.unsent.take());
        drop(state);
        self.ready.notify_all();
        // Giving permits back takes other locks.
        drop(forgotten);
    }

    /// `quietly`: the drive's thread will come for it with [`ReplyQueue::try_take`].
    fn add(&self, outgoing: Outgoing, quietly: bool) {
        let mut state = self.lock();
        if state.closed {
            drop(state);
            drop(outgoing);
            return;
        }
        state.waiting.push_back(outgoing);
        if !quietly {
            self.wake(state);
        }
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
pub(super) struct Lane {
    queue: Arc<ReplyQueue>,
    /// Where replies can leave from the drive's thread.
    direct: Option<Direct>,
}

impl Lane {
    pub(super) fn new(queue: Arc<ReplyQueue>, direct: Option<Direct>) -> Arc<Lane> {
        Arc::new(Lane { queue, direct })
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

impl Carrier for Lane {
    fn carry(&self, bytes_max: usize) {
        if let Some(direct) = &self.direct {
            direct.write(&self.queue, bytes_max);
        }
    }
}

impl Drop for Lane {
    fn drop(&mut self) {
        self.queue.end();
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
    /// Passes the drive's answer on. The lane's carrier must be told afterwards.
    pub(super) fn answer(mut self, outcome: Result<Answer, HostError>) {
        let quietly = self.lane.direct.is_some();
        self.settle(outcome.map_err(Fault::Host), quietly);
    }

    /// Answers with an error.
    pub(super) fn fail(mut self, fault: Fault) {
        self.settle(Err(fault), false);
    }

    fn settle(&mut self, outcome: Outcome, quietly: bool) {
        if let Some(permit) = self.permit.take() {
            let outgoing = Outgoing {
                asked: self.asked,
                outcome,
                permit,
            };
            self.lane.queue.add(outgoing, quietly);
        }
    }
}

impl Drop for Ticket {
    fn drop(&mut self) {
        self.settle(Err(Fault::Host(HostError::Gone)), false);
    }
}

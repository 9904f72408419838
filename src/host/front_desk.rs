//! Owns who waits for which answer: turns asks into checked requests and completions into replies.
//!
//! Every ask gets exactly one reply. A trim that must be durable is a trim and then a flush, with
//! one reply after the second. It knows nothing of moments or of the mover.

use std::collections::HashMap;
use std::sync::Arc;

use super::account::Ledger;
use super::handle::{Answer, Ask, Call, DriveInfo, HostError, Reply, ReplyTo};
use super::shelf::Shelf;
use crate::drive::request::{Completion, Operation, Request};
use crate::medium::buffers::Buffers;
use crate::medium::movement::{BufferId, RequestId};
use crate::units::{count, index};

/// What becomes of an ask.
pub(super) enum Admitted {
    /// A request for the drive.
    Request(Request),
    /// A question that the loop answers between events.
    Question(Ask, ReplyTo),
    /// Answered already.
    Answered,
}

/// See the module's description.
pub(super) struct FrontDesk {
    info: Arc<DriveInfo>,
    waiting: HashMap<RequestId, Waiting>,
    next_id: u64,
    pub(super) ledger: Ledger,
    /// Where memory for replies comes from.
    pub(super) shelf: Shelf,
}

struct Waiting {
    reply: ReplyTo,
    then: Then,
}

/// What follows the completion.
enum Then {
    Answer,
    AnswerWithData,
    /// The bytes were read for the drive's buffer only.
    AnswerWithoutData,
    /// A flush, and then the answer.
    Flush,
    /// The answer for this trim too.
    AnswerFor(Box<Completion>),
}

impl FrontDesk {
    pub(super) fn new(info: Arc<DriveInfo>) -> FrontDesk {
        FrontDesk {
            info,
            waiting: HashMap::new(),
            next_id: 0,
            ledger: Ledger::new(),
            shelf: Shelf::default(),
        }
    }

    /// Requests that wait for their answer.
    pub(super) fn waiting(&self) -> usize {
        self.waiting.len()
    }

    /// Whether somebody waits for the answer to this one.
    pub(super) fn is_waiting(&self, id: RequestId) -> bool {
        self.waiting.contains_key(&id)
    }

    /// How many of the requests from `first` on wait for their answer.
    pub(super) fn waiting_since(&self, first: RequestId) -> u64 {
        count(self.waiting.keys().filter(|id| **id >= first).count())
    }

    /// The request that the drive will be given next.
    pub(super) fn next_request(&self) -> RequestId {
        RequestId(self.next_id)
    }

    /// Checks an ask. Payloads and room for replies are put among the buffers.
    pub(super) fn admit(&mut self, call: Call, buffers: &mut Buffers) -> Admitted {
        let Call { ask, reply, .. } = call;
        if let Some(outcome) = self.answer_at_the_door(&ask) {
            answer(reply, outcome, None);
            return Admitted::Answered;
        }
        let (operation, offset, bytes, then, data) = match ask {
            Ask::Read { offset, bytes } => {
                (Operation::Read, offset, bytes, Then::AnswerWithData, None)
            }
            Ask::Write { offset, data, fua } => {
                let bytes = count(data.len());
                let operation = Operation::Write { fua };
                (operation, offset, bytes, Then::Answer, Some(data))
            }
            Ask::Flush => (Operation::Flush, 0, 0, Then::Answer, None),
            Ask::Trim { offset, bytes, fua } => {
                let then = if fua { Then::Flush } else { Then::Answer };
                (Operation::Trim, offset, bytes, then, None)
            }
            Ask::WriteZeroes {
                offset,
                bytes,
                fua,
                may_deallocate,
            } => {
                let operation = Operation::WriteZeroes {
                    fua,
                    may_deallocate,
                };
                (operation, offset, bytes, Then::Answer, None)
            }
            Ask::Whereabouts { offset, bytes } => {
                return self.admit_whereabouts(offset, bytes, reply);
            }
            Ask::Cache { offset, bytes } => {
                return self.admit_cache(offset, bytes, reply, buffers);
            }
            Ask::Status | Ask::Account | Ask::Order(_) | Ask::Record(_) | Ask::EndRecording(_) => {
                return Admitted::Question(ask, reply);
            }
        };
        // What is refused here is no request of the drive's.
        let id = self.next_request();
        match Request::new(id, operation, offset, bytes, self.info.capacity_bytes) {
            Ok(request) => {
                self.next_id += 1;
                match (data, &then) {
                    (Some(data), _) => buffers.insert(BufferId::Request(id), data),
                    (None, Then::AnswerWithData) => {
                        let memory = self.shelf.take(index(bytes));
                        buffers.insert_reply(BufferId::Request(id), memory);
                    }
                    _ => {}
                }
                self.waiting.insert(id, Waiting { reply, then });
                Admitted::Request(request)
            }
            Err(refusal) => {
                answer(reply, Err(refusal.into()), None);
                Admitted::Answered
            }
        }
    }

    /// Outcomes that follow from the drive's description alone.
    fn answer_at_the_door(&self, ask: &Ask) -> Option<Result<Answer, HostError>> {
        match ask {
            Ask::Write { .. } | Ask::Trim { .. } | Ask::WriteZeroes { .. }
                if self.info.read_only =>
            {
                Some(Err(HostError::ReadOnly))
            }
            Ask::Flush if self.info.read_only => Some(Ok(Answer::Done)),
            Ask::Trim { .. } if !self.info.trim => Some(Err(HostError::Unsupported)),
            _ => None,
        }
    }

    fn admit_whereabouts(&mut self, offset: u64, bytes: u64, reply: ReplyTo) -> Admitted {
        // Looked at, not read; but what can be asked about is what can be read.
        let (id, capacity) = (self.next_request(), self.info.capacity_bytes);
        match Request::new(id, Operation::Read, offset, bytes, capacity) {
            Ok(_) => Admitted::Question(Ask::Whereabouts { offset, bytes }, reply),
            Err(refusal) => {
                answer(reply, Err(refusal.into()), None);
                Admitted::Answered
            }
        }
    }

    /// The whole range is checked, and read is what the drive keeps of it.
    fn admit_cache(
        &mut self,
        offset: u64,
        bytes: u64,
        reply: ReplyTo,
        buffers: &mut Buffers,
    ) -> Admitted {
        let (id, capacity) = (self.next_request(), self.info.capacity_bytes);
        let reading = |bytes| Request::new(id, Operation::Read, offset, bytes, capacity);
        let kept = self.info.warmed_bytes(bytes);
        match reading(bytes) {
            Ok(_) if kept == 0 => answer(reply, Ok(Answer::Done), None),
            Ok(_) => {
                let request = reading(kept).expect("a part of what lies on the drive");
                self.next_id += 1;
                let memory = self.shelf.take(index(kept));
                buffers.insert_reply(BufferId::Request(id), memory);
                let then = Then::AnswerWithoutData;
                self.waiting.insert(id, Waiting { reply, then });
                return Admitted::Request(request);
            }
            Err(refusal) => answer(reply, Err(refusal.into()), None),
        }
        Admitted::Answered
    }

    /// Answers a request whose moment has come and whose bytes are moved, or hands back the
    /// request that must follow first.
    pub(super) fn complete(
        &mut self,
        completion: Completion,
        buffers: &mut Buffers,
    ) -> Option<Request> {
        let id = completion.request;
        let Waiting { reply, then } = self.waiting.remove(&id)?;
        if let Some(failing) = completion.failing {
            buffers.forget_reply(BufferId::Request(id));
            let completion = match then {
                Then::AnswerFor(trim) => joined(*trim, &completion),
                _ => completion,
            };
            self.ledger.enter(&completion);
            answer(reply, Err(failing.into()), Some(completion));
            return None;
        }
        let (completion, outcome) = match then {
            Then::Answer => (completion, Answer::Done),
            Then::AnswerWithData => {
                let data = buffers.take_reply(BufferId::Request(id));
                (completion, Answer::Data(data))
            }
            Then::AnswerWithoutData => {
                self.shelf.give(buffers.take_reply(BufferId::Request(id)));
                (completion, Answer::Done)
            }
            Then::AnswerFor(trim) => (joined(*trim, &completion), Answer::Done),
            Then::Flush => {
                let flush = self.next_request();
                self.next_id += 1;
                self.ledger.monitor.renamed(id, flush);
                let then = Then::AnswerFor(Box::new(completion));
                self.waiting.insert(flush, Waiting { reply, then });
                let request = Request::new(flush, Operation::Flush, 0, 0, 0);
                return Some(request.expect("a flush is never out of bounds"));
            }
        };
        self.ledger.enter(&completion);
        answer(reply, Ok(outcome), Some(completion));
        None
    }

    /// Puts memory that nobody needs any more where the next request finds it.
    pub(super) fn clear_away(&self, buffers: &mut Buffers) {
        buffers
            .drain_used()
            .for_each(|memory| self.shelf.give(memory));
    }

    /// Answers one request with an error.
    pub(super) fn fail(&mut self, id: RequestId, error: HostError, buffers: &mut Buffers) {
        if let Some(waiting) = self.waiting.remove(&id) {
            buffers.forget_reply(BufferId::Request(id));
            if matches!(
                error,
                HostError::TooSlow { .. } | HostError::TakenOut { .. }
            ) {
                self.ledger.failed_at_limit();
            }
            self.ledger.monitor.given_up(id, &error.to_string());
            answer(waiting.reply, Err(error), None);
        }
    }

    /// Answers everybody who waits with an error, first come, first told.
    pub(super) fn fail_all(&mut self, error: &HostError, buffers: &mut Buffers) {
        let mut ids: Vec<RequestId> = self.waiting.keys().copied().collect();
        ids.sort_unstable();
        for id in ids {
            self.fail(id, error.clone(), buffers);
        }
    }
}

/// Gives a reply.
pub(super) fn answer(
    reply: ReplyTo,
    outcome: Result<Answer, HostError>,
    completion: Option<Completion>,
) {
    reply(Reply {
        outcome,
        completion,
    });
}

/// A trim and the flush that followed it, as one.
fn joined(trim: Completion, flush: &Completion) -> Completion {
    Completion {
        due: flush.due,
        needs: flush.needs,
        behind: flush.behind.or(trim.behind),
        room_by: flush.room_by.or(trim.room_by),
        missed_by: flush.missed_by.or(trim.missed_by),
        breakdown: trim.breakdown.joined(&flush.breakdown),
        // Whoever watches the request knows it by the name it had last.
        request: flush.request,
        failing: trim.failing.or(flush.failing),
        ..trim
    }
}

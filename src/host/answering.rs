//! Owns how the event loop gives answers: in their order, none before its moment has come and its bytes are
//! moved, and with how late this machine was; and that recordings are told of them.

use super::account::LAG_NOTICED;
use super::deliveries::Delivery;
use super::event_loop::EventLoop;
use super::handle::HostError;
use super::machine::Machine;
use super::recorder::RecordingId;
use crate::drive::request::Completion;
use crate::time::Instant;

impl<M: Machine> EventLoop<M> {
    /// Gives the answers whose moment has come.
    pub(super) fn deliver(&mut self, now: Instant) {
        while let Some(delivery) = self.deliveries.next(now) {
            match delivery {
                Delivery::Answer(completion) => self.answer(completion),
                Delivery::Spoilt(request, why) => {
                    let error = HostError::Failed(why);
                    self.desk.fail(request, error, &mut self.buffers);
                    self.carriers.reply_put_down();
                }
            }
        }
    }

    fn answer(&mut self, mut completion: Completion) {
        // Asked anew for each answer: giving the ones before may have taken a while.
        let now = self.clock.now();
        let lag = self.clock.lag(now, completion.due);
        // Whoever was told that it failed at a limit has had an answer.
        if self.recorders.is_listening() && self.desk.is_waiting(completion.request) {
            self.recorders.note(&completion, lag);
        }
        if lag > LAG_NOTICED {
            completion.breakdown.lag = lag;
        }
        match self.desk.complete(completion, &mut self.buffers) {
            Some(request) => self.submit(now, request),
            None => self.carriers.reply_put_down(),
        }
    }

    /// A recording ends, or all that are under way.
    pub(super) fn end_recordings(&mut self, which: Option<RecordingId>, now: Instant) {
        let desk = &self.desk;
        let given = desk.next_request();
        self.recorders
            .end(which, now, given, |first| desk.waiting_since(first));
    }
}

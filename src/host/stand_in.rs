//! Owns a stand-in for a drive, for tests of the loop: every request takes a time that is given.
//!
//! Host byte `n` lives at byte `n` of the image. Requests are served side by side. Background work,
//! if any, is one deadline that no host request waits for. It defects when told to.

use std::collections::VecDeque;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::{Arc, Mutex};

use super::handle::DriveInfo;
use super::machine::Machine;
use crate::drive::fault::{Fault, FaultError, FaultId, PowerLoss, Standing};
use crate::drive::request::{
    Breakdown, Completion, Deadline, Effect, Operation, Request, Status, Whereabouts,
};
use crate::medium::movement::{Movement, Place, Plan, PlanId, Purpose, Step};
use crate::time::{Duration, Instant};
use crate::units::{Pba, SECTOR_BYTES, count};

/// What a test sees and turns while the loop owns the machine.
#[derive(Clone, Default)]
pub(super) struct Dials {
    pub(super) defect: Arc<AtomicBool>,
    pub(super) shut_downs: Arc<AtomicU64>,
    pub(super) background_runs: Arc<AtomicU64>,
    pub(super) never_rests: Arc<AtomicBool>,
    /// What it was called with, in order.
    pub(super) log: Arc<Mutex<Vec<(&'static str, Instant)>>>,
}

/// The description of a stand-in of so many bytes.
pub(super) fn info(capacity_bytes: u64) -> DriveInfo {
    DriveInfo {
        name: "stand-in".to_owned(),
        capacity_bytes,
        logical_sector_bytes: 512,
        physical_sector_bytes: 4096,
        trim: true,
        fast_zeroes: true,
        write_cache: false,
        read_buffer_bytes: 16_384,
        read_only: false,
        discreet: false,
    }
}

pub(super) struct StandIn {
    pub(super) dials: Dials,
    pub(super) takes: Duration,
    /// Due with the request itself (`false`), or planned when its moment comes (`true`).
    pub(super) late_plans: bool,
    pub(super) background: Option<Instant>,
    /// How long it takes to shut down.
    pub(super) closing_takes: Duration,
    closing: Option<Instant>,
    queue: VecDeque<(Instant, Instant, Request)>,
    effects: Vec<Effect>,
    next_plan: u64,
    failure: Option<String>,
    standing: Vec<Standing>,
    power_loss: Option<PowerLoss>,
}

impl StandIn {
    pub(super) fn new(takes: Duration, late_plans: bool) -> StandIn {
        StandIn {
            dials: Dials::default(),
            takes,
            late_plans,
            background: None,
            closing_takes: Duration(0),
            closing: None,
            queue: VecDeque::new(),
            effects: Vec::new(),
            next_plan: 0,
            failure: None,
            standing: Vec::new(),
            power_loss: None,
        }
    }

    fn note(&self, what: &'static str, now: Instant) {
        self.dials.log.lock().expect("no panic").push((what, now));
    }

    fn serve(&mut self, arrived: Instant, due: Instant, request: Request) {
        let home = Place::Medium {
            pba: Pba(request.offset() / SECTOR_BYTES),
            skip: request.offset() % SECTOR_BYTES,
        };
        let buffer = Place::Buffer {
            id: request.buffer(),
            offset: 0,
        };
        let steps = match request.operation() {
            Operation::Read => vec![(home, buffer)],
            Operation::Write { .. } => vec![(buffer, home)],
            Operation::Trim | Operation::WriteZeroes { .. } => vec![(Place::Zeroes, home)],
            Operation::Flush => vec![],
        };
        let steps = steps.into_iter().map(|(from, to)| {
            Step::Move(Movement {
                from,
                to,
                bytes: request.bytes(),
                purpose: Purpose::HostRead,
                buffered: false,
            })
        });
        let mut steps: Vec<Step> = steps.collect();
        if request.operation() == Operation::Flush {
            steps.push(Step::Barrier);
        }
        let needs = PlanId(self.next_plan);
        self.next_plan += 1;
        self.effects.push(Effect::Move(Plan {
            id: needs,
            allocate: vec![],
            steps,
        }));
        self.effects.push(Effect::Complete(Completion {
            request: request.id(),
            operation: request.operation(),
            offset: request.offset(),
            bytes: request.bytes(),
            arrived,
            due,
            needs: Some(needs),
            breakdown: Breakdown {
                transfer: due.since(arrived),
                ..Breakdown::default()
            },
            behind: None,
            room_by: None,
            missed_by: None,
            failing: None,
        }));
        self.effects.push(Effect::Release(request.buffer()));
    }
}

impl Machine for StandIn {
    fn submit(&mut self, now: Instant, request: Request) {
        self.note("submit", now);
        if self.dials.defect.load(Ordering::SeqCst) {
            self.failure = Some("a track was written twice".to_owned());
            return;
        }
        if self.late_plans {
            self.queue.push_back((now, now + self.takes, request));
        } else {
            self.serve(now, now + self.takes, request);
        }
    }

    fn advance(&mut self, now: Instant) {
        self.note("advance", now);
        while self.queue.front().is_some_and(|(_, due, _)| *due <= now) {
            let (arrived, due, request) = self.queue.pop_front().expect("seen");
            self.serve(arrived, due, request);
        }
        self.closing = self.closing.filter(|at| *at > now);
        if self.background.is_some_and(|at| at <= now) {
            self.background = None;
            self.dials.background_runs.fetch_add(1, Ordering::SeqCst);
        }
    }

    fn next_deadline(&self) -> Option<Deadline> {
        let host = self.queue.front().map(|(_, due, _)| Deadline {
            at: *due,
            host_waits: true,
        });
        let own = self.background.map(|at| Deadline {
            at,
            host_waits: host.is_some(),
        });
        let closing = self.closing.map(|at| Deadline {
            at,
            host_waits: true,
        });
        let all = [host, own, closing].into_iter().flatten();
        all.min_by_key(|d| d.at)
    }

    fn drain_effects(&mut self, into: &mut Vec<Effect>) {
        into.append(&mut self.effects);
    }

    fn whereabouts(&self, _offset: u64, bytes: u64) -> Vec<(u64, Whereabouts)> {
        vec![(bytes, Whereabouts::Home)]
    }

    fn status(&self, now: Instant) -> Status {
        Status {
            at_ns: now.0,
            ..Status::default()
        }
    }

    fn failure(&self) -> Option<&str> {
        self.failure.as_deref()
    }

    fn idle(&self) -> bool {
        let is_busy = !self.queue.is_empty() || self.closing.is_some();
        !is_busy && !self.dials.never_rests.load(Ordering::SeqCst)
    }

    fn shut_down(&mut self, now: Instant) {
        self.closing = (self.closing_takes.0 > 0).then(|| now + self.closing_takes);
        self.dials.shut_downs.fetch_add(1, Ordering::SeqCst);
    }

    fn impose(&mut self, now: Instant, fault: Fault) -> Result<FaultId, FaultError> {
        self.note("impose", now);
        let id = FaultId(count(self.standing.len()) + 1);
        match &fault {
            Fault::Stall(stall) => {
                let until = stall.duration_ns.map(|ns| now + Duration(ns));
                self.effects.push(Effect::Hold { until });
            }
            Fault::PowerCut(cut) => {
                self.power_loss = Some(PowerLoss {
                    fault: id,
                    at: now,
                    stay_off: cut.stay_off,
                });
            }
            _ => {}
        }
        self.standing.push(Standing {
            id,
            since_ns: now.0,
            fault,
            left: None,
        });
        Ok(id)
    }

    fn lift(&mut self, now: Instant, _which: Option<FaultId>) -> usize {
        self.effects.push(Effect::Resume { at: now });
        std::mem::take(&mut self.standing).len()
    }

    fn leave_faults(&mut self, now: Instant) {
        self.lift(now, None);
    }

    fn standing(&self) -> Vec<Standing> {
        self.standing.clone()
    }

    fn power_lost(&self) -> Option<&PowerLoss> {
        self.power_loss.as_ref()
    }

    fn succeed(&mut self, _former: &mut StandIn, now: Instant) {
        self.note("succeed", now);
    }
}

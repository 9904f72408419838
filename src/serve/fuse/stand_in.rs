//! A stand-in for the thread that owns a drive, for the tests of this folder.
//!
//! Fault model: none. It keeps bytes in memory, does everything it is asked, remembers every ask,
//! and answers at once or, when told so, only once a number of asks wait together. It stops
//! `Whereabouts` after one part. It never fails, reorders or delays otherwise.

use std::collections::BTreeMap;
use std::sync::{Arc, Mutex};
use std::time::Duration;

use crossbeam_channel::{Receiver, bounded};

use crate::drive::request::{Refusal, Whereabouts};
use crate::host::handle::{Answer, Ask, Call, DriveInfo, Handle, HostError, Reply, ReplyTo, Wake};
use crate::units::{SECTOR_BYTES, count, index};

/// When the stand-in answers.
#[derive(Clone, Copy, Debug)]
pub(super) enum Habit {
    /// At once.
    Prompt,
    /// Reads wait until this many wait together, then all are answered, the newest first. Should
    /// the others not come within ten seconds, those that wait get `Gone`.
    TogetherReads(usize),
    /// As `Prompt`, but discard is off.
    WithoutTrim,
    /// As `Prompt`, but for reading only.
    ReadOnly,
}

/// What was asked, without the bytes.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) enum Asked {
    Write {
        offset: u64,
        bytes: u64,
        fua: bool,
    },
    Flush,
    Trim {
        offset: u64,
        bytes: u64,
    },
    Zero {
        offset: u64,
        bytes: u64,
        may_deallocate: bool,
    },
}

/// The stand-in. Its thread ends with the last handle.
pub(super) struct StandIn {
    handle: Handle,
    asked: Arc<Mutex<Vec<Asked>>>,
}

struct NoWake;

impl Wake for NoWake {
    fn wake(&self) {}
}

impl StandIn {
    pub(super) fn start(capacity_bytes: u64, habit: Habit) -> StandIn {
        let info = DriveInfo {
            name: "stand-in".into(),
            capacity_bytes,
            logical_sector_bytes: 512,
            physical_sector_bytes: 4096,
            trim: !matches!(habit, Habit::WithoutTrim),
            fast_zeroes: true,
            write_cache: true,
            read_buffer_bytes: 0,
            read_only: matches!(habit, Habit::ReadOnly),
            discreet: false,
        };
        let (calls, inbox) = bounded(16);
        let asked = Arc::new(Mutex::new(Vec::new()));
        let owner = Owner {
            info: info.clone(),
            habit,
            asked: Arc::clone(&asked),
            sectors: BTreeMap::new(),
        };
        std::thread::spawn(move || owner.run(&inbox));
        StandIn {
            handle: Handle::new(Arc::new(info), calls, Arc::new(NoWake)),
            asked,
        }
    }

    pub(super) fn handle(&self) -> Handle {
        self.handle.clone()
    }

    /// Everything asked since the last time, in order. Reads and questions are left out.
    pub(super) fn take_asked(&self) -> Vec<Asked> {
        std::mem::take(&mut *self.asked.lock().unwrap())
    }
}

struct Owner {
    info: DriveInfo,
    habit: Habit,
    asked: Arc<Mutex<Vec<Asked>>>,
    sectors: BTreeMap<u64, Box<[u8]>>,
}

impl Owner {
    fn run(mut self, inbox: &Receiver<Call>) {
        let mut waiting: Vec<Call> = Vec::new();
        while let Some(call) = next(inbox, &mut waiting) {
            if let Habit::TogetherReads(together) = self.habit
                && matches!(call.ask, Ask::Read { .. })
            {
                waiting.push(call);
                if waiting.len() == together {
                    while let Some(call) = waiting.pop() {
                        self.answer(call);
                    }
                }
            } else {
                self.answer(call);
            }
        }
    }

    fn answer(&mut self, call: Call) {
        let outcome = self.carry_out(call.ask);
        reply(call.reply, outcome);
    }

    fn carry_out(&mut self, ask: Ask) -> Result<Answer, HostError> {
        match ask {
            Ask::Read { offset, bytes } => {
                self.check(offset, bytes)?;
                let data = (offset..offset + bytes).map(|at| self.byte(at)).collect();
                Ok(Answer::Data(data))
            }
            Ask::Write { offset, data, fua } => {
                let bytes = count(data.len());
                self.check(offset, bytes)?;
                self.note(Asked::Write { offset, bytes, fua });
                for (at, byte) in (offset..).zip(data) {
                    self.sectors
                        .entry(at / SECTOR_BYTES)
                        .or_insert_with(|| vec![0; index(SECTOR_BYTES)].into_boxed_slice())
                        [index(at % SECTOR_BYTES)] = byte;
                }
                Ok(Answer::Done)
            }
            Ask::Cache { offset, bytes } => self.check(offset, bytes).map(|()| Answer::Done),
            Ask::Flush => {
                self.note(Asked::Flush);
                Ok(Answer::Done)
            }
            Ask::Trim { offset, bytes, .. } => {
                if !self.info.trim {
                    return Err(HostError::Unsupported);
                }
                self.check(offset, bytes)?;
                self.note(Asked::Trim { offset, bytes });
                self.zero(offset, bytes);
                self.sectors
                    .retain(|_, sector| sector.iter().any(|&byte| byte != 0));
                Ok(Answer::Done)
            }
            Ask::WriteZeroes {
                offset,
                bytes,
                may_deallocate,
                ..
            } => {
                self.check(offset, bytes)?;
                self.note(Asked::Zero {
                    offset,
                    bytes,
                    may_deallocate,
                });
                self.zero(offset, bytes);
                Ok(Answer::Done)
            }
            Ask::Whereabouts { offset, bytes } => {
                self.check(offset, bytes)?;
                let left_in_sector = SECTOR_BYTES - offset % SECTOR_BYTES;
                let place = if self.sectors.contains_key(&(offset / SECTOR_BYTES)) {
                    Whereabouts::Home
                } else {
                    Whereabouts::Nowhere
                };
                Ok(Answer::Whereabouts(vec![(
                    left_in_sector.min(bytes),
                    place,
                )]))
            }
            Ask::Status | Ask::Account | Ask::Order(_) => Ok(Answer::Status(Box::default())),
            Ask::Record(_) | Ask::EndRecording(_) => Ok(Answer::Done),
        }
    }

    fn check(&self, offset: u64, bytes: u64) -> Result<(), HostError> {
        if bytes == 0 {
            return Err(Refusal::Empty { offset }.into());
        }
        if offset + bytes > self.info.capacity_bytes {
            return Err(Refusal::OutOfBounds {
                offset,
                bytes,
                capacity: self.info.capacity_bytes,
            }
            .into());
        }
        Ok(())
    }

    fn note(&self, asked: Asked) {
        self.asked.lock().unwrap().push(asked);
    }

    fn byte(&self, at: u64) -> u8 {
        self.sectors
            .get(&(at / SECTOR_BYTES))
            .map_or(0, |sector| sector[index(at % SECTOR_BYTES)])
    }

    fn zero(&mut self, offset: u64, bytes: u64) {
        let first = offset / SECTOR_BYTES;
        let last = (offset + bytes).div_ceil(SECTOR_BYTES);
        for (&number, sector) in self.sectors.range_mut(first..last) {
            let start = number * SECTOR_BYTES;
            let from = offset.saturating_sub(start).min(SECTOR_BYTES);
            let to = (offset + bytes - start).min(SECTOR_BYTES);
            sector[index(from)..index(to)].fill(0);
        }
    }
}

/// The next call; `None` when there is no handle left. Gives up on those that wait when nothing
/// comes for long.
fn next(inbox: &Receiver<Call>, waiting: &mut Vec<Call>) -> Option<Call> {
    if !waiting.is_empty() {
        if let Ok(call) = inbox.recv_timeout(Duration::from_secs(10)) {
            return Some(call);
        }
        for call in waiting.drain(..) {
            reply(call.reply, Err(HostError::Gone));
        }
    }
    inbox.recv().ok()
}

fn reply(to: ReplyTo, outcome: Result<Answer, HostError>) {
    to(Reply {
        outcome,
        completion: None,
    });
}

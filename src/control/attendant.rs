//! Owns the carrying out of commands: asks the drive's thread, and tells what came of it.
//!
//! Runs on the thread of a control connection and may wait for the drive. It decides nothing about
//! faults; it knows what a saved state needs before and after the drive's thread is asked.

use std::path::Path;
use std::sync::{Arc, Mutex, PoisonError};

use serde::Serialize;
use serde_json::{Map, Value, json};

use super::command::{Command, EndRecording, Save};
use super::reply::{ErrorKind, Reply, ReplyError};
use crate::drive::fault::{Fault, FaultError, Stall, Whereabouts};
use crate::host::account::Account;
use crate::host::bay::{DataAfter, Seat};
use crate::host::handle::{Answer, Ask, Handle, HostError};
use crate::host::order::{Conditions, Order, OrderError, Outcome};
use crate::host::recordings::{Recordings, RecordingsError, ScribeError};

/// Ends all connections of clients; tells how many there were.
pub type DropConnections = Arc<dyn Fn() -> u64 + Send + Sync>;

/// Carries commands out. A clone is the same.
#[derive(Clone)]
pub struct Attendant {
    handle: Handle,
    seat: Seat,
    drop_connections: DropConnections,
    recordings: Recordings,
    /// The drive is sealed: only what a host can know is told.
    discreet: bool,
    /// One at a time prepares what takes the image's place: the file has one name.
    restoring: Arc<Mutex<()>>,
}

impl Attendant {
    /// For the drive behind `handle`. `seat`: where its image lies. `recordings`: those of the drive.
    pub fn new(
        handle: Handle,
        seat: Seat,
        drop_connections: DropConnections,
        recordings: Recordings,
    ) -> Attendant {
        Attendant {
            handle,
            seat,
            drop_connections,
            recordings,
            discreet: false,
            restoring: Arc::default(),
        }
    }

    /// The same for a sealed drive: what would tell its parameters is left out or refused.
    #[must_use]
    pub fn discreet(self) -> Attendant {
        Attendant {
            discreet: true,
            ..self
        }
    }

    /// Carries out a command.
    pub fn carry_out(&self, command: Command) -> Reply {
        log::info!("told to {}", command.to_line());
        match command {
            Command::Status => self.status(),
            Command::Account => match self.ask(Ask::Account)? {
                Answer::Account(account) => Ok(one("account", &self.shown(&account))),
                other => unreachable!("an account was asked for, not {other:?}"),
            },
            Command::Faults => Ok(fields(&self.conditions()?)),
            Command::Impose(fault) => self.impose(fault),
            Command::Lift(lift) => match self.order(Order::Lift(lift.fault))? {
                Outcome::Lifted(lifted) => Ok(one("lifted", &lifted)),
                other => unreachable!("a fault was to be lifted: {other:?}"),
            },
            Command::PowerOn => self.order(Order::PowerOn).map(|_| Map::new()),
            Command::DropConnections => Ok(one("dropped", &(self.drop_connections)())),
            Command::Enforce(enforce) => self
                .order(Order::Enforce(enforce.limits))
                .map(|_| Map::new()),
            Command::Save(save) => self.save(save),
            Command::Restore(restore) => self.restore(&restore.file),
            Command::Record(record) => {
                let begun = self.recordings.begin(&self.handle, &record.file);
                begun
                    .map(|id| one("recording", &id))
                    .map_err(|error| not_recorded(&error))
            }
            Command::EndRecording(end) => self.end_recording(&end),
        }
    }

    fn status(&self) -> Reply {
        let Answer::Status(status) = self.ask(Ask::Status)? else {
            unreachable!("the status was asked for");
        };
        let info = self.handle.info();
        let mut told = one("profile", &info.name);
        told.insert("capacity_bytes".to_owned(), info.capacity_bytes.into());
        if self.discreet {
            told.insert("sealed".to_owned(), true.into());
        } else {
            told.insert("status".to_owned(), value(&status));
            let recordings = self.recordings.under_way();
            told.insert("recordings".to_owned(), value(&recordings));
        }
        told.extend(fields(&self.conditions()?));
        Ok(told)
    }

    fn conditions(&self) -> Result<Conditions, ReplyError> {
        match self.order(Order::Conditions)? {
            Outcome::Conditions(conditions) => Ok(conditions),
            other => unreachable!("conditions were asked for, not {other:?}"),
        }
    }

    /// What may be seen of an account.
    fn shown(&self, account: &Account) -> Value {
        if !self.discreet {
            return value(account);
        }
        json!({
            "kinds": account.kinds,
            "late": account.late,
            "lag_ns_max": account.lag_ns_max,
            "lag_ns_sum": account.lag_ns_sum,
            "turn_ns_max": account.turn_ns_max,
        })
    }

    fn impose(&self, fault: Fault) -> Reply {
        if self.discreet && asks_inside(&fault) {
            return Err(ReplyError {
                kind: ErrorKind::Refused,
                message: "the drive is sealed: no fault goes by what it does inside".to_owned(),
            });
        }
        match self.order(Order::Impose(fault))? {
            Outcome::Imposed(id) => Ok(one("fault", &id)),
            other => unreachable!("a fault was to be imposed: {other:?}"),
        }
    }

    fn save(&self, save: Save) -> Reply {
        if !save.as_power_cut {
            self.refuse_endless_stall()?;
            self.ask(Ask::Flush)?;
        }
        match self.order(Order::Save { to: save.file })? {
            Outcome::Saved(copied) => Ok(fields(&copied)),
            other => unreachable!("the image was to be saved: {other:?}"),
        }
    }

    /// A flush would wait for as long as nobody lifts it.
    fn refuse_endless_stall(&self) -> Result<(), ReplyError> {
        let endless = Fault::Stall(Stall { duration_ns: None });
        let conditions = self.conditions()?;
        let Some(stall) = conditions.faults.iter().find(|each| each.fault == endless) else {
            return Ok(());
        };
        let id = stall.id;
        Err(ReplyError {
            kind: ErrorKind::Refused,
            message: format!(
                "the drive is stalled and cannot be flushed: lift fault {id} first, or save it as a power cut would leave it (as-power-cut)"
            ),
        })
    }

    fn restore(&self, file: &Path) -> Reply {
        let _alone = self
            .restoring
            .lock()
            .unwrap_or_else(PoisonError::into_inner);
        let prepared = self.seat.prepare(file);
        let prepared = prepared.map_err(|error| told(&OrderError::Bay(error)))?;
        let with = prepared.clone();
        let replaced = self.order(Order::Replace { with });
        if replaced.is_err() {
            self.seat.abandon(&prepared);
        }
        replaced.map(|_| Map::new())
    }

    fn end_recording(&self, end: &EndRecording) -> Reply {
        let ended = self
            .recordings
            .end(&self.handle, end.recording, end.discard);
        ended
            .map(|held| fields(&held))
            .map_err(|error| not_recorded(&error))
    }

    fn order(&self, order: Order) -> Result<Outcome, ReplyError> {
        match self.ask(Ask::Order(order))? {
            Answer::Order(outcome) => outcome.map_err(|error| told(&error)),
            other => unreachable!("an order was given, and the answer is {other:?}"),
        }
    }

    fn ask(&self, ask: Ask) -> Result<Answer, ReplyError> {
        self.handle
            .ask(ask)
            .map_err(|error| ReplyError::new(kind_of(&error), &error))
    }
}

fn kind_of(error: &HostError) -> ErrorKind {
    match error {
        HostError::Failed(_) => ErrorKind::Failed,
        _ => ErrorKind::Refused,
    }
}

fn not_recorded(error: &RecordingsError) -> ReplyError {
    let kind = match error {
        RecordingsError::Scribe(ScribeError::Exists(_) | ScribeError::Hidden(_)) => {
            ErrorKind::Protected
        }
        RecordingsError::TooMany | RecordingsError::NotUnderWay(_) => ErrorKind::Refused,
        RecordingsError::Host(error) => kind_of(error),
        RecordingsError::Unwritten(_) => ErrorKind::Unwritten,
        RecordingsError::Scribe(_) | RecordingsError::Remove { .. } => ErrorKind::Failed,
    };
    ReplyError::new(kind, error)
}

/// Whether a fault strikes by what only the drive knows.
fn asks_inside(fault: &Fault) -> bool {
    match fault {
        Fault::PowerCut(cut) => cut.after_movements > 0 || cut.purpose.is_some(),
        Fault::FailCommands(fail) => fail.after_bands_cleaned > 0,
        Fault::MediaError(error) => error.place != Whereabouts::Anywhere,
        _ => false,
    }
}

fn told(error: &OrderError) -> ReplyError {
    let kind = match error {
        OrderError::Fault(
            FaultError::Stalled(_) | FaultError::CutAhead(_) | FaultError::TooMany,
        )
        | OrderError::NoSuchFault(_)
        | OrderError::NoPower
        | OrderError::HasPower
        | OrderError::NoBay => ErrorKind::Refused,
        OrderError::Fault(_) => ErrorKind::NotUnderstood,
        OrderError::Bay(error) if error.data == DataAfter::Protected => ErrorKind::Protected,
        OrderError::Failed(_) | OrderError::Bay(_) => ErrorKind::Failed,
    };
    ReplyError::new(kind, error)
}

fn value(of: &impl Serialize) -> Value {
    serde_json::to_value(of).expect("what is told has names that are text")
}

fn one(name: &str, of: &impl Serialize) -> Map<String, Value> {
    let mut told = Map::new();
    told.insert(name.to_owned(), value(of));
    told
}

fn fields(of: &impl Serialize) -> Map<String, Value> {
    match value(of) {
        Value::Object(told) => told,
        other => one("value", &json!(other)),
    }
}

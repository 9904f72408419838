//! Owns traces that are tables: a line for each request, columns by name or by place, each in its unit.
//!
//! Fields are parted by commas, semicolons or tabs, which the first line tells. A line with other fields
//! than that one makes no sense: what is in the wrong place would be taken for something else.

use super::devices::Devices;
use super::number::{TimeUnit, decimal, whole_number};
use super::report::{Parsed, Skip};
use crate::drive::request::Operation;
use crate::lab::fields;

/// What the columns of a table are.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Columns {
    /// When a request came.
    pub time: (Column, TimeUnit),
    /// What was asked.
    pub operation: Column,
    /// First byte, in units of so many bytes.
    pub offset: (Column, u64),
    /// Bytes, in units of so many.
    pub bytes: (Column, u64),
    /// How long it took, if that is known.
    pub took: Option<(Column, TimeUnit)>,
    /// Which drive it was for; the parts are joined by a dot.
    pub device: Vec<Column>,
    /// Fields of a line, where no head names them.
    fields: Option<usize>,
}

/// Where a column is.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Column {
    /// Under this name in the head.
    Named(String),
    /// In this place, from 0; the table has no head.
    At(usize),
}

/// A description of columns makes no sense.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error(
    "{what}; give columns such as time=Timestamp:us,op=Type,offset=Offset:sectors,bytes=Size, with time, op, offset and bytes, perhaps took and device; units of times are ns, 100ns, us, ms or s, of sizes B, sectors (512 B), KiB or pages (4 KiB)"
)]
pub struct ColumnsError {
    what: String,
}

impl Columns {
    /// `Timestamp,Hostname,DiskNumber,Type,Offset,Size,ResponseTime`, times in 100 ns, sizes in bytes.
    pub fn host_disk() -> Columns {
        Columns {
            time: (Column::At(0), TimeUnit::HundredNanoseconds),
            operation: Column::At(3),
            offset: (Column::At(4), 1),
            bytes: (Column::At(5), 1),
            took: Some((Column::At(6), TimeUnit::HundredNanoseconds)),
            device: vec![Column::At(1), Column::At(2)],
            fields: Some(7),
        }
    }

    /// `Timestamp,Offset,Size,IOType,VolumeID`, times in seconds, sizes in sectors.
    pub fn volume() -> Columns {
        Columns {
            time: (Column::At(0), TimeUnit::Seconds),
            operation: Column::At(3),
            offset: (Column::At(1), 512),
            bytes: (Column::At(2), 512),
            took: None,
            device: vec![Column::At(4)],
            fields: Some(5),
        }
    }

    /// Reads a description such as `time=Timestamp:us,op=Type,offset=Offset:sectors,bytes=Size`.
    ///
    /// # Errors
    /// If something is unknown, missing or there twice.
    pub fn parse(text: &str) -> Result<Columns, ColumnsError> {
        let wrong = |what: String| ColumnsError { what };
        let mut found: Vec<(&str, Column, &str)> = Vec::new();
        for part in text.split(',') {
            let (key, column) = part
                .split_once('=')
                .ok_or_else(|| wrong(format!("{part:?} is not of the form key=column")))?;
            let (name, unit) = column.rsplit_once(':').unwrap_or((column, ""));
            if !["time", "op", "offset", "bytes", "took", "device"].contains(&key) {
                return Err(wrong(format!("{key:?} is not known")));
            }
            if found.iter().any(|(known, _, _)| *known == key) {
                return Err(wrong(format!("{key} is there twice")));
            }
            found.push((key, Column::Named(name.to_owned()), unit));
        }
        let get = |key: &str| found.iter().find(|(known, _, _)| *known == key);
        let need = |key: &str| get(key).ok_or_else(|| wrong(format!("{key} is missing")));
        let time = |(key, column, unit): &(&str, Column, &str)| {
            TimeUnit::of(unit)
                .map(|unit| (column.clone(), unit))
                .ok_or_else(|| wrong(format!("the unit {unit:?} of {key} is not a time's")))
        };
        let size = |(key, column, unit): &(&str, Column, &str)| {
            let worth = match *unit {
                "" | "B" => 1,
                "sectors" => 512,
                "KiB" => 1024,
                "pages" => 4096,
                _ => return Err(wrong(format!("the unit {unit:?} of {key} is not a size's"))),
            };
            Ok((column.clone(), worth))
        };
        Ok(Columns {
            time: time(need("time")?)?,
            operation: need("op")?.1.clone(),
            offset: size(need("offset")?)?,
            bytes: size(need("bytes")?)?,
            took: get("took").map(time).transpose()?,
            device: get("device")
                .map(|found| found.1.clone())
                .into_iter()
                .collect(),
            fields: None,
        })
    }
}

/// Columns by place.
struct Places {
    separator: char,
    time: usize,
    operation: usize,
    offset: usize,
    bytes: usize,
    took: Option<usize>,
    device: Vec<usize>,
    /// Fields that a line has.
    fields: usize,
}

impl Places {
    fn reads(&self, column: usize) -> bool {
        let needed = [self.time, self.operation, self.offset, self.bytes];
        let more = self.device.iter().chain(&self.took);
        needed.iter().chain(more).any(|read| *read == column)
    }
}

/// Reads the lines of one table.
pub(super) struct Table {
    columns: Columns,
    places: Option<Places>,
    pub(super) devices: Devices,
    /// Columns that the head names and nobody asked for.
    pub(super) unread: Vec<String>,
}

impl Table {
    pub(super) fn new(columns: Columns, devices: Devices) -> Table {
        Table {
            columns,
            places: None,
            devices,
            unread: Vec::new(),
        }
    }

    pub(super) fn line(&mut self, text: &str, out: &mut Vec<Parsed>) -> Result<(), Skip> {
        if text.trim().is_empty() {
            return Err(Skip::Form("an empty line"));
        }
        let Some(places) = &self.places else {
            let (places, unread) = self.columns.places(text).map_err(Skip::Wrong)?;
            self.places = Some(places);
            self.unread = unread;
            if self.columns.fields.is_none() {
                return Err(Skip::Form("the head of the table"));
            }
            return self.line(text, out);
        };
        let mut fields = [""; FIELDS_MAX];
        let mut count = 0;
        let outcome = fields::part(text, places.separator, |field| {
            if let Some(place) = fields.get_mut(count) {
                *place = field;
            }
            count += 1;
        });
        outcome.map_err(|broken| Skip::Bad(broken.what))?;
        if count < places.fields {
            return Err(Skip::Bad("it has too few fields"));
        }
        if count > places.fields {
            return Err(Skip::Bad("it has more fields than there are columns"));
        }
        match places.device[..] {
            [] => {}
            [only] => self.devices.note(fields[only]),
            _ => {
                let parts: Vec<&str> = places.device.iter().map(|at| fields[*at]).collect();
                self.devices.note(&parts.join("."));
            }
        }
        let parsed = self.columns.request(places, &fields)?;
        out.push(parsed);
        Ok(())
    }
}

/// Columns that a table may have.
const FIELDS_MAX: usize = 64;

impl Columns {
    /// Where the columns are, by the first line of a table, and which of its names are of no use; or why
    /// it is none of this kind.
    fn places(&self, head: &str) -> Result<(Places, Vec<String>), String> {
        let separator = [',', ';', '\t'].into_iter().find(|c| head.contains(*c));
        let separator =
            separator.ok_or("its first line is parted by no comma, semicolon or tab")?;
        let mut names = Vec::new();
        fields::part(head, separator, |name| names.push(name))
            .map_err(|broken| format!("its first line: {broken}"))?;
        let fields = self.fields.unwrap_or(names.len());
        if fields > FIELDS_MAX {
            return Err(format!("it has {fields} columns, more than {FIELDS_MAX}"));
        }
        let place = |column: &Column| match column {
            Column::At(at) => Ok(*at),
            Column::Named(name) => only(&names, name),
        };
        let took = self.took.as_ref();
        let places = Places {
            separator,
            time: place(&self.time.0)?,
            operation: place(&self.operation)?,
            offset: place(&self.offset.0)?,
            bytes: place(&self.bytes.0)?,
            took: took.map(|(column, _)| place(column)).transpose()?,
            device: self.device.iter().map(place).collect::<Result<_, _>>()?,
            fields,
        };
        let has_head = self.fields.is_none();
        let unread = names
            .iter()
            .enumerate()
            .filter(|(at, _)| has_head && !places.reads(*at));
        let unread = unread.map(|(_, name)| (*name).to_owned()).collect();
        Ok((places, unread))
    }

    fn request(&self, places: &Places, fields: &[&str]) -> Result<Parsed, Skip> {
        let at_ns = self.time.1.read(fields[places.time]);
        let at_ns = at_ns.ok_or(Skip::Bad("its time is not a number in range"))?;
        let operation = operation(fields[places.operation]);
        let operation = operation.ok_or(Skip::Bad("its operation is not known"))?;
        let took_ns = match (places.took, &self.took) {
            (Some(place), Some((_, unit))) => {
                let took = unit.read(fields[place]);
                Some(took.ok_or(Skip::Bad("how long it took is not a number in range"))?)
            }
            _ => None,
        };
        if operation == Operation::Flush {
            return Ok(Parsed {
                at_ns,
                operation,
                offset: 0,
                bytes: 0,
                took_ns,
            });
        }
        let size = |place: usize, worth: u64| match worth {
            1 => whole_number(fields[place]),
            _ => decimal(fields[place], worth),
        };
        let offset = size(places.offset, self.offset.1);
        let bytes = size(places.bytes, self.bytes.1);
        Ok(Parsed {
            at_ns,
            operation,
            offset: offset.ok_or(Skip::Bad("its offset is not a number in range"))?,
            bytes: bytes.ok_or(Skip::Bad("its size is not a number in range"))?,
            took_ns,
        })
    }
}

/// The column of this name.
fn only(names: &[&str], name: &str) -> Result<usize, String> {
    let mut places = names.iter().zip(1..).filter(|(known, _)| **known == name);
    let first: Option<(_, usize)> = places.next();
    match (first, places.next()) {
        (Some((_, column)), None) => Ok(column - 1),
        (Some((_, first)), Some((_, second))) => Err(format!(
            "its first line names {name:?} twice, as column {first} and column {second}"
        )),
        (None, _) => Err(format!(
            "its first line names no column {name:?}, but {}",
            names.join(", ")
        )),
    }
}

fn operation(word: &str) -> Option<Operation> {
    let is = |words: &[&str]| words.iter().any(|known| word.eq_ignore_ascii_case(known));
    if is(&["read", "r", "rs", "0"]) {
        Some(Operation::Read)
    } else if is(&["write", "w", "ws", "1"]) {
        Some(Operation::Write { fua: false })
    } else if is(&["fua-write", "wf", "wfs"]) {
        Some(Operation::Write { fua: true })
    } else if is(&["trim", "discard", "unmap", "t", "d"]) {
        Some(Operation::Trim)
    } else if is(&["flush", "sync", "fsync", "f"]) {
        Some(Operation::Flush)
    } else if is(&["zero", "write-zeroes", "z"]) {
        Some(Operation::WriteZeroes {
            fua: false,
            may_deallocate: true,
        })
    } else {
        None
    }
}

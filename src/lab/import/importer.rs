//! Owns the way of a trace from lines to a recording.
//!
//! Line by line: what stands in it, its turn by time, its hidden place, its row. A line without sense is
//! counted and passed over, or ends the import, as was chosen; what is left of the file then is whole.

use std::io::Write;

use super::blkparse::{Blkparse, Event};
use super::devices::Devices;
use super::error::ImportError;
use super::fio::FioLog;
use super::hide::{Hide, Places};
use super::lines::{Line, Lines};
use super::number::TimeUnit;
use super::order::Order;
use super::report::{BadLine, Gatherer, Parsed, Report, Skip};
use super::table::{Columns, Table};
use crate::drive::request::{Breakdown, Completion, Operation};
use crate::host::recorder::Answered;
use crate::lab::recording::{RecordingWriter, TOOK, Took};
use crate::medium::movement::RequestId;
use crate::time::{Duration, Instant};
use crate::units::{count, counted};

/// What a trace looks like.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Format {
    /// The default text of blkparse.
    Blkparse(Event),
    /// fio's I/O log, version 2 or 3, times in this unit.
    FioLog(TimeUnit),
    /// A table.
    Table(Columns),
}

/// What happens at a line that makes no sense.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum BadLines {
    /// It is counted and passed over.
    Skip,
    /// The import ends.
    Stop,
}

/// How a trace is imported.
#[derive(Clone, Debug)]
pub struct Options {
    /// What it looks like.
    pub format: Format,
    /// Of which drive, where it names several; the first where not given.
    pub device: Option<String>,
    /// What happens at a line that makes no sense.
    pub bad_lines: BadLines,
    /// How many of them are shown.
    pub bad_shown: usize,
    /// Whether and how offsets are hidden.
    pub hide: Option<Hide>,
}

enum Parser {
    Blkparse(Blkparse),
    FioLog(FioLog),
    Table(Box<Table>),
}

/// Imports the trace in `lines` into a recording.
///
/// # Errors
/// See [`ImportError`]; the recording is not whole then.
pub fn import<W: Write + Send>(
    lines: &mut Lines,
    options: &Options,
    to: RecordingWriter<W>,
) -> Result<Report, ImportError> {
    let hide = match options.hide {
        Some(hide) => {
            let places = Places::new(hide);
            Some(places.ok_or(ImportError::Pieces {
                drive_bytes: hide.drive_bytes,
                piece_bytes: hide.piece_bytes,
            })?)
        }
        None => None,
    };
    let devices = Devices::new(options.device.clone());
    let mut importer = Importer {
        parser: match &options.format {
            Format::Blkparse(event) => Parser::Blkparse(Blkparse::new(*event, devices)),
            Format::FioLog(unit) => Parser::FioLog(FioLog::new(*unit, devices)),
            Format::Table(columns) => Parser::Table(Box::new(Table::new(columns.clone(), devices))),
        },
        options,
        order: Order::default(),
        hide,
        gatherer: Gatherer::new(),
        said: Report::default(),
        sense: false,
        first_ns: None,
        begin_ns: None,
        rows: Vec::with_capacity(ROWS),
        written: 0,
        to,
    };
    importer.read(lines)?;
    importer.finish()
}

/// Rows that are written together.
const ROWS: usize = 1024;
/// Most bytes of a request that carries data.
const BYTES_MAX: u64 = 1 << 30;
/// Beyond any drive.
const END_MAX: u64 = 1 << 60;
/// Longest time of a request: a day.
const TOOK_MAX_NS: u64 = 86_400_000_000_000;
/// No request is further from the first one read: so that a recording can hold all times.
const FROM_FIRST_MAX_NS: u64 = 50 * 365 * 86_400_000_000_000;
const TEXT_SHOWN: usize = 100;
const ELSEWHERE: Skip = Skip::Aside("of another drive");
/// So much without a line that makes sense is no trace.
pub(super) const SENSELESS_BYTES_MAX: u64 = 1 << 26;

struct Importer<'o, W: Write + Send> {
    parser: Parser,
    options: &'o Options,
    order: Order,
    hide: Option<Places>,
    gatherer: Gatherer,
    /// What is said of lines.
    said: Report,
    /// Whether any line made sense.
    sense: bool,
    /// When the first request that was read came.
    first_ns: Option<u64>,
    /// When the first one by time came.
    begin_ns: Option<u64>,
    rows: Vec<Answered>,
    written: u64,
    to: RecordingWriter<W>,
}

impl<W: Write + Send> Importer<'_, W> {
    fn read(&mut self, lines: &mut Lines) -> Result<(), ImportError> {
        let mut found = Vec::new();
        loop {
            let line = self.said.lines;
            let next = lines.next();
            let next = next.map_err(|source| ImportError::Read { line, source })?;
            let Some((number, line)) = next else {
                return Ok(());
            };
            self.said.lines = number;
            found.clear();
            self.parser.devices_mut().begin_line();
            let (text, outcome) = match line {
                Line::Text(text) => (text, self.parser.line(text, &mut found)),
                Line::TooLong => ("", Err(Skip::Bad("longer than 64 KiB"))),
                Line::Endless => return Err(ImportError::Endless { line: number }),
            };
            let outcome = outcome.and_then(|()| self.settle(&mut found));
            if let Err(skip) = outcome {
                let skip = match skip {
                    // Nobody asked for it, whatever is wrong with it.
                    Skip::Bad(_) if !self.parser.devices_mut().is_wanted() => ELSEWHERE,
                    skip => skip,
                };
                self.note(number, text, skip)?;
                if !self.sense && lines.taken() > SENSELESS_BYTES_MAX {
                    return Err(ImportError::Senseless {
                        lines: number,
                        first_bad: std::mem::take(&mut self.said.first_bad),
                    });
                }
                continue;
            }
            self.sense = true;
            for parsed in found.drain(..) {
                if let Some(next) = self.order.take(parsed) {
                    self.write(&next)?;
                }
            }
        }
    }

    /// Requests as they will be in the recording, if they make sense and are of the drive that is taken.
    fn settle(&mut self, found: &mut [Parsed]) -> Result<(), Skip> {
        found.iter().try_for_each(sensible)?;
        let wanted = self.parser.devices_mut().is_wanted();
        // What other drives have for times is nothing to this one.
        for parsed in found.iter().filter(|_| wanted) {
            let first_ns = *self.first_ns.get_or_insert(parsed.at_ns);
            if parsed.at_ns.abs_diff(first_ns) > FROM_FIRST_MAX_NS {
                return Err(Skip::Bad("a time more than 50 years from the first"));
            }
        }
        // The size that was given is that of the drive that is taken.
        if let Some(places) = self.hide.as_ref().filter(|_| wanted) {
            for parsed in found.iter_mut().filter(|p| p.operation != Operation::Flush) {
                let place = places.place(parsed.offset, parsed.bytes);
                let beyond = Skip::Bad("beyond the size of the drive that was given");
                parsed.offset = place.ok_or(beyond)?;
            }
        }
        self.parser.devices_mut().count(count(found.len()));
        if wanted { Ok(()) } else { Err(ELSEWHERE) }
    }

    fn note(&mut self, line: u64, text: &str, skip: Skip) -> Result<(), ImportError> {
        let why = match skip {
            Skip::Aside(what) | Skip::Form(what) => {
                self.sense |= matches!(skip, Skip::Aside(_));
                *self.said.aside.entry(what).or_default() += 1;
                return Ok(());
            }
            Skip::Wrong(why) => return Err(ImportError::OtherText { line, why }),
            Skip::Bad(why) => why,
        };
        *self.said.bad.entry(why).or_default() += 1;
        let bad = || BadLine {
            line,
            why,
            text: text.chars().take(TEXT_SHOWN).collect(),
        };
        if self.options.bad_lines == BadLines::Stop {
            return Err(ImportError::BadLine(bad()));
        }
        if self.said.first_bad.len() < self.options.bad_shown {
            self.said.first_bad.push(bad());
        }
        Ok(())
    }

    fn write(&mut self, request: &Parsed) -> Result<(), ImportError> {
        self.gatherer.take(request);
        let begin = *self.begin_ns.get_or_insert(request.at_ns);
        self.written += 1;
        let arrived = Instant(request.at_ns - begin);
        let took = Duration(request.took_ns.unwrap_or(0).min(TOOK_MAX_NS));
        self.rows.push(Answered {
            completion: Completion {
                request: RequestId(self.written),
                operation: request.operation,
                offset: request.offset,
                bytes: request.bytes,
                arrived,
                due: arrived + took,
                needs: None,
                breakdown: Breakdown::default(),
                behind: None,
                room_by: None,
                missed_by: None,
                failing: None,
            },
            lag: Duration::ZERO,
        });
        if self.rows.len() == ROWS {
            self.to.take(&self.rows)?;
            self.rows.clear();
        }
        Ok(())
    }

    fn finish(mut self) -> Result<Report, ImportError> {
        while let Some(next) = self.order.next() {
            self.write(&next)?;
        }
        self.to.take(&self.rows)?;
        if self.written == 0 {
            let (drives, drive) = self.parser.devices().finish();
            return Err(ImportError::Empty {
                lines: self.said.lines,
                drive,
                drives: drives.into_iter().map(|(name, _)| name).collect(),
                first_bad: self.said.first_bad,
            });
        }
        let mut report = self.gatherer.finish();
        let took = if report.answers_known {
            Took::Whole
        } else {
            Took::Unknown
        };
        let mark = took.mark().map(|mark| (TOOK, mark.to_owned()));
        self.to.finish_with(mark.as_slice())?;
        report.lines = self.said.lines;
        report.aside = self.said.aside;
        report.bad = self.said.bad;
        report.first_bad = self.said.first_bad;
        report.warnings = warnings(&report, &self.order, &self.parser);
        if let Parser::Table(table) = &mut self.parser {
            report.columns_unread = std::mem::take(&mut table.unread);
        }
        (report.drives, report.drive) = self.parser.devices().finish();
        Ok(report)
    }
}

/// Insists that a request is one that a drive could be given.
fn sensible(request: &Parsed) -> Result<(), Skip> {
    if request.operation == Operation::Flush {
        return Ok(());
    }
    let carries = !matches!(
        request.operation,
        Operation::Trim | Operation::WriteZeroes { .. }
    );
    if request.bytes == 0 {
        return Err(Skip::Bad("a request for no bytes"));
    }
    if carries && request.bytes > BYTES_MAX {
        return Err(Skip::Bad("a request for more than 1 GiB"));
    }
    let end = request.offset.checked_add(request.bytes);
    if end.is_none_or(|end| end > END_MAX) {
        return Err(Skip::Bad("an offset beyond all bounds"));
    }
    Ok(())
}

impl Parser {
    fn line(&mut self, text: &str, out: &mut Vec<Parsed>) -> Result<(), Skip> {
        match self {
            Parser::Blkparse(parser) => parser.line(text, out),
            Parser::FioLog(parser) => parser.line(text, out),
            Parser::Table(parser) => parser.line(text, out),
        }
    }

    fn devices_mut(&mut self) -> &mut Devices {
        match self {
            Parser::Blkparse(parser) => &mut parser.devices,
            Parser::FioLog(parser) => &mut parser.devices,
            Parser::Table(parser) => &mut parser.devices,
        }
    }

    fn devices(self) -> Devices {
        match self {
            Parser::Blkparse(parser) => parser.devices,
            Parser::FioLog(parser) => parser.devices,
            Parser::Table(parser) => parser.devices,
        }
    }
}

fn warnings(report: &Report, order: &Order, parser: &Parser) -> Vec<String> {
    /// More than one drive is ever asked for.
    const PER_S_MAX: u128 = 50_000;
    /// Seldom enough to be wrong.
    const GAP_S_MAX: u128 = 1_000;
    /// Fewer say nothing of the unit.
    const ENOUGH: u64 = 10;
    let mut warnings = Vec::new();
    if matches!(parser, Parser::FioLog(log) if !log.has_times()) {
        let what = "the log says no times (version 2 without waits): all requests come at once; \
                    replay it with --keep think-times";
        warnings.push(what.to_owned());
    } else if report.requests >= ENOUGH {
        let requests = u128::from(report.requests);
        let ns = u128::from(report.span_ns).max(1);
        let per_s = requests * 1_000_000_000 / ns;
        let gap_s = ns / requests / 1_000_000_000;
        if per_s > PER_S_MAX {
            warnings.push(format!(
                "{per_s} requests a second: is the unit of the times larger than was said?"
            ));
        } else if gap_s > GAP_S_MAX {
            warnings.push(format!(
                "a request every {gap_s} s: is the unit of the times smaller than was said?"
            ));
        }
    }
    if order.turned > 0 {
        warnings.push(format!(
            "{} behind later ones, put in order of time; {} of them by more than can be put right, and \
             these follow at once",
            counted(order.turned, "line"), order.late
        ));
    }
    warnings
}

//! Owns the way from the bytes of an image to a running translation: the ordinary way to open one.
//!
//! Recovery = the newest valid full map, its deltas, and the journal records after them, up to the
//! first that is torn. It reads only; it may run any number of times. What is damaged although a
//! record says that it was durable is an error, not an end of the journal.

use std::collections::BTreeSet;
use std::io;

use super::change::Change;
use super::codec::error::RecordError;
use super::codec::map_record::{MapHeader, MapRecord, decode_map, peek_map_sectors};
use super::codec::map_state::MapState;
use super::codec::record::{JournalHeader, JournalRecord, decode_journal, peek_sectors};
use super::journal::Journal;
use super::keeper::{Parts, Touched, Translation};
use super::map_area::MapArea;
use super::state::{Source, State, band_range};
use crate::extent::PbaExtent;
use crate::medium::layout::Layout;
use crate::medium::store::Store;
use crate::profile::{Profile, Staging};
use crate::units::{BandId, Pba, SECTOR_BYTES, Sectors, count, index};

/// Why an image cannot be opened.
#[derive(Debug, thiserror::Error)]
pub enum RecoveryError {
    /// The backing store failed.
    #[error("sectors {at}..{end} of the image cannot be read", end = .at.0 + .sectors.0)]
    Read {
        /// First sector.
        at: Pba,
        /// How many.
        sectors: Sectors,
        /// What the store says.
        source: io::Error,
    },
    /// Neither half of the map area holds a map.
    #[error("neither map of the image can be used: {first}; {second}")]
    NoMap {
        /// What is wrong with the first half.
        first: Box<RecordError>,
        /// What is wrong with the second half.
        second: Box<RecordError>,
    },
    /// A record is damaged although a later one says that it was durable.
    #[error("the image is damaged: record {sequence} at sector {at} was durable, but {what}")]
    Damaged {
        /// Number of the record.
        sequence: u64,
        /// Where it should be.
        at: Pba,
        /// What was found.
        what: String,
    },
    /// A map or record says something that does not fit the image's profile.
    #[error("the image is damaged: {what}")]
    Impossible {
        /// What.
        what: String,
    },
}

/// What recovery found, for people.
#[derive(Clone, Debug, Default, PartialEq, Eq, serde::Serialize)]
pub struct Report {
    /// Never opened before.
    pub fresh: bool,
    /// Times the image was opened before.
    pub epoch: u64,
    /// Generation of the map that was used.
    pub generation: u64,
    /// Deltas applied after the full map.
    pub deltas: u64,
    /// Newest record that the map covers.
    pub map_sequence: u64,
    /// Journal records replayed after it.
    pub replayed: u64,
    /// Newest record.
    pub sequence: u64,
    /// Why the journal ended where it did, when it was not at a blank or older sector.
    pub torn: Option<String>,
    /// What is wrong with the other half of the map area, when it is not blank.
    pub unusable_map: Option<String>,
}

/// A recovered translation.
#[derive(Clone, Debug)]
pub struct Recovered {
    /// Ready to plan; a map must be written before anything else ([`Translation::settle_open`]).
    pub translation: Translation,
    /// What was found.
    pub report: Report,
    /// How much of each band is written, for the guard.
    pub written: Vec<(BandId, Sectors)>,
}

/// Opens the translation that `store` holds.
pub fn recover(
    profile: &Profile,
    staging: &Staging,
    layout: &Layout,
    store: &dyn Store,
) -> Result<Recovered, RecoveryError> {
    let reader = Reader { layout, store };
    let (half, root, unusable) = match reader.newest_map()? {
        Roots::Blank => return Ok(fresh(profile, staging, layout, true)),
        Roots::Found {
            half,
            root,
            unusable,
        } => (half, root, unusable),
    };
    let mut report = Report {
        generation: root.header.generation,
        unusable_map: unusable.map(|error| error.to_string()),
        ..Report::default()
    };
    let mut state = State::restore(layout, profile.drive.formatted, &root.state)
        .map_err(|what| RecoveryError::Impossible { what })?;
    let floor = Sectors(
        u64::from(staging.merge_tracks)
            * u64::from(layout.band(layout.map_half(half)).sectors_per_track),
    );
    let covered = reader.apply_deltas(half, &root, floor, &mut state, &mut report)?;
    report.epoch = covered.epoch;
    report.map_sequence = covered.sequence;
    let end = reader.replay(&covered, &mut state, &mut report)?;
    report.sequence = end.sequence;
    let journal = Journal::resume(layout.journal(), end.at, end.sequence, covered.epoch + 1);
    let maps = MapArea::new(layout, staging.merge_tracks, half, root.header.generation);
    let written = state.written_bands(layout);
    let parts = Parts {
        state,
        journal,
        maps,
        touched: Touched::Unknown,
    };
    let translation = Translation::assemble(profile, staging, layout.clone(), parts, true);
    Ok(Recovered {
        translation,
        report,
        written,
    })
}

/// A translation as the factory left it. `render`: whether its records are rendered for a mover.
pub fn fresh(profile: &Profile, staging: &Staging, layout: &Layout, render: bool) -> Recovered {
    let state = State::new(layout, profile.drive.formatted);
    let journal = Journal::resume(layout.journal(), layout.journal().start, 0, 1);
    let maps = MapArea::new(layout, staging.merge_tracks, 1, 0);
    // The home bands of a formatted drive hold something that no pass has written.
    let touched = if profile.drive.formatted {
        Touched::Unknown
    } else {
        Touched::These(BTreeSet::new())
    };
    let parts = Parts {
        state,
        journal,
        maps,
        touched,
    };
    let translation = Translation::assemble(profile, staging, layout.clone(), parts, render);
    Recovered {
        translation,
        report: Report {
            fresh: true,
            ..Report::default()
        },
        written: Vec::new(),
    }
}

/// Where the journal ends.
struct End {
    at: Pba,
    sequence: u64,
}

struct Root {
    header: MapHeader,
    state: MapState,
    sectors: Sectors,
}

#[allow(clippy::large_enum_variant)] // one value, for the length of a match
enum Roots {
    Blank,
    Found {
        half: usize,
        root: Root,
        unusable: Option<RecordError>,
    },
}

struct Reader<'a> {
    layout: &'a Layout,
    store: &'a dyn Store,
}

impl Reader<'_> {
    fn read(&self, at: Pba, sectors: Sectors) -> Result<Vec<u8>, RecoveryError> {
        let mut bytes = vec![0; index(sectors.bytes())];
        self.store
            .read_at(&mut bytes, at.0 * SECTOR_BYTES)
            .map_err(|source| RecoveryError::Read {
                at,
                sectors,
                source,
            })?;
        Ok(bytes)
    }

    fn newest_map(&self) -> Result<Roots, RecoveryError> {
        let [first, second] = [self.root(0)?, self.root(1)?];
        Ok(match (first, second) {
            (Ok(a), Ok(b)) if a.header.generation > b.header.generation => Roots::Found {
                half: 0,
                root: a,
                unusable: None,
            },
            (_, Ok(b)) if b.header.generation == 0 => {
                return Err(RecoveryError::Impossible {
                    what: "a map of generation 0".to_owned(),
                });
            }
            (Ok(_), Ok(b)) => Roots::Found {
                half: 1,
                root: b,
                unusable: None,
            },
            (Ok(a), Err(b)) => Roots::Found {
                half: 0,
                root: a,
                unusable: not_blank(b),
            },
            (Err(a), Ok(b)) => Roots::Found {
                half: 1,
                root: b,
                unusable: not_blank(a),
            },
            (Err(a), Err(b)) if is_blank(&a) && is_blank(&b) => Roots::Blank,
            (Err(first), Err(second)) => {
                let (first, second) = (Box::new(first), Box::new(second));
                return Err(RecoveryError::NoMap { first, second });
            }
        })
    }

    fn root(&self, half: usize) -> Result<Result<Root, RecordError>, RecoveryError> {
        let band = self.layout.band(self.layout.map_half(half));
        let (record, sectors) = match self.map_record(band.extent())? {
            Ok(found) => found,
            Err(error) => return Ok(Err(error)),
        };
        Ok(match record {
            MapRecord::Full { header, state } => Ok(Root {
                header,
                state,
                sectors,
            }),
            MapRecord::Delta { .. } => Err(RecordError::WrongKind {
                at: band.start,
                found: 0,
                expected: "a full map",
            }),
        })
    }

    /// The map record at the start of `range`, and its length.
    fn map_record(
        &self,
        range: PbaExtent,
    ) -> Result<Result<(MapRecord, Sectors), RecordError>, RecoveryError> {
        let head = self.read(range.start, Sectors(1))?;
        let sectors = match peek_map_sectors(&head, range.start) {
            Ok(sectors) => sectors.min(range.sectors),
            Err(error) => return Ok(Err(error)),
        };
        let bytes = self.read(range.start, sectors)?;
        Ok(decode_map(&bytes, range.start).map(|record| (record, sectors)))
    }

    /// Applies the deltas that follow the root; returns what the last map record says of itself.
    fn apply_deltas(
        &self,
        half: usize,
        root: &Root,
        floor: Sectors,
        state: &mut State,
        report: &mut Report,
    ) -> Result<MapHeader, RecoveryError> {
        let band = self.layout.band(self.layout.map_half(half));
        let mut covered = root.header;
        let mut next = root.sectors.max(floor).min(band.sectors);
        while next < band.sectors {
            let range = PbaExtent::new(band.start + next, band.sectors - next);
            let Ok((
                MapRecord::Delta {
                    header,
                    index,
                    changes,
                },
                sectors,
            )) = self.map_record(range)?
            else {
                break;
            };
            let follows = header.generation == root.header.generation
                && header.epoch == root.header.epoch
                && index == report.deltas;
            if !follows {
                break;
            }
            for change in &changes {
                state
                    .check(self.layout, change)
                    .map_err(|what| RecoveryError::Impossible { what })?;
                state.apply(self.layout, header.sequence, change);
            }
            report.deltas += 1;
            covered = header;
            next += sectors.max(floor);
        }
        Ok(covered)
    }

    /// Applies the journal records after `covered`.
    fn replay(
        &self,
        covered: &MapHeader,
        state: &mut State,
        report: &mut Report,
    ) -> Result<End, RecoveryError> {
        let (mut records, mut torn) = self.records_after(covered)?;
        let durable = records
            .iter()
            .map(|record| record.header.durable)
            .fold(covered.sequence, u64::max);
        let mut suspects = Vec::new();
        for (i, record) in records.iter().enumerate() {
            if record.header.sequence > durable
                && let Some(what) = self.torn_payload(record)?
            {
                suspects.push((i, what));
            }
        }
        // Payload that is not what its record says may be gone for good reason: a later record
        // freed its place, which was used again. It is torn only if it is still needed.
        while let Some(end) = suspects.last() {
            let mut tried = state.clone();
            self.apply_records(&records, &mut tried)?;
            let needed = suspects
                .iter()
                .find(|(i, _)| self.needs(&tried, &records[*i]));
            let Some((cut, what)) = needed.cloned() else {
                break;
            };
            debug_assert!(cut <= end.0, "suspects ascend");
            records.truncate(cut);
            suspects.retain(|(i, _)| *i < cut);
            torn = Some(what);
        }
        self.apply_records(&records, state)?;
        report.replayed = count(records.len());
        let journal = self.layout.journal();
        let last = records.last().map(|record| record.header);
        let mut end = last.map_or(
            End {
                at: covered.journal_position,
                sequence: covered.sequence,
            },
            |last| End {
                at: last.at + last.sectors,
                sequence: last.sequence,
            },
        );
        if end.at >= journal.end() {
            end.at = journal.start;
        }
        self.refuse_lost_records(covered.epoch, &end, torn.as_deref())?;
        report.torn = torn;
        Ok(end)
    }

    fn apply_records(
        &self,
        records: &[JournalRecord],
        state: &mut State,
    ) -> Result<(), RecoveryError> {
        for record in records {
            for change in &record.changes {
                state
                    .check(self.layout, change)
                    .map_err(|what| RecoveryError::Impossible { what })?;
                state.apply(self.layout, record.header.sequence, change);
            }
        }
        Ok(())
    }

    /// Whether something that the host can read lies in the payload of `record`.
    fn needs(&self, state: &State, record: &JournalRecord) -> bool {
        let spans: Vec<PbaExtent> = record
            .payload
            .iter()
            .filter(|span| span.bytes > 0)
            .map(|span| PbaExtent::new(span.at, Sectors(span.bytes / SECTOR_BYTES)))
            .collect();
        let ranges = record.changes.iter().flat_map(|change| match change {
            Change::Stage { extents, .. } => extents.clone(),
            Change::Append { band, from, upto }
            | Change::Divert {
                band, from, upto, ..
            } => band_range(self.layout, *band, *from, *upto)
                .into_iter()
                .collect(),
            Change::Trim { .. } | Change::Cleaned { .. } => Vec::new(),
        });
        ranges
            .flat_map(|range| state.locate(self.layout, range))
            .any(|(part, source)| match source {
                Source::Home(pba) | Source::Mapped(pba) => {
                    let there = PbaExtent::new(pba, part.sectors);
                    spans.iter().any(|span| span.intersect(&there).is_some())
                }
                Source::Nowhere => false,
            })
    }

    /// The consecutive records after `covered`, and what is wrong with the first that is not one.
    fn records_after(
        &self,
        covered: &MapHeader,
    ) -> Result<(Vec<JournalRecord>, Option<String>), RecoveryError> {
        let journal = self.layout.journal();
        let mut records: Vec<JournalRecord> = Vec::new();
        let mut at = covered.journal_position;
        if !journal.contains(at) {
            return Err(RecoveryError::Impossible {
                what: format!(
                    "the map says that the journal goes on at sector {at}, outside of it"
                ),
            });
        }
        loop {
            let expected = covered.sequence + 1 + count(records.len());
            let mut found = self.next_record(at, covered.epoch, expected)?;
            if found.is_err() && at != journal.start {
                found = self
                    .next_record(journal.start, covered.epoch, expected)?
                    .or(found);
            }
            let record = match found {
                Ok(record) => record,
                Err(why) => return Ok((records, why)),
            };
            at = record.header.at + record.header.sectors;
            if at >= journal.end() {
                at = journal.start;
            }
            records.push(record);
        }
    }

    /// The record at `at` if it is number `expected`; otherwise what is torn, if anything.
    fn next_record(
        &self,
        at: Pba,
        epoch: u64,
        expected: u64,
    ) -> Result<Result<JournalRecord, Option<String>>, RecoveryError> {
        let left = self.layout.journal().end() - at;
        let head = self.read(at, Sectors(1))?;
        let sectors = match peek_sectors(&head, at) {
            Ok(sectors) if sectors <= left => sectors,
            Ok(_) | Err(_) => return Ok(Err(None)),
        };
        let bytes = self.read(at, sectors)?;
        Ok(match decode_journal(&bytes, at) {
            Ok(record) if record.header.epoch == epoch && record.header.sequence == expected => {
                Ok(record)
            }
            Ok(_) => Err(None),
            Err(error) => Err(Some(error.to_string())),
        })
    }

    fn torn_payload(&self, record: &JournalRecord) -> Result<Option<String>, RecoveryError> {
        for span in &record.payload {
            let inside = span
                .at
                .0
                .checked_add(span.bytes / SECTOR_BYTES)
                .is_some_and(|end| end <= self.layout.total().0);
            if !inside {
                return Ok(Some(format!(
                    "record {} vouches for sectors past the image",
                    record.header.sequence
                )));
            }
            let computed = self.checksum(span.at, span.bytes)?;
            if computed != span.crc {
                let sequence = record.header.sequence;
                return Ok(Some(format!(
                    "the payload of record {sequence} at sector {} did not arrive whole",
                    span.at
                )));
            }
        }
        Ok(None)
    }

    fn checksum(&self, at: Pba, bytes: u64) -> Result<u32, RecoveryError> {
        const CHUNK: Sectors = Sectors(256);
        let mut crc = 0;
        let mut done = Sectors(0);
        let all = Sectors(bytes / SECTOR_BYTES);
        while done < all {
            let sectors = CHUNK.min(all - done);
            crc = crc32c::crc32c_append(crc, &self.read(at + done, sectors)?);
            done += sectors;
        }
        Ok(crc)
    }

    /// Looks through the whole journal for a record which shows that something past the end found was
    /// durable: one that says so, or one of a later opening, whose map must then be lost.
    fn refuse_lost_records(
        &self,
        epoch: u64,
        end: &End,
        torn: Option<&str>,
    ) -> Result<(), RecoveryError> {
        // Each opening makes its own map durable before its first record.
        let lost = |header: &JournalHeader| {
            header.epoch > epoch || (header.epoch == epoch && header.durable > end.sequence)
        };
        let journal = self.layout.journal();
        let mut at = journal.start;
        while at < journal.end() {
            let chunk = Sectors(256).min(journal.end() - at);
            let bytes = self.read(at, chunk)?;
            for (i, sector) in (0u64..).zip(bytes.chunks_exact(index(SECTOR_BYTES))) {
                let here = at + Sectors(i);
                let Ok(sectors) = peek_sectors(sector, here) else {
                    continue;
                };
                if sectors > journal.end() - here {
                    continue;
                }
                let Ok(record) = decode_journal(&self.read(here, sectors)?, here) else {
                    continue;
                };
                if lost(&record.header) {
                    let what = torn
                        .unwrap_or("it is not where the journal goes on")
                        .to_owned();
                    return Err(RecoveryError::Damaged {
                        sequence: end.sequence + 1,
                        at: end.at,
                        what,
                    });
                }
            }
            at = at + chunk;
        }
        Ok(())
    }
}

fn is_blank(error: &RecordError) -> bool {
    matches!(error, RecordError::NotARecord { found: 0, .. })
}

fn not_blank(error: RecordError) -> Option<RecordError> {
    (!is_blank(&error)).then_some(error)
}

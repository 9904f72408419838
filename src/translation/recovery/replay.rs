//! Owns the replay of the journal after the newest map: how far its records go, and whether they end
//! where a power cut may have left them.
//!
//! Always holds: a record that a later one calls durable is applied or the image is damaged; the end
//! of the journal is the first record that is torn and still needed.

use super::{Reader, RecoveryError, Report};
use crate::extent::PbaExtent;
use crate::translation::change::Change;
use crate::translation::codec::map_record::MapHeader;
use crate::translation::codec::record::{
    JournalHeader, JournalRecord, decode_journal, peek_sectors,
};
use crate::translation::state::{Source, State, band_range};
use crate::units::{Pba, SECTOR_BYTES, Sectors, count, index};

/// Where the journal ends.
pub(super) struct End {
    pub(super) at: Pba,
    pub(super) sequence: u64,
}

impl Reader<'_> {
    /// Applies the journal records after `covered`.
    pub(super) fn replay(
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
        let changes = records.iter().flat_map(|record| &record.changes);
        let entries = changes.filter(|change| matches!(change, Change::Stage { .. }));
        report.entries = count(entries.count());
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

//! Owns the check of a whole image: every structure, and on request every byte that is in use.
//!
//! It reads only. A finding is damage: no crash leaves it. A remark is something that a power cut
//! leaves too, and that the next opening repairs.
//!
//! What it does not check: what the host wrote. Sectors of the host carry no checksum, so bytes that
//! changed behind imbrex's back are found only where a journal record newer than the map still
//! vouches for them. Nor can it tell a consistent map from the right one.

use super::open::{self, OpenError, Opened};
use crate::extent::PbaExtent;
use crate::medium::area::BandKind;
use crate::medium::layout::Layout;
use crate::medium::store::Store;
use crate::translation::Translation;
use crate::translation::change::Change;
use crate::translation::codec::error::RecordError;
use crate::translation::codec::map_record::{MapRecord, decode_map, peek_map_sectors};
use crate::translation::codec::record::{JournalRecord, PayloadSpan, decode_journal, peek_sectors};
use crate::translation::recovery::Report;
use crate::units::{HomeBand, Pba, SECTOR_BYTES, Sectors, index};

/// Sectors read at a time.
const CHUNK: Sectors = Sectors(256);

/// Something that is not as it should be.
#[derive(Clone, Debug, PartialEq, Eq, serde::Serialize)]
pub struct Finding {
    /// Part of the image: superblock, map, journal, state, data.
    pub part: &'static str,
    /// What is wrong and where.
    pub what: String,
}

/// What a check found.
#[derive(Clone, Debug, PartialEq, Eq, serde::Serialize)]
pub struct CheckReport {
    /// Damage.
    pub findings: Vec<Finding>,
    /// What a power cut may have left.
    pub remarks: Vec<Finding>,
    /// What opening found.
    pub recovery: Report,
    /// Map deltas that are valid, in both halves.
    pub deltas: u64,
    /// Journal records of which the checksum is right, of any age.
    pub journal_records: u64,
    /// Bytes of data read; 0 unless asked for.
    pub data_bytes: u64,
    /// Journal records whose payload was compared with its checksum.
    pub payloads: u64,
}

impl CheckReport {
    /// Whether there is no damage.
    pub fn is_clean(&self) -> bool {
        self.findings.is_empty()
    }
}

/// Told how far reading the data is: bytes read so far and in all.
pub type Progress<'a> = dyn FnMut(u64, u64) + 'a;

/// Checks the image in `store`. `data`: called while the data is read; without, it is not.
///
/// # Errors
/// Where the image cannot be opened at all: that is damage too, or no image.
pub fn check(store: &dyn Store, data: Option<&mut Progress<'_>>) -> Result<CheckReport, OpenError> {
    let opened = open::open(store, true)?;
    let mut checker = Checker::new(store, &opened);
    if let Some(damaged) = &opened.damaged {
        let what = format!("{damaged}: {}", damaged.why);
        checker.damage("superblock", what);
    }
    let translation = opened.drive.translation();
    if let Some(translation) = translation {
        let layout = translation.layout();
        checker.check_maps(&opened, layout);
        let records = checker.check_journal(layout);
        checker.check_state(translation);
        if let Some(progress) = data {
            checker.check_payloads(translation, records);
            checker.read_data(&used_by_data(translation), progress);
        }
    } else if let Some(progress) = data {
        let layout = Layout::new(opened.drive.profile())?;
        checker.read_data(&places_of_conventional(&layout), progress);
    }
    Ok(checker.report)
}

struct Checker<'a> {
    store: &'a dyn Store,
    report: CheckReport,
}

impl<'a> Checker<'a> {
    fn new(store: &'a dyn Store, opened: &Opened) -> Checker<'a> {
        let report = CheckReport {
            findings: Vec::new(),
            remarks: Vec::new(),
            recovery: opened.report.clone(),
            deltas: 0,
            journal_records: 0,
            data_bytes: 0,
            payloads: 0,
        };
        Checker { store, report }
    }

    fn damage(&mut self, part: &'static str, what: String) {
        self.report.findings.push(Finding { part, what });
    }

    fn remark(&mut self, part: &'static str, what: String) {
        self.report.remarks.push(Finding { part, what });
    }

    /// Reads sectors; a failure is a finding.
    fn read(&mut self, part: &'static str, run: PbaExtent) -> Option<Vec<u8>> {
        let mut bytes = vec![0; index(run.sectors.bytes())];
        match self.store.read_at(&mut bytes, run.start.0 * SECTOR_BYTES) {
            Ok(()) => Some(bytes),
            Err(error) => {
                let end = run.end();
                self.damage(
                    part,
                    format!("sectors {}..{end} cannot be read: {error}", run.start),
                );
                None
            }
        }
    }

    fn check_maps(&mut self, opened: &Opened, layout: &Layout) {
        let merge_tracks = opened
            .drive
            .profile()
            .staging
            .as_ref()
            .map_or(0, |s| s.merge_tracks);
        for half in 0..2 {
            let band = layout.band(layout.map_half(half));
            let floor = Sectors(u64::from(merge_tracks) * u64::from(band.sectors_per_track));
            self.check_map_half(half, band.extent(), floor);
        }
    }

    fn check_map_half(&mut self, half: usize, band: PbaExtent, floor: Sectors) {
        let (mut at, mut expected) = (band.start, None);
        while let Some(left) = PbaExtent::between(at, band.end()) {
            let Some(found) = self.map_record(left) else {
                return;
            };
            let (record, sectors) = match found {
                Ok(found) => found,
                Err(RecordError::NotARecord { .. }) => return,
                Err(error) => {
                    let what = if expected.is_none() {
                        "the full map"
                    } else {
                        "a delta"
                    };
                    let what = format!("half {half}: {what} cannot be used: {error}");
                    return self.remark("map", what);
                }
            };
            expected = match (record, expected) {
                (MapRecord::Full { header, .. }, None) => {
                    Some((header.generation, header.epoch, 0))
                }
                (MapRecord::Delta { header, index, .. }, Some((generation, epoch, next)))
                    if (header.generation, header.epoch, index) == (generation, epoch, next) =>
                {
                    self.report.deltas += 1;
                    Some((generation, epoch, next + 1))
                }
                // Left over from an earlier use of the half.
                _ => return,
            };
            at = at + sectors.max(floor);
        }
    }

    fn map_record(
        &mut self,
        range: PbaExtent,
    ) -> Option<Result<(MapRecord, Sectors), RecordError>> {
        let head = self.read("map", PbaExtent::new(range.start, Sectors(1)))?;
        let sectors = match peek_map_sectors(&head, range.start) {
            Ok(sectors) => sectors.min(range.sectors),
            Err(error) => return Some(Err(error)),
        };
        let bytes = self.read("map", PbaExtent::new(range.start, sectors))?;
        Some(decode_map(&bytes, range.start).map(|record| (record, sectors)))
    }

    /// Counts the journal's records; returns those that the newest map does not cover.
    fn check_journal(&mut self, layout: &Layout) -> Vec<JournalRecord> {
        let report = self.report.recovery.clone();
        if let Some(torn) = &report.torn {
            self.remark(
                "journal",
                format!("it ends after record {}: {torn}", report.sequence),
            );
        }
        let journal = layout.journal();
        let mut newer = Vec::new();
        let mut latest = report.epoch;
        let mut at = journal.start;
        while at < journal.end() {
            let record = self.journal_record(at, journal.end());
            at = at
                + record
                    .as_ref()
                    .map_or(Sectors(1), |record| record.header.sectors);
            let Some(record) = record else { continue };
            self.report.journal_records += 1;
            latest = latest.max(record.header.epoch);
            let covered = report.map_sequence + 1..=report.sequence;
            if record.header.epoch == report.epoch && covered.contains(&record.header.sequence) {
                newer.push(record);
            }
        }
        if latest > report.epoch {
            // An opening writes its map, durable, before its first record.
            let what = format!(
                "the newest map that can be used is of opening {}, yet the journal has records of \
                 opening {latest}: what was written since is lost",
                report.epoch
            );
            self.damage("map", what);
        }
        newer.sort_by_key(|record| record.header.sequence);
        newer
    }

    fn journal_record(&mut self, at: Pba, end: Pba) -> Option<JournalRecord> {
        let head = self.read("journal", PbaExtent::new(at, Sectors(1)))?;
        let sectors = peek_sectors(&head, at)
            .ok()
            .filter(|sectors| *sectors <= end - at)?;
        let bytes = self.read("journal", PbaExtent::new(at, sectors))?;
        decode_journal(&bytes, at).ok()
    }

    fn check_state(&mut self, translation: &Translation) {
        for complaint in translation.state().audit(translation.layout()) {
            self.damage("state", format!("{}: {}", complaint.rule, complaint.what));
        }
    }

    /// Compares what log entries vouch for with its checksum, where none of it was replaced since.
    fn check_payloads(&mut self, translation: &Translation, records: Vec<JournalRecord>) {
        let mut live: Vec<(Pba, Pba)> = (translation.state().mapped())
            .map(|(extent, pba)| (pba, pba + extent.sectors))
            .collect();
        live.sort_unstable();
        let mut newest: Vec<(u64, PayloadSpan)> = Vec::new();
        for record in records {
            let staged = record
                .changes
                .iter()
                .any(|change| matches!(change, Change::Stage { .. }));
            for span in record.payload {
                // A later record over the same sectors: they were used again since.
                newest.retain(|(_, other)| apart(other, &span));
                if staged {
                    newest.push((record.header.sequence, span));
                }
            }
        }
        for (sequence, span) in newest {
            let run = extent_of(&span);
            let after = live.partition_point(|(_, end)| *end <= run.start);
            // A band with something live in it is never written anew, so all of the span stands.
            if live.get(after).is_some_and(|(start, _)| *start < run.end()) {
                self.check_payload(sequence, &span, run);
            }
        }
    }

    fn check_payload(&mut self, sequence: u64, span: &PayloadSpan, run: PbaExtent) {
        let Some(bytes) = self.read("data", run) else {
            return;
        };
        self.report.payloads += 1;
        let computed = crc32c::crc32c(&bytes);
        if computed != span.crc {
            let what = format!(
                "sectors {}..{} are not what record {sequence} vouches for: checksum {:#010x} in the \
                 record, {computed:#010x} over the bytes",
                run.start,
                run.end(),
                span.crc
            );
            self.damage("data", what);
        }
    }

    fn read_data(&mut self, places: &[PbaExtent], progress: &mut Progress<'_>) {
        let total: u64 = places.iter().map(|place| place.sectors.bytes()).sum();
        for place in places {
            let mut at = place.start;
            while at < place.end() {
                let chunk = PbaExtent::new(at, CHUNK.min(place.end() - at));
                if self.read("data", chunk).is_some() {
                    self.report.data_bytes += chunk.sectors.bytes();
                }
                progress(self.report.data_bytes, total);
                at = chunk.end();
            }
        }
    }
}

fn extent_of(span: &PayloadSpan) -> PbaExtent {
    PbaExtent::new(span.at, Sectors::holding(span.bytes))
}

fn apart(a: &PayloadSpan, b: &PayloadSpan) -> bool {
    extent_of(a).intersect(&extent_of(b)).is_none()
}

/// Staged sectors, and what is written of every home band that was ever touched.
fn used_by_data(translation: &Translation) -> Vec<PbaExtent> {
    let (state, layout) = (translation.state(), translation.layout());
    let mapped = state
        .mapped()
        .map(|(extent, pba)| PbaExtent::new(pba, extent.sectors));
    let mut places: Vec<PbaExtent> = mapped.collect();
    for (band, written) in state.written_bands(layout) {
        let band = layout.band(band);
        if band.kind == BandKind::Data {
            places.extend(PbaExtent::between(band.start, band.start + written));
        }
    }
    places.sort_unstable_by_key(|place| place.start);
    coalesced(&places)
}

/// Ascending runs that may overlap, without overlaps: mapped sectors of a pass are counted twice.
fn coalesced(places: &[PbaExtent]) -> Vec<PbaExtent> {
    let mut joined: Vec<PbaExtent> = Vec::new();
    for place in places {
        match joined.last_mut() {
            Some(last) if place.start <= last.end() => {
                last.sectors = last.end().max(place.end()) - last.start;
            }
            _ => joined.push(*place),
        }
    }
    joined
}

/// Every place of a conventional drive: it does not know which were written.
fn places_of_conventional(layout: &Layout) -> Vec<PbaExtent> {
    let homes = (0..layout.home_bands()).map(HomeBand);
    homes
        .map(|home| {
            let start = layout.band(layout.factory_place(home)).start;
            PbaExtent::new(start, layout.home_extent(home).sectors)
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use crate::drive::request::{Operation, Request};
    use crate::image::open;
    use crate::medium::movement::RequestId;
    use crate::profile::Profile;
    use crate::time::Instant;
    use crate::units::SECTOR_BYTES;

    /// What the host asks and how long it waits before, in milliseconds.
    fn asked() -> impl Strategy<Value = (Operation, u64, u64, u64)> {
        let operation = prop_oneof![
            4 => Just(Operation::Write { fua: false }),
            1 => Just(Operation::Write { fua: true }),
            1 => Just(Operation::Trim),
            1 => Just(Operation::Flush),
        ];
        (
            operation,
            0..2048u64,
            1..96u64,
            prop_oneof![4 => 0..50u64, 1 => 1000..3000u64],
        )
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(64))]
        #[test]
        fn the_state_of_a_working_drive_is_sound_at_every_moment(
            asked in prop::collection::vec(asked(), 1..60)
        ) {
            let text = Profile::built_in("tiny").expect("built in");
            let profile = Profile::from_toml("tiny", text).expect("valid");
            let mut drive = open::imagined(&profile).expect("it fits");
            let capacity = profile.drive.capacity_bytes;
            let mut now = Instant(0);
            for (number, (operation, lba, sectors, wait)) in (0u64..).zip(asked) {
                now = Instant(now.0 + wait * 1_000_000);
                let offset = lba * SECTOR_BYTES;
                let bytes = (sectors * SECTOR_BYTES).min(capacity - offset);
                let request = Request::new(RequestId(number), operation, offset, bytes, capacity);
                drive.submit(now, request.expect("in bounds"));
                prop_assert_eq!(drive.failure(), None);
                let translation = drive.translation().expect("shingled");
                prop_assert_eq!(translation.state().audit(translation.layout()), vec![]);
            }
        }
    }
}

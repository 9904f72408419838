//! Counts how often a run met each state that is worth meeting, by reading the records that the
//! drive writes. It decides nothing and checks nothing.

use std::collections::{BTreeMap, BTreeSet};
use std::ops::AddAssign;

use imbrex::drive::Drive;
use imbrex::drive::request::Status;
use imbrex::medium::movement::{Plan, Purpose, Record, Step};
use imbrex::translation::Translation;
use imbrex::translation::change::Change;
use imbrex::translation::codec::header::seal;
use imbrex::translation::codec::map_record::{MapRecord, decode_map};
use imbrex::translation::codec::record::decode_journal;
use imbrex::translation::recovery::Report;
use imbrex::units::{BandId, HomeBand, Pba};

/// States met, by name.
#[derive(Clone, Debug, Default)]
pub(crate) struct Tally(pub(crate) BTreeMap<&'static str, u64>);

impl Tally {
    pub(crate) fn add(&mut self, what: &'static str, times: u64) {
        *self.0.entry(what).or_insert(0) += times;
    }

    pub(crate) fn get(&self, what: &str) -> u64 {
        self.0.get(what).copied().unwrap_or(0)
    }
}

impl AddAssign for Tally {
    fn add_assign(&mut self, other: Tally) {
        for (what, times) in other.0 {
            self.add(what, times);
        }
    }
}

/// Reads along with one opening of a drive.
#[derive(Clone, Debug, Default)]
pub(crate) struct Observer {
    /// Where each band lies, as far as records told.
    places: BTreeMap<HomeBand, BandId>,
    /// Spares that take the place of a band, and whether a cleaning of this opening began it.
    passes: BTreeMap<HomeBand, (BandId, bool)>,
    staged_at: BTreeMap<usize, Pba>,
    record_at: Option<Pba>,
    staging_bands: BTreeSet<BandId>,
    verified: bool,
    cleaning: Option<u32>,
    cleaned: BTreeSet<u32>,
    foreground: u64,
    extents_short: bool,
}

impl Observer {
    /// A drive that was just opened.
    pub(crate) fn new(drive: &Drive, report: &Report, tally: &mut Tally) -> Observer {
        tally.add("records replayed", report.replayed);
        tally.add("torn tails", u64::from(report.torn.is_some()));
        tally.add("deltas read", report.deltas);
        tally.add(
            "unusable maps passed over",
            u64::from(report.unusable_map.is_some()),
        );
        let mut observer = Observer::default();
        if let Some(translation) = drive.translation() {
            let layout = translation.layout();
            for band in (0..layout.home_bands()).map(HomeBand) {
                let (place, _) = translation.state().home(layout, band);
                observer.places.insert(band, place);
                if let Some(pass) = translation.state().pass(band) {
                    observer.passes.insert(band, (pass.spare, false));
                }
            }
        }
        observer
    }

    /// Notes the snapshot after some work.
    pub(crate) fn status(&mut self, status: &Status, tally: &mut Tally) {
        if self.cleaning != status.cleaning_band {
            if let Some(former) = self.cleaning
                && !self.cleaned.remove(&former)
            {
                tally.add("cleanings given up", 1);
            }
            self.cleaning = status.cleaning_band;
        }
        self.cleaned.clear();
        let foreground = status.counters.bands_cleaned_foreground;
        let cleaned = foreground - self.foreground;
        let why = if self.extents_short {
            "foreground cleanings by extents"
        } else {
            "foreground cleanings by log"
        };
        tally.add(why, cleaned);
        self.foreground = foreground;
        self.extents_short = status.extents_used + 2 > status.extents;
    }

    /// Notes a plan.
    pub(crate) fn plan(&mut self, plan: &Plan, drive: &Drive, tally: &mut Tally) {
        let Some(translation) = drive.translation() else {
            return;
        };
        for step in &plan.steps {
            match step {
                Step::Record(record) if record.purpose == Purpose::MapMerge => {
                    match decode_map(&sealed(record), record.at) {
                        Ok(MapRecord::Full { .. }) => tally.add("full maps", 1),
                        Ok(MapRecord::Delta { .. }) => tally.add("delta maps", 1),
                        Err(error) => panic!("a map that nobody can read: {error}"),
                    }
                }
                Step::Record(record) => self.record(record, translation, tally),
                Step::Move(movement) if movement.purpose == Purpose::CleanVerify => {
                    self.verified = true;
                }
                _ => {}
            }
        }
    }

    fn record(&mut self, record: &Record, translation: &Translation, tally: &mut Tally) {
        let decoded = decode_journal(&sealed(record), record.at)
            .unwrap_or_else(|error| panic!("a record that nobody can read: {error}"));
        let wrapped = self.record_at.is_some_and(|at| record.at < at);
        tally.add("journal wraps", u64::from(wrapped));
        self.record_at = Some(record.at);
        for change in &decoded.changes {
            self.change(change, record.purpose, translation, tally);
        }
    }

    fn change(
        &mut self,
        change: &Change,
        purpose: Purpose,
        translation: &Translation,
        tally: &mut Tally,
    ) {
        let layout = translation.layout();
        match change {
            Change::Stage { at, .. } => {
                let band = layout.band_at(*at).expect("entries lie in bands");
                let mut regions = layout.regions().iter();
                let region = regions.position(|r| r.bands.contains(&band.0)).unwrap();
                let former = self.staged_at.insert(region, *at);
                let wrapped = former.is_some_and(|former| *at < former);
                tally.add("log wraps", u64::from(wrapped));
                let again = former.and_then(|f| layout.band_at(f)) != Some(band)
                    && !self.staging_bands.insert(band);
                tally.add("staging bands used again", u64::from(again));
            }
            Change::Append { .. } => tally.add("direct appends", 1),
            Change::Divert { band, spare, .. } => {
                let safe_copy = purpose == Purpose::CleanCopy;
                let what = if safe_copy {
                    "safe copies"
                } else {
                    "direct diverts"
                };
                tally.add(what, 1);
                self.passes.insert(*band, (*spare, safe_copy));
            }
            Change::Trim { extent } => {
                tally.add("trims", 1);
                let whole = |band: HomeBand| {
                    let home = layout.home_extent(band);
                    extent.intersect(&home) == Some(home)
                };
                self.passes.retain(|band, _| !whole(*band));
            }
            Change::Cleaned { band, at, keep, .. } => {
                tally.add(
                    "bands cleaned while written to",
                    u64::from(!keep.is_empty()),
                );
                self.cleaned.insert(band.0);
                let former = self.places.insert(*band, *at);
                let what = match self.passes.remove(band) {
                    _ if purpose == Purpose::Bypass => "direct diverts completed",
                    Some((spare, true)) if spare != *at => {
                        if std::mem::take(&mut self.verified) {
                            "cleaned with a safe copy read back"
                        } else {
                            "cleaned with a safe copy"
                        }
                    }
                    Some(_) => "cleaned by completing a pass",
                    None if former == Some(*at) => "cleaned in place",
                    None => "cleaned by swap",
                };
                tally.add(what, 1);
            }
        }
    }
}

fn sealed(record: &Record) -> Vec<u8> {
    let mut bytes = record.bytes.clone();
    seal(&mut bytes);
    bytes
}

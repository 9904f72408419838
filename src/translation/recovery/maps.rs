//! Owns finding the newest map of an image: which half holds it, and the deltas that follow it.
//!
//! It does not know the journal. A half that cannot be used is an answer here and not yet an error.

use super::{Reader, RecoveryError, Report};
use crate::extent::PbaExtent;
use crate::translation::codec::error::RecordError;
use crate::translation::codec::map_record::{MapHeader, MapRecord, decode_map, peek_map_sectors};
use crate::translation::codec::map_state::MapState;
use crate::translation::state::State;
use crate::units::Sectors;

/// A full map.
pub(super) struct Root {
    pub(super) header: MapHeader,
    pub(super) state: MapState,
    sectors: Sectors,
}

/// What the two halves of the map area hold.
#[allow(clippy::large_enum_variant)] // one value, for the length of a match
pub(super) enum Roots {
    Blank,
    Found {
        half: usize,
        root: Root,
        unusable: Option<RecordError>,
    },
}

impl Reader<'_> {
    pub(super) fn newest_map(&self) -> Result<Roots, RecoveryError> {
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
    pub(super) fn apply_deltas(
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
}

fn is_blank(error: &RecordError) -> bool {
    matches!(error, RecordError::NotARecord { found: 0, .. })
}

fn not_blank(error: RecordError) -> Option<RecordError> {
    (!is_blank(&error)).then_some(error)
}

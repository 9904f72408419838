//! Owns the arm: when a real drive would be done with a plan, and why it took that long.
//!
//! The answer is a function of the arm's place, the plan and the moment; the arm carries no bytes
//! and never refuses. Four rules beyond seek, rotation and transfer:
//! - A transfer that goes on where the one before ended, in the same direction, is one transfer: its
//!   track changes are covered by the skew, a write does not settle anew. The settling of a write is
//!   paid where the arm comes from elsewhere.
//! - Where the profile lets transfers start anywhere, a head that arrives over the sectors it wants
//!   of a track begins with the next of them; only what is read ahead passes in order.
//! - A log entry on quantised staging tracks begins anywhere on its track and lasts exactly as long
//!   as its sectors. Getting to the track after the last entry's is hidden in the out-of-band
//!   revolutions.
//! - The records of changes lie on no particular track: they cost revolutions and no move.

use crate::mechanics::geometry::{Skew, SkewRule, Spot};
use crate::mechanics::rotation::{Middle, Phase, Rotation};
use crate::mechanics::seek::SeekTimes;
use crate::medium::area::{Area, AreaKind};
use crate::medium::flash::Flash;
use crate::medium::layout::{Layout, TrackPlace};
use crate::medium::movement::{Plan, Purpose, Record, Step};
use crate::medium::timing::{Access, Target, Timing};
use crate::profile::{Profile, StagingMedium};
use crate::time::{Duration, Instant};
use crate::units::{Pba, Sectors};

/// The arm and its heads.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Arm {
    rotation: Rotation,
    seek: SeekTimes,
    head_switch: Duration,
    out_of_band: Duration,
    flash: Option<Flash>,
    /// Whether log entries begin anywhere on their track.
    entries_at_once: bool,
    /// Whether other transfers begin with whichever of their sectors on a track passes first.
    start_anywhere: bool,
    /// By area; `None` where there are no tracks.
    skews: Vec<Option<Skew>>,
    cylinder: u32,
    surface: u32,
    trail: Trail,
}

/// What the arm did last.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Trail {
    /// Nothing that anything could go on from.
    Cold,
    /// A transfer that ended before sector `next`.
    Transfer {
        /// The sector behind it.
        next: Pba,
        /// Whether it wrote.
        write: bool,
    },
    /// A log entry that ended before sector `next`.
    Entry {
        /// The sector behind it.
        next: Pba,
    },
}

impl Arm {
    /// The arm of a drive, at the outer diameter.
    pub fn new(profile: &Profile, layout: &Layout) -> Arm {
        let rotation = Rotation::new(profile.platters.rpm_milli);
        let seek = SeekTimes::new(&profile.platters);
        let head_switch = profile.platters.head_switch;
        let skew = |area: &Area| {
            area.on_tracks()
                .then(|| skew_of(area, layout.surfaces(), &rotation, &seek, head_switch))
        };
        let skews = layout.areas().iter().map(skew).collect();
        let (mut out_of_band, mut flash, mut entries_at_once) = (Duration::ZERO, None, false);
        match profile.staging.as_ref().map(|staging| staging.medium) {
            Some(StagingMedium::Disk {
                quanta_per_track,
                out_of_band_rev_milli,
                ..
            }) => {
                out_of_band = rotation.thousandths(out_of_band_rev_milli);
                entries_at_once = quanta_per_track > 0;
            }
            Some(StagingMedium::Flash {
                read_latency,
                write_latency,
                bytes_per_s,
            }) => flash = Some(Flash::new(read_latency, write_latency, bytes_per_s)),
            None => {}
        }
        Arm {
            rotation,
            seek,
            head_switch,
            out_of_band,
            flash,
            entries_at_once,
            start_anywhere: profile.platters.start_anywhere,
            skews,
            cylinder: 0,
            surface: 0,
            trail: Trail::Cold,
        }
    }

    /// Cylinder and surface where the arm is.
    pub fn spot(&self) -> (u32, u32) {
        (self.cylinder, self.surface)
    }

    /// Carries the arm through a plan that begins at `start`.
    pub fn run(&mut self, layout: &Layout, plan: &Plan, start: Instant) -> Timing {
        let mut timing = Timing::at(start);
        let mut at = 0;
        while let Some(step) = plan.steps.get(at) {
            at += 1;
            match step {
                Step::Order | Step::Barrier => {}
                Step::Record(record) => self.record(layout, record, &mut timing),
                Step::Move(movement) => {
                    let Some(target) = Target::of(movement) else {
                        continue;
                    };
                    let mut bytes = movement.bytes;
                    let access = if self.is_entry(layout, movement.purpose, &target) {
                        // All of the entry's movements up to its padding are one transfer.
                        let mut whole = target;
                        while let Some(more) = plan.steps.get(at).and_then(|s| whole.continued(s)) {
                            whole.sectors += more.sectors;
                            bytes += more.sectors.bytes();
                            at += 1;
                        }
                        self.entry(layout, timing.end, &whole)
                    } else {
                        self.access(layout, timing.end, target)
                    };
                    timing.add(movement.purpose, &access, bytes);
                }
            }
        }
        timing
    }

    /// Carries the arm through one transfer of `sectors` sectors from `pba` on.
    pub fn transfer(
        &mut self,
        layout: &Layout,
        start: Instant,
        pba: Pba,
        sectors: Sectors,
        write: bool,
    ) -> Access {
        let target = Target {
            pba,
            sectors,
            write,
            in_order: false,
        };
        self.access(layout, start, target)
    }

    /// How long it would take from `at` until sector `pba` begins to pass, without going there.
    pub fn positioning(&self, layout: &Layout, at: Instant, pba: Pba, write: bool) -> Duration {
        let Some(place) = layout.track_place(pba) else {
            return match (&self.flash, layout.area_at(pba).kind) {
                (Some(flash), AreaKind::Flash) => flash.latency(pba, write),
                _ => Duration::ZERO,
            };
        };
        let seek = self.approach(pba, &place.spot, write);
        let slot = self.slot(&place);
        let target = Phase::of_slot(slot, place.spot.sectors_per_track);
        seek + self.rotation.until(at + seek, target)
    }

    /// An access by the ordinary rules, wherever it goes.
    fn access(&mut self, layout: &Layout, start: Instant, target: Target) -> Access {
        if target.sectors.0 == 0 {
            return Access::none(start);
        }
        let area = layout.area_at(target.pba);
        match area.kind {
            AreaKind::System | AreaKind::Journal => Access::none(start),
            AreaKind::Flash => self.flash_access(start, &target),
            AreaKind::Map { .. } | AreaKind::Staging { .. } | AreaKind::Data => {
                self.pass(layout, start, target)
            }
        }
    }

    /// Passes over sectors of the platters, track by track.
    fn pass(&mut self, layout: &Layout, start: Instant, target: Target) -> Access {
        let mut access = Access::none(start);
        let (mut now, mut at, mut left) = (start, target.pba, target.sectors);
        let mut first = None;
        while left.0 > 0 {
            let place = layout
                .track_place(at)
                .expect("a transfer that began on tracks stays on them");
            let spot = place.spot;
            let sectors = left.min(place.left);
            let seek = self.approach(at, &spot, target.write);
            now += seek;
            let many = u32::try_from(sectors.0).expect("at most a track");
            let turn = self.turn(now, &place, many, target.in_order);
            first.get_or_insert(now + turn.wait);
            now += turn.wait + turn.gap + turn.transfer;
            access.seek += seek;
            access.rotation += turn.wait + turn.gap;
            access.transfer += turn.transfer;
            at = at + sectors;
            left = left - sectors;
            self.stand(
                &spot,
                Trail::Transfer {
                    next: at,
                    write: target.write,
                },
            );
        }
        access.first_sector_begins = first.unwrap_or(start);
        access.end = now;
        access
    }

    /// How sectors of a track pass, from their first on or, where that is allowed, from any.
    fn turn(&self, now: Instant, place: &TrackPlace, sectors: u32, in_order: bool) -> Middle {
        let (begin, per_track) = (self.slot(place), place.spot.sectors_per_track);
        let found = (self.start_anywhere && !in_order).then(|| {
            self.rotation
                .from_the_middle(now, begin, sectors, per_track)
        });
        found.flatten().unwrap_or_else(|| {
            let wait = self.rotation.until(now, Phase::of_slot(begin, per_track));
            let transfer = self.rotation.pass(now + wait, begin, sectors, per_track);
            Middle {
                wait,
                gap: Duration::ZERO,
                transfer,
            }
        })
    }

    fn flash_access(&mut self, start: Instant, target: &Target) -> Access {
        let flash = self.flash.as_mut();
        flash
            .expect("a flash area comes with flash")
            .access(start, target)
    }

    /// Whether a movement begins a log entry that starts anywhere on its track.
    fn is_entry(&self, layout: &Layout, purpose: Purpose, target: &Target) -> bool {
        self.entries_at_once
            && purpose == Purpose::Stage
            && target.write
            && matches!(layout.area_at(target.pba).kind, AreaKind::Staging { .. })
    }

    /// A log entry: no wait for rotation, and exactly its sectors.
    fn entry(&mut self, layout: &Layout, start: Instant, target: &Target) -> Access {
        let first = spot_of(layout, target.pba);
        let seek = match self.trail {
            // Hidden in the out-of-band revolutions of the entry before.
            Trail::Entry { next } if next == target.pba => Duration::ZERO,
            Trail::Entry { .. } if self.cylinder.abs_diff(first.cylinder) <= 1 => Duration::ZERO,
            _ => self.settled_move(&first, true),
        };
        let next = target.pba + target.sectors;
        let last = spot_of(layout, Pba(next.0 - 1));
        self.stand(&last, Trail::Entry { next });
        let transfer = self
            .rotation
            .sectors(target.sectors.0, first.sectors_per_track);
        Access::at_once(start, seek, transfer)
    }

    /// A record: out-of-band where it lies on no track, else a move there and the record at the
    /// full rate of the track.
    fn record(&mut self, layout: &Layout, record: &Record, timing: &mut Timing) {
        let bytes = record.sectors.bytes();
        let target = Target {
            pba: record.at,
            sectors: record.sectors,
            write: true,
            in_order: true,
        };
        match layout.area_at(record.at).kind {
            AreaKind::Journal if record.purpose == Purpose::OutOfBand => {
                timing.add_out_of_band(record.purpose, self.out_of_band, bytes);
            }
            AreaKind::System | AreaKind::Journal => {}
            AreaKind::Flash => {
                let access = self.flash_access(timing.end, &target);
                timing.add(record.purpose, &access, bytes);
            }
            AreaKind::Map { .. } | AreaKind::Staging { .. } | AreaKind::Data => {
                let first = spot_of(layout, record.at);
                let (cylinder, surface, trail) = (self.cylinder, self.surface, self.trail);
                let there = self.settled_move(&first, true);
                let next = record.at + record.sectors;
                let last = spot_of(layout, Pba(next.0 - 1));
                self.stand(&last, Trail::Cold);
                // The merge is over when the arm is back where the log goes on.
                let back = self.move_time(cylinder, surface);
                (self.cylinder, self.surface, self.trail) = (cylinder, surface, trail);
                let seek = there + back;
                let transfer = self
                    .rotation
                    .sectors(record.sectors.0, first.sectors_per_track);
                let access = Access::at_once(timing.end, seek, transfer);
                timing.add(record.purpose, &access, bytes);
            }
        }
    }

    /// Time to get to a track for an access that begins at `pba`.
    fn approach(&self, pba: Pba, spot: &Spot, write: bool) -> Duration {
        let going_on = self.trail == Trail::Transfer { next: pba, write };
        self.settled_move(spot, write && !going_on)
    }

    /// Time to get to a track: arm and head at once, the longer counts, then the settling.
    fn settled_move(&self, spot: &Spot, settle: bool) -> Duration {
        let time = self.move_time(spot.cylinder, spot.surface);
        if settle && time > Duration::ZERO {
            time + self.seek.write_settle()
        } else {
            time
        }
    }

    /// Time of arm and head to another place, at once: the longer counts.
    fn move_time(&self, cylinder: u32, surface: u32) -> Duration {
        let arm = self.seek.time(self.cylinder.abs_diff(cylinder));
        let head = if self.surface == surface {
            Duration::ZERO
        } else {
            self.head_switch
        };
        arm.max(head)
    }

    fn slot(&self, place: &TrackPlace) -> u32 {
        self.skews[place.area]
            .expect("an area on tracks has a skew")
            .slot(place.band_in_area, place.track, place.spot.sector)
    }

    fn stand(&mut self, spot: &Spot, trail: Trail) {
        self.cylinder = spot.cylinder;
        self.surface = spot.surface;
        self.trail = trail;
    }
}

fn spot_of(layout: &Layout, pba: Pba) -> Spot {
    layout
        .spot(pba)
        .expect("the caller knows it lies on tracks")
}

/// The skews of an area: what a transfer that goes on needs to change tracks and bands.
fn skew_of(
    area: &Area,
    surfaces: u32,
    rotation: &Rotation,
    seek: &SeekTimes,
    head_switch: Duration,
) -> Skew {
    let shape = &area.shape;
    let per_track = u64::from(shape.sectors_per_track);
    let last = shape.sectors.0 - u64::from(shape.tracks - 1) * per_track;
    let next_row = seek.time(shape.guard_tracks + 1);
    let band_change = if surfaces > 1 {
        head_switch.max(seek.time(shape.tracks - 1)).max(next_row)
    } else {
        next_row
    };
    let rule = SkewRule {
        sectors_per_track: shape.sectors_per_track,
        band_tracks: shape.tracks,
        last_track_sectors: u32::try_from(last).expect("at most a track"),
        track_change: seek.time(1),
        band_change,
    };
    Skew::new(rotation, &rule)
}

#[cfg(test)]
mod tests;

//! Owns the step from what a TOML file says to a [`Profile`] that is complete and valid.
//!
//! Every problem is reported at once: single keys by the reader, rules between keys by `relations`
//! unless a key they concern could not be read. Nothing physical has a default.

use crate::profile::error::{ProblemKind, ProfileError};
use crate::profile::keys;
use crate::profile::raw::Document;
use crate::profile::reader::Reader;
use crate::profile::relations::{self, Broken};
use crate::profile::words::{self, StagingKind};
use crate::profile::{
    BandChoice, Bands, Cleaning, CleaningStep, CleaningStyle, Drive, Personality, Platters,
    Profile, RecordingZone, SeekCurve, SeekPoint, Staging, StagingMedium, StagingPlace, Trim,
    WriteCache,
};
use crate::time::Duration;

impl Profile {
    /// Reads a profile from TOML. `file_name` is only used to tell people where the problems are.
    ///
    /// # Errors
    /// [`ProfileError::Syntax`] where the text is not TOML, else [`ProfileError::Invalid`] with
    /// every problem of the file.
    pub fn from_toml(file_name: &str, text: &str) -> Result<Profile, ProfileError> {
        let document = Document::parse(text).map_err(|problems| ProfileError::Syntax {
            file: file_name.to_owned(),
            problems,
        })?;
        let mut reader = Reader::new(&document, &keys::PROFILE);
        let profile = profile(&mut reader);
        for rule in relations::broken(&profile) {
            report_broken(&mut reader, rule);
        }
        let problems = reader.finish();
        if problems.is_empty() {
            Ok(profile)
        } else {
            Err(ProfileError::Invalid {
                file: file_name.to_owned(),
                problems,
            })
        }
    }
}

/// Reports a broken rule, unless it was judged by a value that merely stands in for a bad one.
fn report_broken(reader: &mut Reader<'_>, rule: Broken) {
    let unsure = reader.has_failed(rule.key) || rule.with.iter().any(|key| reader.has_failed(key));
    if unsure {
        return;
    }
    let Broken {
        key,
        with,
        rule,
        allowed,
    } = rule;
    // The zones may have been written in the short form.
    let (key, with) = if reader.has(ZONES) {
        (key, with)
    } else {
        let named = |key| {
            if key == ZONES {
                "platters.tracks_per_surface"
            } else {
                key
            }
        };
        (named(key), with.into_iter().map(named).collect())
    };
    reader.report(key, allowed, ProblemKind::Conflict { rule, with });
}

fn profile(reader: &mut Reader<'_>) -> Profile {
    let name = reader.name("drive.name");
    let drive = drive(reader);
    let platters = platters(reader);
    let bands = bands(reader);
    let staging = staging(reader, drive.personality);
    let cleaning = cleaning(reader, drive.personality);
    Profile {
        name,
        drive,
        platters,
        bands,
        staging,
        cleaning,
        write_cache: WriteCache {
            enabled: reader.flag("write_cache.enabled"),
            bytes: reader.number("write_cache.bytes"),
            destage_delay: reader.time("write_cache.destage_delay"),
            bypass_run_bytes: reader.number("write_cache.bypass_run"),
        },
        read_ahead_bytes: reader.number("read_ahead.bytes"),
        trim: Trim {
            enabled: reader.flag("trim.enabled"),
            zeroes_deallocate: reader.word("trim.zeroes", words::ZEROES),
        },
    }
}

fn drive(reader: &mut Reader<'_>) -> Drive {
    Drive {
        capacity_bytes: reader.number("drive.capacity"),
        logical_sector_bytes: reader.one_of("drive.logical_sector"),
        personality: reader.word(PERSONALITY, words::PERSONALITY),
        queue_depth: reader.small("drive.queue_depth"),
        queue_order: reader.word("drive.queue_order", words::QUEUE_ORDER),
        interface_bytes_per_s: reader.number("drive.interface_rate"),
        command_overhead: reader.time("drive.command_overhead"),
        formatted: reader.flag("drive.formatted"),
    }
}

const PERSONALITY: &str = "drive.personality";
const ZONES: &str = "platters.zones";

fn platters(reader: &mut Reader<'_>) -> Platters {
    Platters {
        rpm_milli: reader.number("platters.rpm"),
        surfaces: reader.small("platters.surfaces"),
        zones: zones(reader),
        seek: seek(reader),
        write_settle: reader.time("platters.write_settle"),
        head_switch: reader.time("platters.head_switch"),
        start_anywhere: reader.flag("platters.start_anywhere"),
    }
}

/// What stands in where no zone could be read: rules about zones are then not judged.
const NO_ZONE: RecordingZone = RecordingZone {
    tracks: 1,
    sectors_per_track: 1,
};

fn zones(reader: &mut Reader<'_>) -> Vec<RecordingZone> {
    const SHORT: [&str; 4] = [
        "platters.zone_count",
        "platters.tracks_per_surface",
        "platters.outer_sectors_per_track",
        "platters.inner_sectors_per_track",
    ];
    if reader.has(ZONES) || !SHORT.iter().any(|key| reader.has(key)) {
        // With neither form this reports the list as missing.
        let items = reader.items(ZONES);
        let zones: Vec<RecordingZone> = (0..items)
            .map(|item| RecordingZone {
                tracks: reader.small(&format!("{ZONES}[{item}].tracks")),
                sectors_per_track: reader.small(&format!("{ZONES}[{item}].sectors_per_track")),
            })
            .collect();
        return if zones.is_empty() {
            vec![NO_ZONE]
        } else {
            zones
        };
    }
    let [count, tracks, outer, inner] = SHORT.map(|key| reader.small(key));
    if SHORT.iter().any(|key| reader.has_failed(key)) {
        reader.fail(ZONES);
        return vec![NO_ZONE];
    }
    let span = Span {
        tracks,
        outer,
        inner,
    };
    let mut refuse = |key: &str, allowed: String, rule: &'static str, with: &'static str| {
        let with = vec![with];
        reader.report(key, allowed, ProblemKind::Conflict { rule, with });
        reader.fail(ZONES);
    };
    if tracks < count {
        let rule = "every zone needs at least one track";
        refuse(SHORT[1], format!("at least {count}"), rule, SHORT[0]);
        return vec![NO_ZONE];
    }
    if inner > outer || (count == 1 && inner != outer) {
        let rule = "sectors per track must fall inwards, and one zone has one number of sectors";
        let allowed = match count {
            1 => outer.to_string(),
            _ => format!("at most {outer}"),
        };
        refuse(SHORT[3], allowed, rule, SHORT[2]);
        return vec![NO_ZONE];
    }
    span.zones(count)
}

/// A recording surface between two densities.
struct Span {
    tracks: u32,
    outer: u32,
    inner: u32,
}

impl Span {
    /// `count` zones of equal width (the outermost ones take the remainder) whose sectors per track
    /// fall in equal steps, rounded to the nearest.
    fn zones(&self, count: u32) -> Vec<RecordingZone> {
        let fall = u64::from(self.outer - self.inner);
        let steps = u64::from(count.max(2) - 1);
        let zone = |index: u32| {
            let fallen = (u64::from(index) * fall * 2 + steps) / (steps * 2);
            let fallen = u32::try_from(fallen).expect("no more than the whole fall");
            RecordingZone {
                tracks: self.tracks / count + u32::from(index < self.tracks % count),
                sectors_per_track: self.outer - fallen,
            }
        };
        (0..count).map(zone).collect()
    }
}

fn seek(reader: &mut Reader<'_>) -> SeekCurve {
    const LAW: &str = "platters.seek";
    const POINTS: &str = "platters.seek_points";
    if reader.has(LAW) || (!reader.has(POINTS) && !reader.has("platters")) {
        return SeekCurve::RootThenLine {
            base: reader.time("platters.seek.base"),
            root: reader.time("platters.seek.root"),
            knee_ppm: reader.small("platters.seek.knee"),
            far_base: reader.time("platters.seek.far_base"),
            slope: reader.time("platters.seek.slope"),
        };
    }
    if !reader.has(POINTS) {
        let allowed = keys::find(POINTS).map_or_else(String::new, keys::Key::allowed);
        let allowed = format!("the table [{LAW}], or {POINTS} as {allowed}");
        reader.report(LAW, allowed, ProblemKind::Missing);
        reader.fail(POINTS);
        return SeekCurve::Points(Vec::new());
    }
    let items = reader.items(POINTS);
    let point = |item: u64| SeekPoint {
        tracks: reader.small(&format!("{POINTS}[{item}].tracks")),
        time: reader.time(&format!("{POINTS}[{item}].time")),
    };
    SeekCurve::Points((0..items).map(point).collect())
}

fn bands(reader: &mut Reader<'_>) -> Bands {
    Bands {
        size: reader.band_size("bands.size"),
        guard_tracks: reader.small("bands.guard_tracks"),
        overlap_tracks: reader.small("bands.overlap_tracks"),
        spares_per_zone: reader.small("bands.spares_per_zone"),
    }
}

fn staging(reader: &mut Reader<'_>, personality: Personality) -> Option<Staging> {
    const SECTION: &str = "staging";
    if reader.has_failed(PERSONALITY) && !reader.has(SECTION) {
        return None;
    }
    if personality == Personality::Conventional {
        if reader.has(SECTION) {
            let rule = "a conventional drive has no staging area";
            let with = vec![PERSONALITY];
            let kind = ProblemKind::Conflict { rule, with };
            reader.report(SECTION, "no such section".to_owned(), kind);
            reader.pass_over(SECTION);
        }
        return None;
    }
    if !reader.has(SECTION) {
        let allowed = "the section [staging]".to_owned();
        let rule = "a drive-managed drive has a staging area";
        let with = vec![PERSONALITY];
        reader.report(SECTION, allowed, ProblemKind::Conflict { rule, with });
        return None;
    }
    Some(Staging {
        medium: staging_medium(reader),
        bytes: reader.number("staging.bytes"),
        slots: reader.number("staging.slots"),
        extents: reader.number("staging.extents"),
        entry_bytes_max: reader.number("staging.entry_max"),
        merge_every_entries: reader.small("staging.merge_every"),
        merge_tracks: reader.small("staging.merge_tracks"),
        merge_place: reader.word("staging.merge_place", words::PLACE),
    })
}

fn staging_medium(reader: &mut Reader<'_>) -> StagingMedium {
    const KIND: &str = "staging.kind";
    const PLACE: &str = "staging.place";
    const REGIONS: &str = "staging.regions";
    let kind = reader.word(KIND, words::STAGING_KIND);
    if reader.has_failed(KIND) {
        reader.pass_over("staging");
    }
    match kind {
        StagingKind::Flash => StagingMedium::Flash {
            read_latency: reader.time("staging.read_latency"),
            write_latency: reader.time("staging.write_latency"),
            bytes_per_s: reader.number("staging.rate"),
        },
        // The keys of a kind that is not known are not missed.
        StagingKind::Disk if reader.has_failed(KIND) => StagingMedium::Flash {
            read_latency: Duration::ZERO,
            write_latency: Duration::ZERO,
            bytes_per_s: 1,
        },
        StagingKind::Disk => {
            let place = match reader.word(PLACE, words::STAGING_PLACE) {
                Some(place) => StagingPlace::One(place),
                None => StagingPlace::Spread(reader.small(REGIONS)),
            };
            if reader.has_failed(PLACE) {
                reader.pass_over(REGIONS);
            }
            StagingMedium::Disk {
                place,
                quanta_per_track: reader.quantum("staging.quantum"),
                out_of_band_rev_milli: reader.small("staging.out_of_band_revolutions"),
            }
        }
    }
}

/// A conventional drive never cleans: whatever stands here has no effect.
const NEVER_CLEANS: Cleaning = Cleaning {
    style: CleaningStyle::Lazy,
    idle_delay: Duration::ZERO,
    high_mark_percent: 100,
    low_mark_percent: 0,
    choice: BandChoice::Oldest,
    passes: 2,
    step: CleaningStep::Track,
};

fn cleaning(reader: &mut Reader<'_>, personality: Personality) -> Cleaning {
    const SECTION: &str = "cleaning";
    if !reader.has(SECTION) {
        if personality == Personality::DriveManaged && !reader.has_failed(PERSONALITY) {
            let allowed = "the section [cleaning]".to_owned();
            let rule = "a drive-managed drive cleans its bands";
            let with = vec![PERSONALITY];
            reader.report(SECTION, allowed, ProblemKind::Conflict { rule, with });
        }
        return NEVER_CLEANS;
    }
    Cleaning {
        style: reader.word("cleaning.style", words::STYLE),
        idle_delay: reader.time("cleaning.idle_delay"),
        high_mark_percent: reader.small("cleaning.high_mark"),
        low_mark_percent: reader.small("cleaning.low_mark"),
        choice: reader.word("cleaning.choice", words::CHOICE),
        passes: reader.one_of("cleaning.passes"),
        step: reader.word("cleaning.step", words::STEP),
    }
}

#[cfg(test)]
mod tests;

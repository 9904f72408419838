//! Owns the canonical text of a profile and the fingerprint of the half that shapes the format.
//!
//! [`Profile::to_toml`] states every key of the drive at hand, in the order of the list of keys, and
//! reads back as an equal profile: the profile travels in the image this way. The fingerprint is
//! taken over the same text without the keys that only change timing.

use std::fmt::Write;

use crate::profile::keys::{self, Shape};
use crate::profile::quantity::Unit;
use crate::profile::words;
use crate::profile::{BandSize, Profile, SeekCurve, StagingMedium, StagingPlace};
use crate::units::count;

/// Sections and keys whose values decide what lies where in an image.
pub(super) const FORMAT_KEYS: &[&str] = &[
    "drive.capacity",
    "drive.logical_sector",
    "drive.personality",
    "platters.surfaces",
    "platters.zones.tracks",
    "platters.zones.sectors_per_track",
    "bands.size",
    "bands.guard_tracks",
    "bands.overlap_tracks",
    "bands.spares_per_zone",
    "staging.kind",
    "staging.place",
    "staging.regions",
    "staging.quantum",
    "staging.bytes",
    "staging.slots",
    "staging.extents",
    "staging.entry_max",
    "staging.merge_tracks",
    "staging.merge_place",
];

impl Profile {
    /// The profile as TOML. [`Profile::from_toml`] makes an equal profile of it.
    pub fn to_toml(&self) -> String {
        let mut text = String::new();
        let mut home = String::new();
        for (path, value) in self.entries() {
            let section = section_of(&path);
            if section != home {
                let blank = if text.is_empty() { "" } else { "\n" };
                let header = match section.strip_suffix(']').and_then(|s| s.split_once('[')) {
                    Some((list, _)) => format!("[[{list}]]"),
                    None => format!("[{section}]"),
                };
                push(&mut text, &format!("{blank}{header}"));
                section.clone_into(&mut home);
            }
            push(&mut text, &format!("{} = {value}", keys::split(&path).1));
        }
        text
    }

    /// A checksum of the half of the profile that shapes an image: two profiles with the same one
    /// lay out their images alike, whatever their timing. The upper half is the length of the
    /// canonical text, the lower its CRC-32C.
    pub fn format_fingerprint(&self) -> u64 {
        let mut text = String::new();
        for (path, value) in self.entries() {
            if FORMAT_KEYS.contains(&keys::without_indices(&path).as_str()) {
                push(&mut text, &format!("{path} = {value}"));
            }
        }
        count(text.len()) << 32 | u64::from(crc32c::crc32c(text.as_bytes()))
    }

    /// Every key with its value as TOML writes it, sections in one piece.
    fn entries(&self) -> Vec<(String, String)> {
        let mut entries = Entries(Vec::new());
        self.add_drive(&mut entries);
        self.add_platters(&mut entries);
        self.add_bands(&mut entries);
        self.add_staging(&mut entries);
        self.add_cleaning(&mut entries);
        entries.flag("write_cache.enabled", self.write_cache.enabled);
        entries.number("write_cache.bytes", self.write_cache.bytes);
        entries.number(
            "write_cache.destage_delay",
            self.write_cache.destage_delay.0,
        );
        entries.number("write_cache.bypass_run", self.write_cache.bypass_run_bytes);
        entries.number("read_ahead.bytes", self.read_ahead_bytes);
        entries.flag("trim.enabled", self.trim.enabled);
        entries.word(
            "trim.zeroes",
            words::word(words::ZEROES, &self.trim.zeroes_deallocate),
        );
        entries.0
    }

    fn add_drive(&self, entries: &mut Entries) {
        let drive = &self.drive;
        entries.add("drive.name", quoted(&self.name));
        entries.number("drive.capacity", drive.capacity_bytes);
        entries.add(
            "drive.logical_sector",
            drive.logical_sector_bytes.to_string(),
        );
        entries.word(
            "drive.personality",
            words::word(words::PERSONALITY, &drive.personality),
        );
        entries.number("drive.queue_depth", u64::from(drive.queue_depth));
        entries.word(
            "drive.queue_order",
            words::word(words::QUEUE_ORDER, &drive.queue_order),
        );
        entries.number("drive.interface_rate", drive.interface_bytes_per_s);
        entries.number("drive.command_overhead", drive.command_overhead.0);
        entries.flag("drive.formatted", drive.formatted);
    }

    fn add_platters(&self, entries: &mut Entries) {
        let platters = &self.platters;
        entries.number("platters.rpm", platters.rpm_milli);
        entries.number("platters.surfaces", u64::from(platters.surfaces));
        entries.number("platters.write_settle", platters.write_settle.0);
        entries.number("platters.head_switch", platters.head_switch.0);
        entries.flag("platters.start_anywhere", platters.start_anywhere);
        match &platters.seek {
            SeekCurve::RootThenLine {
                base,
                root,
                knee_ppm,
                far_base,
                slope,
            } => {
                entries.number("platters.seek.base", base.0);
                entries.number("platters.seek.root", root.0);
                entries.number("platters.seek.knee", u64::from(*knee_ppm));
                entries.number("platters.seek.far_base", far_base.0);
                entries.number("platters.seek.slope", slope.0);
            }
            SeekCurve::Points(points) => {
                for (item, point) in points.iter().enumerate() {
                    let home = format!("platters.seek_points[{item}]");
                    entries.number(&format!("{home}.tracks"), u64::from(point.tracks));
                    entries.number(&format!("{home}.time"), point.time.0);
                }
            }
        }
        for (item, zone) in platters.zones.iter().enumerate() {
            let home = format!("platters.zones[{item}]");
            entries.number(&format!("{home}.tracks"), u64::from(zone.tracks));
            let sectors = u64::from(zone.sectors_per_track);
            entries.number(&format!("{home}.sectors_per_track"), sectors);
        }
    }

    fn add_bands(&self, entries: &mut Entries) {
        let bands = &self.bands;
        let size = match bands.size {
            BandSize::Tracks(1) => "1 track".to_owned(),
            BandSize::Tracks(tracks) => format!("{tracks} tracks"),
            BandSize::Bytes(bytes) => Unit::Bytes.format(bytes),
        };
        entries.add("bands.size", quoted(&size));
        entries.number("bands.guard_tracks", u64::from(bands.guard_tracks));
        entries.number("bands.overlap_tracks", u64::from(bands.overlap_tracks));
        entries.number("bands.spares_per_zone", u64::from(bands.spares_per_zone));
    }

    fn add_staging(&self, entries: &mut Entries) {
        let Some(staging) = &self.staging else {
            return;
        };
        match staging.medium {
            StagingMedium::Disk {
                place,
                quanta_per_track,
                out_of_band_rev_milli,
            } => {
                entries.word("staging.kind", "disk");
                let (place, regions) = match place {
                    StagingPlace::One(place) => (Some(place), None),
                    StagingPlace::Spread(regions) => (None, Some(regions)),
                };
                entries.word("staging.place", words::word(words::STAGING_PLACE, &place));
                if let Some(regions) = regions {
                    entries.number("staging.regions", u64::from(regions));
                }
                let quantum = match quanta_per_track {
                    0 => "none".to_owned(),
                    1 => "1 track".to_owned(),
                    parts => format!("1/{parts} track"),
                };
                entries.add("staging.quantum", quoted(&quantum));
                let revolutions = u64::from(out_of_band_rev_milli);
                entries.number("staging.out_of_band_revolutions", revolutions);
            }
            StagingMedium::Flash {
                read_latency,
                write_latency,
                bytes_per_s,
            } => {
                entries.word("staging.kind", "flash");
                entries.number("staging.read_latency", read_latency.0);
                entries.number("staging.write_latency", write_latency.0);
                entries.number("staging.rate", bytes_per_s);
            }
        }
        entries.number("staging.bytes", staging.bytes);
        entries.number("staging.slots", staging.slots);
        entries.number("staging.extents", staging.extents);
        entries.number("staging.entry_max", staging.entry_bytes_max);
        entries.number(
            "staging.merge_every",
            u64::from(staging.merge_every_entries),
        );
        entries.number("staging.merge_tracks", u64::from(staging.merge_tracks));
        entries.word(
            "staging.merge_place",
            words::word(words::PLACE, &staging.merge_place),
        );
    }

    fn add_cleaning(&self, entries: &mut Entries) {
        let cleaning = &self.cleaning;
        entries.word("cleaning.style", words::word(words::STYLE, &cleaning.style));
        entries.number("cleaning.idle_delay", cleaning.idle_delay.0);
        entries.number("cleaning.high_mark", u64::from(cleaning.high_mark_percent));
        entries.number("cleaning.low_mark", u64::from(cleaning.low_mark_percent));
        entries.word(
            "cleaning.choice",
            words::word(words::CHOICE, &cleaning.choice),
        );
        entries.add("cleaning.passes", cleaning.passes.to_string());
        entries.word("cleaning.step", words::word(words::STEP, &cleaning.step));
    }
}

/// Keys and values in the making.
struct Entries(Vec<(String, String)>);

impl Entries {
    fn add(&mut self, path: &str, value: String) {
        self.0.push((path.to_owned(), value));
    }

    fn number(&mut self, path: &str, value: u64) {
        let key = keys::find(&keys::without_indices(path)).expect("every key written is listed");
        let Shape::Number { unit, .. } = key.shape else {
            panic!("{path} is not listed as a number");
        };
        let text = unit.format(value);
        self.add(
            path,
            if unit.is_quoted() {
                quoted(&text)
            } else {
                text
            },
        );
    }

    fn word(&mut self, path: &str, word: &str) {
        self.add(path, quoted(word));
    }

    fn flag(&mut self, path: &str, flag: bool) {
        self.add(path, flag.to_string());
    }
}

fn quoted(text: &str) -> String {
    toml::Value::String(text.to_owned()).to_string()
}

fn section_of(path: &str) -> &str {
    keys::split(path).0
}

fn push(text: &mut String, line: &str) {
    writeln!(text, "{line}").expect("a string takes every line");
}

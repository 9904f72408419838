//! Owns the list of keys that a profile may have: what each takes, when it counts, what it means.
//!
//! Reading, the documentation and the command line go by this one list. Other files of the same
//! nature (workloads) have a book of keys of their own and are read by the same reader. It does not
//! know how keys relate to each other (see `relations`).

use crate::profile::quantity::Unit;
use crate::profile::words;

/// A key of the profile.
#[derive(Clone, Copy, Debug)]
pub struct Key {
    /// Dotted path, the same for every item of a list.
    pub path: &'static str,
    /// When it counts; `None`: always.
    pub only: Option<&'static str>,
    /// What it means, in one line.
    pub about: &'static str,
    pub(crate) shape: Shape,
}

/// A section of the profile: a TOML table.
#[derive(Clone, Copy, Debug)]
pub struct Section {
    /// Dotted path.
    pub path: &'static str,
    /// Whether every profile has it.
    pub required: bool,
    /// What it describes.
    pub about: &'static str,
}

/// What a key takes.
#[derive(Clone, Copy, Debug)]
pub(crate) enum Shape {
    /// A line of text.
    Name { chars_max: usize },
    /// A quantity between two bounds, both allowed, in base units of `unit`.
    Number {
        unit: Unit,
        min: u64,
        max: u64,
        multiple: u64,
    },
    /// One of few whole numbers.
    OneOf(&'static [u64]),
    /// `true` or `false`.
    Flag,
    /// One of these words.
    Word(fn() -> Vec<&'static str>),
    /// Tracks or bytes.
    BandSize,
    /// A part of a track.
    Quantum,
    /// A list of lines of text: `what` each is.
    Texts {
        items_min: u64,
        items_max: u64,
        what: &'static str,
    },
    /// A list of whole numbers between two bounds, both allowed.
    Numbers { items_max: u64, max: u64 },
    /// A list of tables with these keys.
    List { items_max: u64, keys: &'static str },
}

/// Most tracks on a surface: keeps every count of bands within 32 bits.
pub(crate) const TRACKS_MAX: u64 = 10_000_000;
/// Most recording zones, and most points of a seek curve.
pub(super) const ITEMS_MAX: u64 = 1024;
/// Most bytes of a band.
pub(crate) const BAND_BYTES_MAX: u64 = 1 << 40;
/// Most log entries between two merges of the map.
pub(crate) const MERGE_EVERY_MAX: u64 = 1_000_000_000;
/// Most parts of a track.
pub(crate) const QUANTA_MAX: u64 = 1000;

const SECTOR: u64 = crate::units::SECTOR_BYTES;
const SECOND: u64 = 1_000_000_000;

impl Key {
    /// What may be written, with an example.
    pub fn allowed(&self) -> String {
        match self.shape {
            Shape::Name { chars_max } => format!("a line of 1 to {chars_max} characters"),
            Shape::Number {
                unit,
                min,
                max,
                multiple,
            } => number_allowed(unit, min, max, multiple),
            Shape::OneOf(values) => {
                let values: Vec<String> = values.iter().map(u64::to_string).collect();
                values.join(" or ")
            }
            Shape::Flag => "true or false".to_owned(),
            Shape::Word(words) => {
                let words: Vec<String> = words().iter().map(|w| format!("\"{w}\"")).collect();
                words.join(" or ")
            }
            Shape::BandSize => format!(
                "tracks such as \"24 tracks\" (1 to {TRACKS_MAX}), or a size such as \"40 MiB\", a \
                 multiple of 4096 bytes up to {}",
                Unit::Bytes.format(BAND_BYTES_MAX)
            ),
            Shape::Quantum => {
                format!(
                    "a part of a track such as \"1/2 track\" (1/1 to 1/{QUANTA_MAX}), or \"none\""
                )
            }
            Shape::Texts {
                items_min,
                items_max,
                what,
            } => format!("a list of {items_min} to {items_max} {what}"),
            Shape::Numbers { items_max, max } => {
                format!("a list of 1 to {items_max} whole numbers up to {max}")
            }
            Shape::List { items_max, keys } => {
                format!("a list of 1 to {items_max} tables with {keys}")
            }
        }
    }
}

fn number_allowed(unit: Unit, min: u64, max: u64, multiple: u64) -> String {
    let what = match unit {
        Unit::Count => "a whole number",
        Unit::Thousandths => "a number with up to three decimals",
        Unit::Bytes => "a size such as \"36 MiB\" or \"29.3 GB\"",
        Unit::BytesPerSecond => "a rate such as \"155 MB/s\"",
        Unit::Nanoseconds => "a time such as \"1.5 s\", \"10 ms\" or \"250 us\"",
        Unit::Percent => "a whole percentage such as \"80%\"",
        Unit::Millionths => "a percentage such as \"12.5%\"",
    };
    let (min, max) = (unit.format(min), unit.format(max));
    match multiple {
        1 => format!("{what}, from {min} to {max}"),
        _ => format!("{what}, from {min} to {max}, a multiple of {multiple} bytes"),
    }
}

/// The sections, in the order in which a profile is written.
pub const SECTIONS: &[Section] = &[
    section("drive", true, "what the host sees"),
    section("platters", true, "the mechanism"),
    section(
        "platters.seek",
        false,
        "the seek curve as a law of two pieces",
    ),
    section("bands", true, "how tracks form bands"),
    section(
        "staging",
        false,
        "the staging area (persistent cache); drive-managed drives only",
    ),
    section(
        "cleaning",
        false,
        "how bands are cleaned; a conventional drive may leave it out",
    ),
    section("write_cache", true, "the volatile write cache"),
    section("read_ahead", true, "reading ahead"),
    section("trim", true, "discard and zeroing"),
];

/// What files of one kind may say: the reader goes by it.
#[derive(Debug)]
pub(crate) struct Book {
    /// The sections, in the order in which such a file is written.
    pub(crate) sections: &'static [Section],
    /// The keys, in the same order.
    pub(crate) keys: &'static [Key],
}

/// What a profile may say.
pub(crate) const PROFILE: Book = Book {
    sections: SECTIONS,
    keys: KEYS,
};

pub(crate) const fn section(path: &'static str, required: bool, about: &'static str) -> Section {
    Section {
        path,
        required,
        about,
    }
}

pub(crate) const fn key(path: &'static str, shape: Shape, about: &'static str) -> Key {
    Key {
        path,
        only: None,
        about,
        shape,
    }
}

pub(crate) const fn only(
    path: &'static str,
    when: &'static str,
    shape: Shape,
    about: &'static str,
) -> Key {
    Key {
        path,
        only: Some(when),
        about,
        shape,
    }
}

pub(crate) const fn range(unit: Unit, min: u64, max: u64) -> Shape {
    Shape::Number {
        unit,
        min,
        max,
        multiple: 1,
    }
}

pub(crate) const fn count(min: u64, max: u64) -> Shape {
    range(Unit::Count, min, max)
}

pub(crate) const fn time(max: u64) -> Shape {
    range(Unit::Nanoseconds, 0, max)
}

pub(crate) const fn sectors(min: u64, max: u64) -> Shape {
    Shape::Number {
        unit: Unit::Bytes,
        min,
        max,
        multiple: SECTOR,
    }
}

const RATE: Shape = range(Unit::BytesPerSecond, 1_000_000, 100_000_000_000);
pub(crate) const PERCENT: Shape = range(Unit::Percent, 0, 100);
const WITH_COUNT: &str = "without platters.zones";
const WITH_LAW: &str = "as part of the table [platters.seek]";
const WITH_DISK: &str = "with staging.kind = \"disk\"";
const WITH_FLASH: &str = "with staging.kind = \"flash\"";

/// Every key, in the order in which a profile is written.
#[rustfmt::skip] // a table: one key a line
pub const KEYS: &[Key] = &[
    key("drive.name", Shape::Name { chars_max: 64 }, "short name, shown to people and to clients"),
    key("drive.capacity", sectors(1 << 20, 1 << 50), "bytes offered to the host"),
    key("drive.logical_sector", Shape::OneOf(&[512, 4096]), "bytes of a logical sector (the physical one is always 4096)"),
    key("drive.personality", Shape::Word(|| words::list(words::PERSONALITY)), "how the drive behaves towards the host"),
    key("drive.queue_depth", count(1, 256), "requests the drive takes into its queue at once"),
    key("drive.queue_order", Shape::Word(|| words::list(words::QUEUE_ORDER)), "order in which queued requests are served"),
    key("drive.interface_rate", RATE, "transfer rate of the host interface"),
    key("drive.command_overhead", time(SECOND), "time the electronics add to each request"),
    key("drive.formatted", Shape::Flag, "whether a new drive counts every band as written"),

    key("platters.rpm", range(Unit::Thousandths, 1_000_000, 20_000_000), "revolutions per minute"),
    key("platters.surfaces", count(1, 64), "recording surfaces, one head each"),
    only("platters.zones", "without platters.zone_count", Shape::List { items_max: ITEMS_MAX, keys: "tracks and sectors_per_track, or else zone_count, tracks_per_surface, outer_sectors_per_track and inner_sectors_per_track" }, "recording zones one by one, from the outer diameter inwards"),
    only("platters.zones.tracks", "as part of platters.zones", count(1, TRACKS_MAX), "tracks of this zone on each surface"),
    only("platters.zones.sectors_per_track", "as part of platters.zones", count(1, 100_000), "sectors of 4096 bytes on each track of this zone"),
    only("platters.zone_count", WITH_COUNT, count(1, ITEMS_MAX), "recording zones of equal width"),
    only("platters.tracks_per_surface", WITH_COUNT, count(2, TRACKS_MAX), "tracks of all zones on each surface"),
    only("platters.outer_sectors_per_track", WITH_COUNT, count(1, 100_000), "sectors of 4096 bytes on a track of the outermost zone"),
    only("platters.inner_sectors_per_track", WITH_COUNT, count(1, 100_000), "sectors of 4096 bytes on a track of the innermost zone"),
    only("platters.seek_points", "without the table [platters.seek]", Shape::List { items_max: ITEMS_MAX, keys: "tracks and time" }, "the seek curve as points joined by straight lines"),
    only("platters.seek_points.tracks", "as part of platters.seek_points", count(1, TRACKS_MAX), "length of a move in tracks"),
    only("platters.seek_points.time", "as part of platters.seek_points", time(10 * SECOND), "time of that move"),
    key("platters.write_settle", time(SECOND), "time added to a move that ends in a write"),
    key("platters.head_switch", time(SECOND), "time to change heads without moving the arm"),
    key("platters.start_anywhere", Shape::Flag, "whether a read or write may begin with whichever of its sectors on a track passes first"),
    only("platters.seek.base", WITH_LAW, time(10 * SECOND), "time of an infinitely short move"),
    only("platters.seek.root", WITH_LAW, time(10 * SECOND), "factor of the square root of the share of the stroke, up to the knee"),
    only("platters.seek.knee", WITH_LAW, range(Unit::Millionths, 1, 1_000_000), "share of the full stroke at which the law changes"),
    only("platters.seek.far_base", WITH_LAW, time(10 * SECOND), "constant of the straight piece beyond the knee"),
    only("platters.seek.slope", WITH_LAW, time(10 * SECOND), "time per full stroke of the straight piece"),

    key("bands.size", Shape::BandSize, "size of a band, in tracks or in bytes"),
    key("bands.guard_tracks", count(0, 1000), "unused tracks after each band"),
    key("bands.overlap_tracks", count(0, 1000), "tracks after the written one that the write head destroys"),
    key("bands.spares_per_zone", count(0, 10_000), "spare bands in each recording zone that holds data"),

    key("staging.kind", Shape::Word(|| words::list(words::STAGING_KIND)), "what the staging area is made of"),
    only("staging.place", WITH_DISK, Shape::Word(|| words::list(words::STAGING_PLACE)), "where its tracks lie"),
    only("staging.regions", "with staging.place = \"spread\"", count(2, 1024), "how many regions it is spread over"),
    only("staging.quantum", WITH_DISK, Shape::Quantum, "part of a track that an entry's payload is rounded up to"),
    only("staging.out_of_band_revolutions", WITH_DISK, range(Unit::Thousandths, 0, 100_000), "revolutions that the out-of-band record of an entry takes"),
    only("staging.read_latency", WITH_FLASH, time(SECOND), "time to start a read"),
    only("staging.write_latency", WITH_FLASH, time(SECOND), "time to start a write, its record included"),
    only("staging.rate", WITH_FLASH, RATE, "transfer rate of the flash memory"),
    key("staging.bytes", range(Unit::Bytes, SECTOR, 1 << 50), "most payload staged at once"),
    key("staging.slots", count(1, 1 << 38), "most log slots in use at once: quanta, or pages of 4096 bytes on flash"),
    key("staging.extents", count(2, 1 << 32), "most extents in the map at once"),
    key("staging.entry_max", sectors(SECTOR, 1 << 30), "most payload of one log entry"),
    key("staging.merge_every", count(1, MERGE_EVERY_MAX), "entries between two merges of the map"),
    key("staging.merge_tracks", count(1, 1_000_000), "tracks that one merge of the map writes"),
    key("staging.merge_place", Shape::Word(|| words::list(words::PLACE)), "where the map area lies"),

    key("cleaning.style", Shape::Word(|| words::list(words::STYLE)), "when cleaning begins"),
    key("cleaning.idle_delay", time(86_400 * SECOND), "how long the drive must be idle before it cleans"),
    key("cleaning.high_mark", PERCENT, "fill of the staging area at which lazy cleaning begins"),
    key("cleaning.low_mark", PERCENT, "fill at which lazy cleaning ends"),
    key("cleaning.choice", Shape::Word(|| words::list(words::CHOICE)), "which band is cleaned next"),
    key("cleaning.passes", Shape::OneOf(&[2, 3, 4]), "passes over a band that is cleaned"),
    key("cleaning.step", Shape::Word(|| words::list(words::STEP)), "what a host request may have to wait for"),

    key("write_cache.enabled", Shape::Flag, "whether writes are acknowledged from volatile memory"),
    key("write_cache.bytes", range(Unit::Bytes, 0, 1 << 34), "its size"),
    key("write_cache.destage_delay", time(3600 * SECOND), "how long written data may wait in it"),
    key("write_cache.bypass_run", range(Unit::Bytes, 0, 1 << 40), "length of a sequential run that goes straight to its bands; 0 for never"),

    key("read_ahead.bytes", range(Unit::Bytes, 0, 1 << 30), "size of the read buffer: bytes read ahead of a sequential reader, and kept of what was read; 0 for none"),

    key("trim.enabled", Shape::Flag, "whether the drive offers discard"),
    key("trim.zeroes", Shape::Word(|| words::list(words::ZEROES)), "what a zeroing request that may deallocate does"),
];

/// The path of a key without the indices of list items: `platters.zones[3].tracks` is
/// `platters.zones.tracks`.
pub(super) fn without_indices(path: &str) -> String {
    let mut plain = String::with_capacity(path.len());
    let mut inside = false;
    for c in path.chars() {
        match c {
            '[' => inside = true,
            ']' => inside = false,
            _ if !inside => plain.push(c),
            _ => {}
        }
    }
    plain
}

/// The key of a profile with this path, indices already left out.
pub(super) fn find(path: &str) -> Option<&'static Key> {
    PROFILE.find(path)
}

/// The section part and the last word of a path.
pub(super) fn split(path: &str) -> (&str, &str) {
    path.rsplit_once('.').unwrap_or(("", path))
}

impl Book {
    /// The key with this path, indices already left out.
    pub(crate) fn find(&self, path: &str) -> Option<&'static Key> {
        self.keys.iter().find(|key| key.path == path)
    }

    /// The section with this path.
    pub(crate) fn find_section(&self, path: &str) -> Option<&'static Section> {
        self.sections.iter().find(|section| section.path == path)
    }

    /// Last words of the keys that stand directly in a section.
    pub(crate) fn leaves(&self, section: &str) -> Vec<&'static str> {
        let splits = self.keys.iter().map(|key| split(key.path));
        splits
            .filter(|(home, _)| *home == section)
            .map(|(_, leaf)| leaf)
            .collect()
    }

    /// The key or section that somebody who wrote `path` most likely meant.
    pub(crate) fn nearest(&self, path: &str) -> Option<&'static str> {
        const ENOUGH: f64 = 0.75;
        let (home, leaf) = split(path);
        let closeness = |known: &'static str| {
            let (known_home, known_leaf) = split(known);
            let leaves = strsim::jaro_winkler(leaf, known_leaf);
            let homes = strsim::jaro_winkler(home, known_home);
            // The right word in the wrong section is meant more often than a similar one in this.
            (leaves.max(0.0).mul_add(0.8, homes * 0.2), known)
        };
        let keys = self.keys.iter().map(|key| key.path);
        let sections = self.sections.iter().map(|section| section.path);
        keys.chain(sections)
            .map(closeness)
            .max_by(|a, b| a.0.total_cmp(&b.0))
            .filter(|(closeness, _)| *closeness >= ENOUGH)
            .map(|(_, known)| known)
    }
}

#[cfg(test)]
impl Book {
    /// Insists that the tables of `page` list exactly these keys, in order, with what they take.
    pub(crate) fn assert_documented_in(&self, page: &str) {
        let path = format!("{}/{page}", env!("CARGO_MANIFEST_DIR"));
        let text = std::fs::read_to_string(path).expect("the page is there");
        let rows = text.lines().filter(|line| line.starts_with("| `"));
        let mut documented = Vec::new();
        for row in rows {
            let cells: Vec<&str> = row.trim_matches('|').split('|').map(str::trim).collect();
            let path = cells[0].trim_matches('`');
            let Some(key) = self.find(path) else {
                continue;
            };
            documented.push(path);
            let only = key
                .only
                .map_or_else(String::new, |only| format!(" ({only})"));
            assert_eq!(cells[1], format!("{}{only}", key.about), "{path}");
            assert_eq!(cells[2], key.allowed(), "{path}");
        }
        let known: Vec<&str> = self.keys.iter().map(|key| key.path).collect();
        assert_eq!(documented, known);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::collections::BTreeSet;

    #[test]
    fn no_key_is_listed_twice_and_each_lies_in_a_known_table() {
        let mut seen = BTreeSet::new();
        for key in KEYS {
            assert!(seen.insert(key.path), "{} twice", key.path);
            let (home, _) = split(key.path);
            assert!(
                PROFILE.find_section(home).is_some() || find(home).is_some(),
                "{} lies nowhere",
                key.path
            );
        }
    }

    #[test]
    fn the_documentation_describes_exactly_the_known_keys_and_what_they_take() {
        let path = concat!(env!("CARGO_MANIFEST_DIR"), "/docs/profile.md");
        let text = std::fs::read_to_string(path).expect("docs/profile.md is there");
        let mut documented = BTreeSet::new();
        for row in text.lines().filter(|line| line.starts_with("| `")) {
            let cells: Vec<&str> = row.trim_matches('|').split('|').map(str::trim).collect();
            assert_eq!(cells.len(), 4, "{row}");
            let path = cells[0]
                .split('`')
                .nth(1)
                .expect("the row begins with a key");
            let key = find(path).unwrap_or_else(|| panic!("{path} is not a key"));
            assert!(documented.insert(path), "{path} twice");
            assert_eq!(cells[2], key.allowed(), "{path}");
            let (about, only) = (cells[1].to_lowercase(), key.only.unwrap_or(""));
            assert!(
                about.starts_with(&key.about.to_lowercase()),
                "{path}: {about}"
            );
            assert!(about.contains(&only.to_lowercase()), "{path}: {about}");
            let formats = crate::profile::render::FORMAT_KEYS.contains(&path);
            assert!(
                !formats || cells[0].contains("*(format)*"),
                "{path} shapes the format"
            );
        }
        let known: BTreeSet<&str> = KEYS.iter().map(|key| key.path).collect();
        assert_eq!(documented, known);
        for section in SECTIONS {
            assert!(
                text.contains(&format!("## [{}]\n", section.path)),
                "{}",
                section.path
            );
        }
    }

    #[test]
    fn mistyped_keys_find_the_one_that_was_meant() {
        let check = |typed, meant| assert_eq!(PROFILE.nearest(typed), meant, "{typed}");
        check("drive.capasity", Some("drive.capacity"));
        check("drive.surfaces", Some("platters.surfaces"));
        check(
            "platters.zones.sector_per_track",
            Some("platters.zones.sectors_per_track"),
        );
        check("cleanin", Some("cleaning"));
        check("write-cache.enable", Some("write_cache.enabled"));
        check("drive.zzz", None);
    }
}

//! Owns the workloads that come with imbrex: the texts of `configs/workloads/`, by name.
//!
//! They are ordinary workloads; nothing in imbrex treats them in a special way.

use super::Workload;

/// Names, what they are in a line, and texts.
const BUILT_IN: [(&str, &str, &str); 7] = [
    (
        "nightly-backup",
        "large files written one after the other into an empty region, with a look at the catalogue",
        include_str!("../../../configs/workloads/nightly-backup.toml"),
    ),
    (
        "small-files-sync",
        "many small files, each made durable, by day and a quiet evening",
        include_str!("../../../configs/workloads/small-files-sync.toml"),
    ),
    (
        "database-commit",
        "a log written durably, skewed page reads, and checkpoints of pages in bursts",
        include_str!("../../../configs/workloads/database-commit.toml"),
    ),
    (
        "array-rebuild",
        "the drive is filled from front to back while users read and write",
        include_str!("../../../configs/workloads/array-rebuild.toml"),
    ),
    (
        "object-store",
        "objects come, are read and are deleted at a steady rate that follows the day",
        include_str!("../../../configs/workloads/object-store.toml"),
    ),
    (
        "metadata-scatter",
        "filesystem metadata all over the drive beside file data and a journal",
        include_str!("../../../configs/workloads/metadata-scatter.toml"),
    ),
    (
        "migration-copy",
        "one half of the drive is copied to the other, checked, and given back",
        include_str!("../../../configs/workloads/migration-copy.toml"),
    ),
];

impl Workload {
    /// TOML text of the workload of this name that comes with imbrex.
    pub fn built_in(name: &str) -> Option<&'static str> {
        let found = BUILT_IN.iter().find(|(known, _, _)| *known == name);
        found.map(|(_, _, text)| *text)
    }

    /// Names of all of these, each with what it is in a line.
    pub fn built_in_names() -> impl Iterator<Item = (&'static str, &'static str)> {
        BUILT_IN.iter().map(|(name, about, _)| (*name, *about))
    }
}

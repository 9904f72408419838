//! Owns what the arm's purposes have in common: the groups that figures tell apart.

use super::plot::ink::Ink;
use crate::medium::movement::Purpose;

/// Purposes that a person sees as one thing.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Group {
    /// Reading for the host.
    Reads,
    /// Writing for the host past the staging area.
    Writes,
    /// The staging area.
    Staging,
    /// The map.
    Map,
    /// Reading in order to clean.
    CleanReads,
    /// Writing in order to clean.
    CleanWrites,
}

impl Group {
    /// All of them, in the order in which they are shown.
    pub(super) const ALL: [Group; 6] = [
        Group::Reads,
        Group::Writes,
        Group::Staging,
        Group::Map,
        Group::CleanReads,
        Group::CleanWrites,
    ];

    /// The group of a purpose.
    pub(super) fn of(purpose: Purpose) -> Group {
        match purpose {
            Purpose::HostRead | Purpose::PartialRead | Purpose::ReadAhead => Group::Reads,
            Purpose::HostWrite | Purpose::Bypass => Group::Writes,
            Purpose::Stage | Purpose::OutOfBand => Group::Staging,
            Purpose::MapMerge => Group::Map,
            Purpose::CleanRead | Purpose::CleanGather | Purpose::CleanVerify => Group::CleanReads,
            Purpose::CleanCopy | Purpose::CleanWrite => Group::CleanWrites,
        }
    }

    /// Its place in [`Group::ALL`].
    pub(super) fn place(self) -> usize {
        let found = Group::ALL.iter().position(|group| *group == self);
        found.expect("all groups are in the list")
    }

    /// What it is called.
    pub(super) fn words(self) -> &'static str {
        match self {
            Group::Reads => "reads for the host",
            Group::Writes => "direct writes",
            Group::Staging => "staging",
            Group::Map => "merges of the map",
            Group::CleanReads => "cleaning: reads",
            Group::CleanWrites => "cleaning: writes",
        }
    }

    /// Its colour.
    pub(super) fn ink(self) -> Ink {
        match self {
            Group::Reads => Ink::Reads,
            Group::Writes => Ink::Writes,
            Group::Staging => Ink::Staging,
            Group::Map => Ink::Map,
            Group::CleanReads => Ink::Other,
            Group::CleanWrites => Ink::Cleaning,
        }
    }
}

/// The purpose that a word names.
pub(super) fn purpose(word: &str) -> Option<Purpose> {
    Purpose::ALL
        .into_iter()
        .find(|purpose| purpose.word() == word)
}

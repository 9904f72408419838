//! Owns how blame is told: to people, and as a table for programs.

use std::fmt::{self, Write as _};

use indicatif::BinaryBytes;

use super::{Blame, OfOwner};
use crate::time::Duration;
use crate::units::{counted, nearest};

/// Columns of the table.
const COLUMNS: &str = "name,start_bytes,end_bytes,bytes,host_written_bytes,staged_bytes,own_ns,\
own_written_bytes,cleanings,cleaning_ns,cleaning_written_bytes,write_amplification_milli,waits,waited_ns";

impl Blame {
    /// What people are told, with at most `top` ranges.
    pub fn words(&self, top: usize) -> String {
        let mut text = String::new();
        // Writing to a string does not fail.
        let _ = self.write_words(&mut text, top);
        text
    }

    /// All of it as CSV with a line of column names.
    pub fn csv(&self) -> String {
        let mut text = format!("{COLUMNS}\n");
        for told in self.owners.iter().chain([&self.before, &self.nobody]) {
            let name = told.owner.name.replace('"', "\"\"");
            let amplification = told.write_amplification_milli;
            let _ = writeln!(
                text,
                "\"{name}\",{},{},{},{},{},{},{},{},{},{},{},{},{}",
                told.owner.start_bytes,
                told.owner.end_bytes,
                told.owner.bytes,
                told.host_written_bytes,
                told.staged_bytes,
                told.own_ns,
                told.own_written_bytes,
                told.cleanings,
                told.cleaning_ns,
                told.cleaning_written_bytes,
                amplification.map_or_else(String::new, |milli| milli.to_string()),
                told.waits,
                told.waited_ns,
            );
        }
        text
    }

    fn write_words(&self, text: &mut String, top: usize) -> fmt::Result {
        writeln!(
            text,
            "{} on {}: {}, {} written by the host, {} by the head",
            self.workload,
            self.profile,
            counted(self.answered, "request"),
            BinaryBytes(self.host_written_bytes),
            BinaryBytes(self.medium_written_bytes)
        )?;
        writeln!(
            text,
            "{} ({} given up) took {} of the arm; {} waited for cleaning, {} together\n",
            counted(self.cleanings, "cleaning"),
            self.given_up,
            Duration(self.cleaning_ns),
            counted(self.requests_waited, "request"),
            Duration(self.waited_ns)
        )?;
        writeln!(
            text,
            "{:<28}{:>12}{:>11}{:>11}{:>9}{:>8}{:>9}{:>11}",
            "", "written", "cleanings", "cleaning", "share", "ampl.", "waits", "waited"
        )?;
        for told in self.owners.iter().take(top) {
            self.write_row(text, told)?;
        }
        if self.owners.len() > top {
            let rest = &self.owners[top..];
            let ns: u64 = rest.iter().map(|told| told.cleaning_ns).sum();
            let waited: u64 = rest.iter().map(|told| told.waited_ns).sum();
            writeln!(
                text,
                "and {} more, with {} of cleaning ({}) and {} of waiting",
                rest.len(),
                Duration(ns),
                self.share(ns),
                Duration(waited)
            )?;
        }
        for told in [&self.before, &self.nobody] {
            if told.cleanings > 0 || told.waits > 0 {
                self.write_row(text, told)?;
            }
        }
        if self.left_in_cache_bytes > 0 {
            writeln!(
                text,
                "{} still in the write cache at the end are in no figure but what was written: let the run \
                 end with a flush",
                BinaryBytes(self.left_in_cache_bytes)
            )?;
        }
        Ok(())
    }

    fn write_row(&self, text: &mut String, told: &OfOwner) -> fmt::Result {
        let amplification = told.write_amplification_milli.map_or_else(
            || "-".to_owned(),
            |milli| format!("{}.{}", milli / 1000, milli % 1000 / 100),
        );
        writeln!(
            text,
            "{:<28}{:>12}{:>11}{:>11}{:>9}{amplification:>8}{:>9}{:>11}",
            label(told),
            BinaryBytes(told.host_written_bytes).to_string(),
            told.cleanings,
            Duration(told.cleaning_ns).to_string(),
            self.share(told.cleaning_ns),
            told.waits,
            Duration(told.waited_ns).to_string()
        )
    }

    /// A part of all cleaning, in words.
    fn share(&self, ns: u64) -> String {
        let milli = nearest(ns, self.cleaning_ns, 1000);
        format!("{}.{} %", milli / 10, milli % 10)
    }
}

/// Ranges of equal width have no name but where they lie.
fn label(told: &OfOwner) -> String {
    let own = &told.owner;
    if own.name == format!("{} to {}", own.start_bytes, own.end_bytes) {
        let (start, end) = (BinaryBytes(own.start_bytes), BinaryBytes(own.end_bytes));
        return format!("{start} to {end}");
    }
    own.name.clone()
}

//! What the files of a guest's workload may hold after a power cut, by what the guest said.
//!
//! The guest says `begin KIND FILE SUM` before it changes a file and `synced FILE SUM` when that is
//! durable, one file after another; `-` is a file that is not there. After a cut every file is what it
//! was when it was last synced. Only the one under way may be anything that its kind of change leaves.
//! Not checked: files that were never synced, times, owners.

use std::collections::BTreeMap;

/// The checksum that stands for no file.
const GONE: &str = "-";

#[derive(Default)]
pub(crate) struct Ledger {
    synced: BTreeMap<String, String>,
    under_way: Option<Change>,
    /// Changes made durable since the last cut.
    changes: usize,
}

struct Change {
    kind: String,
    file: String,
    sum: String,
}

impl Ledger {
    /// Takes a line of the guest; lines of another kind are none of its business.
    pub(crate) fn note(&mut self, line: &str) {
        match line.split_whitespace().collect::<Vec<_>>()[..] {
            ["begin", kind, file, sum] => {
                assert!(self.under_way.is_none(), "two at once: {line}");
                let [kind, file, sum] = [kind, file, sum].map(str::to_owned);
                self.under_way = Some(Change { kind, file, sum });
            }
            ["synced", file, sum] => {
                let change = self.under_way.take().expect("it was begun");
                assert!(change.file == file && change.sum == sum, "{line}");
                self.synced.insert(change.file, change.sum);
                self.changes += 1;
            }
            ["begin" | "synced", ..] => panic!("a line that was cut short: {line}"),
            _ => {}
        }
    }

    /// Changes made durable since the last cut.
    pub(crate) fn changes(&self) -> usize {
        self.changes
    }

    /// Files that are there and synced.
    pub(crate) fn files(&self) -> usize {
        self.synced.values().filter(|sum| *sum != GONE).count()
    }

    /// Insists that the guest finds what it may: `holds FILE SUM` for each file that is there.
    pub(crate) fn after_cut(&mut self, lines: &str) {
        let found: BTreeMap<&str, &str> = lines
            .lines()
            .filter_map(|line| line.strip_prefix("holds ")?.trim_end().split_once(' '))
            .collect();
        let sum = |file: &str| found.get(file).copied().unwrap_or(GONE);
        if let Some(change) = self.under_way.take() {
            let before = self
                .synced
                .get(&change.file)
                .map_or(GONE, |sum| sum.as_str());
            let now = sum(&change.file).to_owned();
            let allowed = match &*change.kind {
                // One name takes the place of another, as a whole.
                "replace" | "delete" => now == before || now == change.sum,
                "overwrite" | "append" => now != GONE,
                "create" => true,
                other => panic!("the ledger knows no changes of the kind {other}"),
            };
            let (kind, file, after) = (&change.kind, &change.file, &change.sum);
            assert!(
                allowed,
                "{file} was under way ({kind} from {before} to {after}) and is {now}:\n{lines}"
            );
            self.synced.insert(change.file, now);
        }
        for (file, synced) in &self.synced {
            let now = sum(file);
            assert_eq!(
                now, synced,
                "{file} is not what it was when it was synced:\n{lines}"
            );
        }
        for file in found.keys() {
            assert!(
                self.synced.contains_key(*file),
                "{file} was never there:\n{lines}"
            );
        }
        self.changes = 0;
    }
}

mod tests {
    use super::Ledger;

    fn ledger(lines: &[&str]) -> Ledger {
        let mut ledger = Ledger::default();
        for line in lines {
            ledger.note(line);
        }
        ledger
    }

    #[test]
    fn the_ledger_takes_what_was_synced_and_either_end_of_a_replacement() {
        let lines = [
            "begin create a 1",
            "synced a 1",
            "begin create b 2",
            "synced b 2",
            "begin delete b -",
            "synced b -",
            "begin replace a 3",
        ];
        for sum in ["1", "3"] {
            let mut ledger = ledger(&lines);
            assert_eq!((ledger.changes(), ledger.files()), (3, 1));
            ledger.after_cut(&format!("holds a {sum}\n"));
        }
    }

    #[test]
    #[should_panic(expected = "a is not what it was")]
    fn the_ledger_misses_a_file_that_was_synced() {
        ledger(&["begin create a 1", "synced a 1"]).after_cut("");
    }

    #[test]
    #[should_panic(expected = "a was under way")]
    fn the_ledger_refuses_half_a_replacement() {
        ledger(&["begin create a 1", "synced a 1", "begin replace a 2"]).after_cut("holds a 3\n");
    }

    #[test]
    #[should_panic(expected = "b was never there")]
    fn the_ledger_refuses_a_file_that_came_back() {
        ledger(&["begin create a 1", "synced a 1"]).after_cut("holds a 1\nholds b 1\n");
    }
}

//! Owns how the works of a matrix are read: workloads, recordings, commands and guests.

use super::book::{ATTACH, BEYOND, KEEP};
use super::check::{check_name, conflict, items, optional};
use super::spec::{Attach, Served, Task, Work, WorkKind};
use crate::host::clock::Pace;
use crate::host::pace;
use crate::lab::replay::How;
use crate::profile::reader::Reader;
use crate::time::Duration;

/// Real time in which a command must end where nothing is said.
const ENDS_WITHIN: Duration = Duration::from_s(3600);
/// Placeholders of a command.
pub(super) const PLACEHOLDERS: [&str; 6] = [
    "{uri}", "{socket}", "{image}", "{fuse}", "{folder}", "{seed}",
];

pub(super) fn works(reader: &mut Reader<'_>) -> Vec<Work> {
    let mut works: Vec<Work> = Vec::new();
    let mut taken = Vec::new();
    for at in 0..items(reader, "work") {
        let mut keys = Keys { reader, at };
        let kind = keys.kind();
        let key = keys.key("name");
        let name = match &kind {
            _ if keys.has("name") => keys.reader.name(&key),
            WorkKind::Workload { words, .. } => words.clone(),
            WorkKind::Replay { file, .. } => file.clone(),
            WorkKind::Served(served) => match &served.task {
                Task::Guest { script, .. } => script.clone(),
                Task::Command(line) => line.chars().take(60).collect(),
            },
        };
        check_name(reader, &key, &name, &taken);
        taken.push(name.clone());
        works.push(Work { name, kind });
    }
    works
}

/// Reads keys of the work with this index.
struct Keys<'r, 'd> {
    reader: &'r mut Reader<'d>,
    at: u64,
}

impl Keys<'_, '_> {
    fn key(&self, leaf: &str) -> String {
        format!("work[{}].{leaf}", self.at)
    }

    fn has(&self, leaf: &str) -> bool {
        self.reader.has(&self.key(leaf))
    }

    fn text(&mut self, leaf: &str) -> String {
        let key = self.key(leaf);
        self.reader.name(&key)
    }

    fn optional(&mut self, leaf: &str) -> Option<u64> {
        let key = self.key(leaf);
        optional(self.reader, &key)
    }

    fn kind(&mut self) -> WorkKind {
        if self.has("workload") {
            return WorkKind::Workload {
                words: self.text("workload"),
                count: self.optional("count"),
                duration: self.optional("duration").map(Duration),
            };
        }
        if self.has("replay") {
            return WorkKind::Replay {
                file: self.text("replay"),
                how: self.how(),
            };
        }
        let task = if self.has("command") {
            self.command()
        } else if self.has("guest") {
            self.guest()
        } else {
            let key = format!("work[{}]", self.at);
            let allowed = "workload, replay, command or guest";
            conflict(self.reader, &key, allowed, "nothing says what is asked");
            // What belongs to a work that is not known is not held against anybody.
            self.reader.pass_over(&key);
            return WorkKind::Workload {
                words: String::new(),
                count: None,
                duration: None,
            };
        };
        WorkKind::Served(self.served(task))
    }

    fn how(&mut self) -> How {
        let mut how = How::default();
        if self.has("keep") {
            let key = self.key("keep");
            how.keep = self.reader.word(&key, KEEP);
        }
        if let Some(milli) = self.optional("speed") {
            how.speed_milli = milli;
        }
        if self.has("beyond") {
            let key = self.key("beyond");
            how.beyond = self.reader.word(&key, BEYOND);
        }
        how
    }

    fn command(&mut self) -> Task {
        let line = self.text("command");
        let mut rest = line.as_str();
        while let Some(at) = rest.find('{') {
            rest = &rest[at..];
            let word = rest.find('}').map(|end| &rest[..=end]);
            let is_name = |word: &str| {
                let inner = &word[1..word.len() - 1];
                !inner.is_empty() && inner.chars().all(|c| c.is_ascii_lowercase())
            };
            if let Some(word) = word.filter(|word| is_name(word))
                && !PLACEHOLDERS.contains(&word)
                && !line.contains(&format!("${word}"))
            {
                let allowed = PLACEHOLDERS.join(", ");
                let key = self.key("command");
                conflict(
                    self.reader,
                    &key,
                    &allowed,
                    "it has a placeholder that is not known",
                );
                break;
            }
            rest = &rest[1..];
        }
        Task::Command(line)
    }

    fn guest(&mut self) -> Task {
        let script = self.text("guest");
        let key = self.key("attach");
        let attach = if self.reader.has(&key) {
            self.reader.word(&key, ATTACH)
        } else {
            Attach::Virtio
        };
        let key = self.key("arguments");
        let arguments = if self.reader.has(&key) {
            self.reader.texts(&key)
        } else {
            Vec::new()
        };
        Task::Guest {
            script,
            attach,
            arguments,
        }
    }

    fn served(&mut self, task: Task) -> Served {
        let exit = self.optional("exit").unwrap_or(0);
        let verify = self.key("verify");
        Served {
            task,
            pace: self.pace(),
            late_percent_max: self.optional("late_at_most").unwrap_or(1),
            exit: i32::try_from(exit).expect("the listed range fits"),
            verify: self.reader.has(&verify) && self.reader.flag(&verify),
            ends_within: self.optional("ends_within").map_or(ENDS_WITHIN, Duration),
        }
    }

    fn pace(&mut self) -> Pace {
        if !self.has("pace") {
            return Pace::Real;
        }
        let words = self.text("pace");
        match pace::parse(&words) {
            Ok(pace) => pace,
            Err(told) => {
                let key = self.key("pace");
                if !self.reader.has_failed("work.pace") {
                    self.reader.tell(&key, told);
                }
                Pace::Real
            }
        }
    }
}

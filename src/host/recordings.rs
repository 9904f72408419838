//! Owns the recordings of a drive that are under way: begins and ends them, and knows where each is written.
//!
//! What writes one down is a thread of its own, made by whoever knows the form of the file. A file is
//! complete when its recording has ended, and no failure to write it disturbs the drive. A recording lasts
//! until it is ended by its number or the drive is gone; it does not matter whether whoever began it is
//! still there.

use std::collections::BTreeMap;
use std::io;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::thread::JoinHandle;

use super::handle::{Ask, Handle, HostError};
use super::recorder::{Held, Recorder, RecordingId};

/// Recordings that may be under way at once.
pub const RECORDINGS_MAX: usize = 8;

/// Makes a recorder whose answers are written to the new file at a path.
pub type Scribe = Arc<dyn Fn(&Path) -> Result<(Recorder, Writing), ScribeError> + Send + Sync>;

/// The writing of a file: what it holds, or why it could not be written.
pub type Writing = JoinHandle<Result<Held, String>>;

/// Why no file is begun.
#[derive(Debug, thiserror::Error)]
pub enum ScribeError {
    /// A file is there that would be lost.
    #[error("{} exists and is left alone", .0.display())]
    Exists(PathBuf),
    /// The drive is not one that may be recorded.
    #[error("{0}")]
    Hidden(String),
    /// The file cannot be made.
    #[error("cannot create {}: {source}", path.display())]
    Create {
        /// The file.
        path: PathBuf,
        /// What the system says.
        source: io::Error,
    },
    /// It cannot be begun.
    #[error("cannot begin {}: {why}", path.display())]
    Begin {
        /// The file.
        path: PathBuf,
        /// Why.
        why: String,
    },
}

/// Why a recording does not begin or did not end well.
#[derive(Debug, thiserror::Error)]
pub enum RecordingsError {
    /// There is no file for it.
    #[error(transparent)]
    Scribe(#[from] ScribeError),
    /// There are too many.
    #[error(
        "{RECORDINGS_MAX} recordings are under way, which is the limit: end one first (end-recording; `status` \
         lists them)"
    )]
    TooMany,
    /// No such recording.
    #[error("recording {0} is not under way (`status` lists those that are)")]
    NotUnderWay(RecordingId),
    /// The drive takes none.
    #[error(transparent)]
    Host(#[from] HostError),
    /// The file could not be written.
    #[error(transparent)]
    Unwritten(#[from] Unwritten),
    /// It is of no use, and could not be removed.
    #[error("cannot remove {}: {source}", path.display())]
    Remove {
        /// The file.
        path: PathBuf,
        /// What the system says.
        source: io::Error,
    },
}

/// A recording could not be written.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("the recording {} is incomplete and of no use: {why}", file.display())]
pub struct Unwritten {
    /// The file.
    pub file: PathBuf,
    /// Why.
    pub why: String,
}

/// A recording that is under way.
#[derive(Clone, Debug, PartialEq, Eq, serde::Serialize)]
pub struct UnderWay {
    /// Its number.
    pub recording: RecordingId,
    /// The file that it will be in.
    pub file: PathBuf,
    /// Requests in it so far.
    pub requests: u64,
}

/// The recordings of a drive. A clone is the same.
#[derive(Clone)]
pub struct Recordings {
    scribe: Scribe,
    known: Arc<Mutex<Known>>,
}

#[derive(Default)]
struct Known {
    /// Numbers given so far.
    given: u64,
    /// Files that are being made.
    opening: usize,
    under_way: BTreeMap<RecordingId, Arc<Entry>>,
}

struct Entry {
    file: PathBuf,
    requests: Arc<AtomicU64>,
    fate: Mutex<Fate>,
}

enum Fate {
    Writing(Writing),
    Over(Result<Held, String>),
}

impl Recordings {
    /// None yet. `scribe` writes those to come.
    pub fn new(scribe: Scribe) -> Recordings {
        Recordings {
            scribe,
            known: Arc::default(),
        }
    }

    /// A recorder for the new file `file`, and its number. It begins when the drive has it.
    pub fn open(&self, file: &Path) -> Result<(RecordingId, Recorder), RecordingsError> {
        let mut known = self.known();
        if known.under_way.len() + known.opening >= RECORDINGS_MAX {
            return Err(RecordingsError::TooMany);
        }
        known.opening += 1;
        drop(known);
        // However long that takes, nobody else waits for it.
        let opened = (self.scribe)(file);
        let mut known = self.known();
        known.opening -= 1;
        let (recorder, writing) = opened?;
        known.given += 1;
        let id = RecordingId(known.given);
        let entry = Entry {
            file: file.to_owned(),
            requests: recorder.requests(),
            fate: Mutex::new(Fate::Writing(writing)),
        };
        known.under_way.insert(id, Arc::new(entry));
        Ok((id, recorder.numbered(id)))
    }

    /// Begins a recording of the drive behind `handle` in the new file `file`. If the drive takes none,
    /// there is no file afterwards.
    pub fn begin(&self, handle: &Handle, file: &Path) -> Result<RecordingId, RecordingsError> {
        let (id, recorder) = self.open(file)?;
        match handle.ask(Ask::Record(Box::new(recorder))) {
            Ok(_) => Ok(id),
            Err(error) => {
                let entry = self.known().under_way.remove(&id);
                if let Some(entry) = entry {
                    // The recorder went with the question, so that the writing has an end.
                    let _ = entry.outcome();
                    entry.remove()?;
                }
                Err(error.into())
            }
        }
    }

    /// Ends a recording of the drive behind `handle`, and waits until its file is complete. With `discard`
    /// the file is removed.
    pub fn end(
        &self,
        handle: &Handle,
        id: RecordingId,
        discard: bool,
    ) -> Result<Held, RecordingsError> {
        let entry = self.known().under_way.get(&id).cloned();
        let entry = entry.ok_or(RecordingsError::NotUnderWay(id))?;
        // A drive that is gone, or about to be, has ended it or is about to.
        let _ = handle.ask(Ask::EndRecording(id));
        let outcome = entry.outcome();
        self.known().under_way.remove(&id);
        if discard {
            entry.remove()?;
        }
        outcome.map_err(RecordingsError::from)
    }

    /// Those that are under way.
    pub fn under_way(&self) -> Vec<UnderWay> {
        let known = self.known();
        let all = known.under_way.iter().map(|(id, entry)| UnderWay {
            recording: *id,
            file: entry.file.clone(),
            requests: entry.requests.load(Ordering::Relaxed),
        });
        all.collect()
    }

    /// Waits until all files are complete, once the drive is gone; which of them could not be written.
    pub fn finish(&self) -> Vec<Unwritten> {
        let all: Vec<Arc<Entry>> = self.known().under_way.values().cloned().collect();
        let outcomes = all.iter().map(|entry| entry.outcome());
        outcomes.filter_map(Result::err).collect()
    }

    fn known(&self) -> MutexGuard<'_, Known> {
        // A panic elsewhere leaves the list whole.
        self.known.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl Entry {
    /// Waits for the end of the file. Whoever asks again is told the same.
    fn outcome(&self) -> Result<Held, Unwritten> {
        let mut fate = self.fate.lock().unwrap_or_else(PoisonError::into_inner);
        let defect = Err("what writes it was stopped by a defect of imbrex".to_owned());
        let outcome = match std::mem::replace(&mut *fate, Fate::Over(defect.clone())) {
            Fate::Writing(writing) => writing.join().unwrap_or(defect),
            Fate::Over(outcome) => outcome,
        };
        *fate = Fate::Over(outcome.clone());
        outcome.map_err(|why| Unwritten {
            file: self.file.clone(),
            why,
        })
    }

    fn remove(&self) -> Result<(), RecordingsError> {
        match std::fs::remove_file(&self.file) {
            Err(source) if source.kind() != io::ErrorKind::NotFound => {
                Err(RecordingsError::Remove {
                    path: self.file.clone(),
                    source,
                })
            }
            _ => Ok(()),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::host::clock::Pace;
    use crate::host::limits::Limits;
    use crate::host::owner::Owner;
    use crate::host::recorder::Told;
    use crate::host::stand_in::{StandIn, info};
    use crate::medium::memory_store::MemoryStore;
    use crate::medium::mover::Mover;
    use crate::time::Duration;

    const CAPACITY: u64 = 1 << 20;

    fn drive() -> (Handle, Owner) {
        let machine = StandIn::new(Duration(1), false);
        let mover = Mover::plain(Box::new(MemoryStore::new(CAPACITY)));
        let limits = Limits::default();
        Owner::start(machine, mover, Pace::Off, info(CAPACITY), limits).unwrap()
    }

    /// Writes how many answers there were, as text; what is named `full` finds no room.
    fn recordings() -> Recordings {
        Recordings::new(Arc::new(|path| {
            let file = path.to_owned();
            std::fs::File::create_new(&file).map_err(|_| ScribeError::Exists(path.to_owned()))?;
            let (recorder, told) = Recorder::new();
            let writing = std::thread::spawn(move || {
                if file.ends_with("full") {
                    return Err("no room".to_owned());
                }
                for told in told {
                    if let Told::Ended(held) = told {
                        std::fs::write(&file, held.requests.to_string()).unwrap();
                        return Ok(held);
                    }
                }
                Err("it never began".to_owned())
            });
            Ok((recorder, writing))
        }))
    }

    fn read(handle: &Handle) {
        let (offset, bytes) = (0, 4096);
        assert!(handle.ask(Ask::Read { offset, bytes }).is_ok());
    }

    fn words(outcome: Result<impl Sized, RecordingsError>) -> String {
        outcome.err().expect("it is refused").to_string()
    }

    #[test]
    fn an_ended_recording_is_complete_and_told_once() {
        let folder = tempfile::tempdir().unwrap();
        let (one, two) = (folder.path().join("one"), folder.path().join("two"));
        let (handle, owner) = drive();
        let recordings = recordings();
        let first = recordings.begin(&handle, &one).unwrap();
        read(&handle);
        let second = recordings.begin(&handle, &two).unwrap();
        read(&handle);
        let listed: Vec<_> = recordings
            .under_way()
            .into_iter()
            .map(|each| (each.recording, each.file, each.requests))
            .collect();
        assert_eq!(listed, [(first, one.clone(), 2), (second, two.clone(), 1)]);
        assert_eq!(recordings.end(&handle, first, false).unwrap().requests, 2);
        assert_eq!(std::fs::read_to_string(&one).unwrap(), "2");
        let told = words(recordings.end(&handle, first, false));
        assert!(told.contains("recording 1 is not under way"), "{told}");
        assert_eq!(recordings.under_way().len(), 1);
        assert_eq!(recordings.end(&handle, second, true).unwrap().requests, 1);
        assert!(!two.exists(), "it was of no use");
        owner.stop().unwrap();
    }

    #[test]
    fn the_end_of_the_drive_is_the_end_of_its_recordings() {
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("file");
        let (handle, owner) = drive();
        let recordings = recordings();
        let id = recordings.begin(&handle, &file).unwrap();
        read(&handle);
        owner.stop().unwrap();
        assert_eq!(recordings.finish(), []);
        assert_eq!(std::fs::read_to_string(&file).unwrap(), "1");
        assert_eq!(recordings.end(&handle, id, false).unwrap().requests, 1);
        let late = folder.path().join("late");
        let told = words(recordings.begin(&handle, &late));
        assert_eq!(told, HostError::Gone.to_string());
        assert!(!late.exists());
        assert_eq!(recordings.under_way(), []);
    }

    #[test]
    fn a_file_without_room_is_told_of_at_its_end_and_harms_no_other() {
        let folder = tempfile::tempdir().unwrap();
        let (full, other) = (folder.path().join("full"), folder.path().join("other"));
        let (handle, owner) = drive();
        let recordings = recordings();
        let one = recordings.begin(&handle, &full).unwrap();
        recordings.begin(&handle, &other).unwrap();
        read(&handle);
        let told = words(recordings.end(&handle, one, false));
        assert!(
            told.contains("full is incomplete") && told.contains("no room"),
            "{told}"
        );
        let again = folder.path().join("deep");
        std::fs::create_dir(&again).unwrap();
        let again = again.join("full");
        recordings.begin(&handle, &again).unwrap();
        owner.stop().unwrap();
        let why = "no room".to_owned();
        assert_eq!(recordings.finish(), [Unwritten { file: again, why }]);
        assert_eq!(std::fs::read_to_string(&other).unwrap(), "1");
    }

    #[test]
    fn there_are_no_more_than_the_limit_and_one_that_is_refused_takes_no_place() {
        let folder = tempfile::tempdir().unwrap();
        let file = |n: usize| folder.path().join(n.to_string());
        let (handle, owner) = drive();
        let recordings = recordings();
        for n in 0..RECORDINGS_MAX {
            recordings.begin(&handle, &file(n)).unwrap();
            let told = words(recordings.begin(&handle, &file(0)));
            let expected = if n + 1 < RECORDINGS_MAX {
                "left alone"
            } else {
                "the limit"
            };
            assert!(told.contains(expected), "{told}");
        }
        assert!(!file(RECORDINGS_MAX).exists());
        recordings.end(&handle, RecordingId(1), false).unwrap();
        let id = recordings.begin(&handle, &file(RECORDINGS_MAX)).unwrap();
        assert_eq!(id.0, u64::try_from(RECORDINGS_MAX).unwrap() + 1);
        owner.stop().unwrap();
        assert_eq!(recordings.finish(), []);
    }
}

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
use std::sync::{Arc, Condvar, Mutex, MutexGuard, PoisonError};
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
    #[error("{} exists and is left alone; name another file or remove it", .0.display())]
    Exists(PathBuf),
    /// The drive is not one that may be recorded.
    #[error("{0}")]
    Hidden(String),
    /// The file cannot be made.
    #[error("cannot create {}, as the user that the server runs as: {source}", path.display())]
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
    /// Why it could not be written, where that is known already.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub unwritten: Option<String>,
}

/// The recordings of a drive. A clone is the same.
#[derive(Clone)]
pub struct Recordings {
    scribe: Scribe,
    known: Arc<Mutex<Known>>,
    /// Rings when nobody begins one any more.
    settled: Arc<Condvar>,
}

#[derive(Default)]
struct Known {
    /// Numbers given so far.
    given: u64,
    /// Those that are about to begin, or found that they cannot.
    opening: usize,
    /// The drive is gone: none begins any more.
    is_closed: bool,
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
            settled: Arc::default(),
        }
    }

    /// A recorder for the new file `file`, of a drive that takes everything from its start on.
    pub fn from_the_start(&self, file: &Path) -> Result<Recorder, RecordingsError> {
        let opening = self.opening()?;
        let (id, recorder, entry) = opening.open(file)?;
        self.known().under_way.insert(id, Arc::new(entry));
        Ok(recorder)
    }

    /// Begins a recording of the drive behind `handle` in the new file `file`. If the drive takes none,
    /// there is no file afterwards.
    pub fn begin(&self, handle: &Handle, file: &Path) -> Result<RecordingId, RecordingsError> {
        let opening = self.opening()?;
        let (id, recorder, entry) = opening.open(file)?;
        match handle.ask(Ask::Record(Box::new(recorder))) {
            Ok(_) => {
                self.known().under_way.insert(id, Arc::new(entry));
                Ok(id)
            }
            Err(error) => {
                // The recorder went with the question, so that the writing has an end.
                let _ = entry.outcome();
                entry.remove()?;
                Err(error.into())
            }
        }
    }

    /// A place for one more. However long it takes to open its file, nobody else waits for that.
    fn opening(&self) -> Result<Opening<'_>, RecordingsError> {
        let mut known = self.known();
        if known.is_closed {
            return Err(HostError::Gone.into());
        }
        if known.under_way.len() + known.opening >= RECORDINGS_MAX {
            return Err(RecordingsError::TooMany);
        }
        known.opening += 1;
        Ok(Opening(self))
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
            unwritten: entry.failure(),
        });
        all.collect()
    }

    /// Waits until all files are complete, once the drive is gone; which of them could not be written. None
    /// begins any more.
    pub fn finish(&self) -> Vec<Unwritten> {
        let mut known = self.known();
        known.is_closed = true;
        while known.opening > 0 {
            let woken = self.settled.wait(known);
            known = woken.unwrap_or_else(PoisonError::into_inner);
        }
        let all: Vec<Arc<Entry>> = known.under_way.values().cloned().collect();
        drop(known);
        let outcomes = all.iter().map(|entry| entry.outcome());
        outcomes.filter_map(Result::err).collect()
    }

    fn known(&self) -> MutexGuard<'_, Known> {
        // A panic elsewhere leaves the list whole.
        self.known.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// Holds the place of a recording that is about to begin.
struct Opening<'r>(&'r Recordings);

impl Opening<'_> {
    fn open(&self, file: &Path) -> Result<(RecordingId, Recorder, Entry), ScribeError> {
        let (recorder, writing) = (self.0.scribe)(file)?;
        let mut known = self.0.known();
        known.given += 1;
        let id = RecordingId(known.given);
        let entry = Entry {
            file: file.to_owned(),
            requests: recorder.requests(),
            fate: Mutex::new(Fate::Writing(writing)),
        };
        Ok((id, recorder.numbered(id), entry))
    }
}

impl Drop for Opening<'_> {
    fn drop(&mut self) {
        self.0.known().opening -= 1;
        self.0.settled.notify_all();
    }
}

impl Entry {
    /// Why it could not be written, if that is known by now.
    fn failure(&self) -> Option<String> {
        // Somebody who holds it waits for its end.
        let fate = self.fate.try_lock().ok()?;
        let is_over = match &*fate {
            Fate::Writing(writing) => writing.is_finished(),
            Fate::Over(_) => true,
        };
        drop(fate);
        is_over
            .then(|| self.outcome().err())?
            .map(|unwritten| unwritten.why)
    }

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
    fn one_that_begins_while_the_drive_ends_leaves_no_file_and_is_no_failure() {
        let folder = tempfile::tempdir().unwrap();
        let (handle, owner) = drive();
        // The drive goes away while the file is being made.
        let plain = recordings();
        let (making, made) = (crossbeam_channel::bounded(0), crossbeam_channel::bounded(0));
        let (tell, wait) = (making.0.clone(), made.1.clone());
        let recordings = Recordings::new(Arc::new(move |path| {
            tell.send(()).unwrap();
            wait.recv().unwrap();
            (plain.scribe)(path)
        }));
        let file = folder.path().join("late");
        let beginning = {
            let (recordings, handle, file) = (recordings.clone(), handle.clone(), file.clone());
            std::thread::spawn(move || words(recordings.begin(&handle, &file)))
        };
        making.1.recv().unwrap();
        owner.stop().unwrap();
        let finishing = {
            let (recordings, file) = (recordings.clone(), file.clone());
            std::thread::spawn(move || (recordings.finish(), file.exists()))
        };
        made.0.send(()).unwrap();
        assert_eq!(beginning.join().unwrap(), HostError::Gone.to_string());
        assert_eq!(finishing.join().unwrap(), (vec![], false));
        let told = words(recordings.begin(&handle, &file));
        assert_eq!(told, HostError::Gone.to_string());
        assert!(!file.exists());
    }

    #[test]
    fn a_scribe_that_panics_keeps_no_place() {
        let (handle, owner) = drive();
        let recordings = Recordings::new(Arc::new(|_| panic!("a defect")));
        for _ in 0..=RECORDINGS_MAX {
            let (recordings, handle) = (recordings.clone(), handle.clone());
            let begun = std::thread::spawn(move || recordings.begin(&handle, Path::new("f")));
            assert!(begun.join().is_err());
        }
        owner.stop().unwrap();
        assert_eq!(recordings.finish(), []);
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
        let unwritten = |of: usize| recordings.under_way()[of].unwritten.clone();
        while unwritten(0).is_none() {
            std::thread::yield_now();
        }
        assert_eq!(
            (unwritten(0), unwritten(1)),
            (Some("no room".to_owned()), None)
        );
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

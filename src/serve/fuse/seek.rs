//! Owns the search for data and holes (`lseek` with `SEEK_DATA` and `SEEK_HOLE`).
//!
//! One search can take several questions, and neither the session thread nor the drive's thread
//! may wait for answers. So searches have a thread of their own, which ends when the last
//! [`Searcher`] is dropped.

use std::io;
use std::thread::JoinHandle;

use crossbeam_channel::{Receiver, Sender, unbounded};
use fuser::{Errno, ReplyLseek};

use crate::drive::request::Whereabouts;
use crate::host::handle::{Answer, Ask, Handle};
use crate::serve::fuse::errno::errno;

/// What is searched for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Wanted {
    Data,
    Hole,
}

/// Hands searches to their thread.
pub(super) struct Searcher {
    searches: Sender<Search>,
}

struct Search {
    wanted: Wanted,
    from: u64,
    reply: ReplyLseek,
}

impl Searcher {
    /// Starts the thread.
    pub(super) fn start(handle: Handle) -> io::Result<(Searcher, JoinHandle<()>)> {
        // The kernel lets a process wait for one search per thread, so the queue cannot grow past
        // the number of threads that wait.
        let (searches, inbox) = unbounded();
        let thread = std::thread::Builder::new()
            .name("imbrex-fuse-seek".into())
            .spawn(move || answer_all(&handle, &inbox))?;
        Ok((Searcher { searches }, thread))
    }

    /// Searches from byte `from` on and replies when it is known.
    pub(super) fn search(&self, wanted: Wanted, from: u64, reply: ReplyLseek) {
        let search = Search {
            wanted,
            from,
            reply,
        };
        if let Err(unsent) = self.searches.send(search) {
            unsent.into_inner().reply.error(Errno::EIO);
        }
    }
}

fn answer_all(handle: &Handle, inbox: &Receiver<Search>) {
    for search in inbox {
        let found = find(handle, search.wanted, search.from)
            .and_then(|at| i64::try_from(at).map_err(|_| Errno::EOVERFLOW));
        match found {
            Ok(at) => search.reply.offset(at),
            Err(error) => search.reply.error(error),
        }
    }
}

/// First byte from `from` on that is what is wanted. The end of the drive counts as a hole, as the
/// end of any file does; where no data follows the answer is `ENXIO`.
fn find(handle: &Handle, wanted: Wanted, from: u64) -> Result<u64, Errno> {
    let capacity = handle.info().capacity_bytes;
    if from >= capacity {
        return Err(Errno::ENXIO);
    }
    if handle.info().discreet {
        // Where nothing was ever written would tell how the drive is divided: all of it is data.
        return Ok(match wanted {
            Wanted::Data => from,
            Wanted::Hole => capacity,
        });
    }
    let mut at = from;
    while at < capacity {
        let question = Ask::Whereabouts {
            offset: at,
            bytes: capacity - at,
        };
        let runs = match handle.ask(question) {
            Ok(Answer::Whereabouts(runs)) => runs,
            Ok(_) => return Err(Errno::EIO),
            Err(error) => return Err(errno(&error)),
        };
        let asked_at = at;
        for (bytes, place) in runs {
            if (place == Whereabouts::Nowhere) == (wanted == Wanted::Hole) && bytes > 0 {
                return Ok(at);
            }
            at = at.saturating_add(bytes);
        }
        if at == asked_at {
            // The drive promises at least one part; without one this would go on for ever.
            return Err(Errno::EIO);
        }
    }
    match wanted {
        Wanted::Data => Err(Errno::ENXIO),
        Wanted::Hole => Ok(capacity),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::serve::fuse::stand_in::{Habit, StandIn};
    use crate::units::index;

    #[test]
    fn every_search_on_a_small_drive_finds_what_a_scan_finds() {
        const SECTOR: u64 = 4096;
        for pattern in 0_u64..32 {
            let stand_in = StandIn::start(5 * SECTOR, Habit::Prompt);
            let handle = stand_in.handle();
            let written: Vec<bool> = (0..5).map(|sector| pattern >> sector & 1 == 1).collect();
            for sector in (0..5_u64).filter(|&sector| written[index(sector)]) {
                let write = Ask::Write {
                    offset: sector * SECTOR,
                    data: vec![1; index(SECTOR)],
                    fua: false,
                };
                assert_eq!(handle.ask(write), Ok(Answer::Done));
            }
            for from in [0, 1, 4095, 4096, 9000, 12288, 20479, 20480, 99999] {
                let scan =
                    |data: bool| (from..5 * SECTOR).find(|&at| written[index(at / SECTOR)] == data);
                let hole = if from < 5 * SECTOR {
                    Ok(scan(false).unwrap_or(5 * SECTOR))
                } else {
                    Err(Errno::ENXIO)
                };
                assert_eq!(find(&handle, Wanted::Hole, from), hole);
                assert_eq!(
                    find(&handle, Wanted::Data, from),
                    scan(true).ok_or(Errno::ENXIO)
                );
            }
        }
    }
}

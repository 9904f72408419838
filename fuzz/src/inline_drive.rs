//! Owns a drive that answers in the thread that asks: an array of bytes behind the handle that
//! frontends get. So a session needs no other thread to get on, and is the same each time.

use std::sync::{Arc, Mutex, OnceLock};

use crossbeam_channel::Receiver;
use imbrex::drive::request::{Operation, Refusal, Request, Whereabouts};
use imbrex::host::handle::{Answer, Ask, Call, DriveInfo, Handle, HostError, Reply, Wake};
use imbrex::medium::movement::RequestId;

/// Bytes of the drive.
pub const CAPACITY: usize = 256 << 10;
const PART: usize = 512;

/// Bytes, and which parts of them were written.
pub struct InlineDrive {
    calls: Receiver<Call>,
    bytes: Mutex<Vec<u8>>,
}

struct Bell(OnceLock<Arc<InlineDrive>>);

impl Wake for Bell {
    fn wake(&self) {
        if let Some(drive) = self.0.get() {
            drive.answer_all();
        }
    }
}

impl InlineDrive {
    /// A drive, and the handle to it.
    pub fn new() -> (Handle, Arc<InlineDrive>) {
        let (sender, calls) = crossbeam_channel::bounded(16);
        let drive = Arc::new(InlineDrive {
            calls,
            bytes: Mutex::new(vec![0; CAPACITY]),
        });
        let bell = Bell(OnceLock::from(Arc::clone(&drive)));
        let info = DriveInfo {
            name: "pocket".to_owned(),
            capacity_bytes: CAPACITY as u64,
            logical_sector_bytes: 512,
            physical_sector_bytes: 4096,
            trim: true,
            fast_zeroes: true,
            write_cache: true,
            read_only: false,
            discreet: false,
            read_buffer_bytes: 32 << 10,
        };
        (Handle::new(Arc::new(info), sender, Arc::new(bell)), drive)
    }

    /// Zeroes everything.
    pub fn forget(&self) {
        self.bytes.lock().expect("nobody panicked").fill(0);
    }

    fn answer_all(&self) {
        while let Ok(call) = self.calls.try_recv() {
            let outcome = answer(call.ask, &mut self.bytes.lock().expect("nobody panicked"));
            (call.reply)(Reply {
                outcome,
                completion: None,
            });
            if let Some(carrier) = call.carrier {
                carrier.carry(64 << 10);
            }
        }
    }
}

/// Refuses what the real drive refuses, by the same check.
fn range(operation: Operation, offset: u64, bytes: u64) -> Result<std::ops::Range<usize>, Refusal> {
    let request = Request::new(RequestId(1), operation, offset, bytes, CAPACITY as u64)?;
    let at = usize::try_from(request.offset()).expect("on the drive");
    let bytes = usize::try_from(request.bytes()).expect("on the drive");
    Ok(at..at + bytes)
}

fn answer(ask: Ask, memory: &mut [u8]) -> Result<Answer, HostError> {
    Ok(match ask {
        Ask::Read { offset, bytes } => {
            Answer::Data(memory[range(Operation::Read, offset, bytes)?].to_vec())
        }
        Ask::Write { offset, data, fua } => {
            let range = range(Operation::Write { fua }, offset, data.len() as u64)?;
            memory[range].copy_from_slice(&data);
            Answer::Done
        }
        Ask::Trim { offset, bytes, .. } | Ask::WriteZeroes { offset, bytes, .. } => {
            memory[range(Operation::Trim, offset, bytes)?].fill(0);
            Answer::Done
        }
        Ask::Whereabouts { offset, bytes } => {
            let run = &memory[range(Operation::Read, offset, bytes)?];
            let place = |part: &[u8]| match part.first() {
                None | Some(0) => Whereabouts::Nowhere,
                Some(value) if value % 2 == 0 => Whereabouts::Home,
                Some(_) => Whereabouts::Staged,
            };
            let runs = run
                .chunks(PART)
                .map(|part| (part.len() as u64, place(part)));
            Answer::Whereabouts(runs.collect())
        }
        Ask::Cache { offset, bytes } => {
            range(Operation::Read, offset, bytes)?;
            Answer::Done
        }
        Ask::Flush
        | Ask::Status
        | Ask::Account
        | Ask::Order(_)
        | Ask::Record(_)
        | Ask::EndRecording(_) => Answer::Done,
    })
}

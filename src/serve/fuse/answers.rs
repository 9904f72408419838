//! Owns what becomes of the drive's answers: one function for each kind of reply to the kernel.
//!
//! They run on the drive's thread and never block. What errors mean is in `errno`.

use fuser::{Errno, ReplyData, ReplyEmpty, ReplyWrite};

use crate::host::handle::{Answer, ReplyTo};
use crate::serve::fuse::errno::errno;

/// Success carries nothing back.
pub(super) fn plain(reply: ReplyEmpty) -> ReplyTo {
    Box::new(move |came| match came.outcome {
        Ok(Answer::Done) => reply.ok(),
        Ok(other) => reply.error(misfit("Done", &other)),
        Err(error) => reply.error(errno(&error)),
    })
}

/// Success brings the bytes of a read.
pub(super) fn data(reply: ReplyData) -> ReplyTo {
    Box::new(move |came| match came.outcome {
        Ok(Answer::Data(data)) => reply.data(&data),
        Ok(other) => reply.error(misfit("Data", &other)),
        Err(error) => reply.error(errno(&error)),
    })
}

/// Success means that `bytes` were written.
pub(super) fn written(reply: ReplyWrite, bytes: u32) -> ReplyTo {
    Box::new(move |came| match came.outcome {
        Ok(Answer::Done) => reply.written(bytes),
        Ok(other) => reply.error(misfit("Done", &other)),
        Err(error) => reply.error(errno(&error)),
    })
}

/// A defect of the drive's thread, which the program sees as an I/O error.
fn misfit(expected: &str, came: &Answer) -> Errno {
    let kind = match came {
        Answer::Done => "Done",
        Answer::Data(_) => "Data",
        Answer::Whereabouts(_) => "Whereabouts",
        Answer::Status(_) => "Status",
        Answer::Account(_) => "Account",
        Answer::Order(_) => "Order",
    };
    log::error!("the drive answered {kind} where {expected} was due: a defect of imbrex");
    Errno::EIO
}

//! Owns the one table from the host's errors to what a program sees in `errno`.

use fuser::Errno;

use crate::drive::fault::FailingKind;
use crate::drive::request::Refusal;
use crate::host::handle::HostError;

/// What a program sees.
pub(super) fn errno(error: &HostError) -> Errno {
    match error {
        HostError::Refused(Refusal::OutOfBounds { .. }) => Errno::ENOSPC,
        HostError::Refused(Refusal::Empty { .. }) => Errno::EINVAL,
        HostError::ReadOnly => Errno::EROFS,
        HostError::Unsupported => Errno::EOPNOTSUPP,
        HostError::Failing(failing) => match failing.kind {
            FailingKind::ReadOnly => Errno::EROFS,
            FailingKind::Unreadable(_) | FailingKind::Unwritable(_) | FailingKind::Aborted => {
                Errno::EIO
            }
        },
        HostError::Failed(_)
        | HostError::TooSlow { .. }
        | HostError::TakenOut { .. }
        | HostError::NoPower
        | HostError::Replaced => Errno::EIO,
        HostError::Gone => Errno::ENODEV,
    }
}

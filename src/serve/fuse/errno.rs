//! Owns the one table from the host's errors to what a program sees in `errno`.

use fuser::Errno;

use crate::drive::request::Refusal;
use crate::host::handle::HostError;

/// What a program sees.
pub(super) fn errno(error: &HostError) -> Errno {
    match error {
        HostError::Refused(Refusal::OutOfBounds { .. }) => Errno::ENOSPC,
        HostError::Refused(Refusal::Empty { .. }) => Errno::EINVAL,
        HostError::ReadOnly => Errno::EROFS,
        HostError::Unsupported => Errno::EOPNOTSUPP,
        HostError::Failed(_) => Errno::EIO,
        HostError::Gone => Errno::ENODEV,
    }
}

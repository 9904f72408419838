//! Owns the giving up of root's rights, for good.
//!
//! What needs them, opening the image, comes first; sockets, threads and the ring come after, so all
//! of them belong to the lesser user. It does not know what is served.

use nix::errno::Errno;
use nix::sys::prctl;
use nix::unistd::{Gid, Uid, User, geteuid, setgroups, setresgid, setresuid};

use super::exit::{RigError, UsageError};

/// Whom a process of root will be from some moment on.
#[derive(Clone, Copy, Debug)]
pub(super) struct LesserUser {
    uid: Uid,
    gid: Gid,
}

impl LesserUser {
    /// Finds a user by name or number. From here on no program that is started gains rights.
    ///
    /// # Errors
    /// Where there is no such user, it is root, or this process is not root's.
    pub(super) fn find(name: &str) -> anyhow::Result<LesserUser> {
        if !geteuid().is_root() {
            let what = format!("--user {name}: only root can go on as another user");
            return Err(UsageError(what).into());
        }
        let found = match name.parse() {
            Ok(number) => User::from_uid(Uid::from_raw(number)),
            Err(_) => User::from_name(name),
        };
        let found = found.map_err(rig("look up the user given with --user"))?;
        let Some(user) = found.filter(|user| !user.uid.is_root()) else {
            let what = format!("--user {name}: name an existing user other than root");
            return Err(UsageError(what).into());
        };
        prctl::set_no_new_privs().map_err(rig("renounce new privileges"))?;
        Ok(LesserUser {
            uid: user.uid,
            gid: user.gid,
        })
    }

    /// Becomes that user, with its first group and no other.
    pub(super) fn become_it(self) -> Result<(), RigError> {
        let LesserUser { uid, gid } = self;
        setgroups(&[gid])
            .and_then(|()| setresgid(gid, gid, gid))
            .and_then(|()| setresuid(uid, uid, uid))
            .map_err(rig("become the user given with --user"))
    }
}

fn rig(doing: &'static str) -> impl FnOnce(Errno) -> RigError {
    move |errno| RigError {
        doing,
        source: errno.into(),
    }
}

//! Owns the frontends of a served drive: started together, stopped in order.
//!
//! If one cannot start, those that did are stopped again.

use std::path::Path;
use std::sync::Arc;
use std::time::{Duration, Instant};

use crossbeam_channel::Receiver;

use super::address::{self, NbdAddress};
use super::output;
use crate::control::attendant::DropConnections;
use crate::host::handle::Handle;
use crate::serve::fuse::error::FuseError;
use crate::serve::fuse::server::{FuseConfig, FuseEnd, FuseServer};
use crate::serve::nbd::{NbdConfig, NbdServer, Tls};

/// How long whoever uses the mounted file has to let go of it.
const PATIENCE: Duration = Duration::from_secs(10);
/// How often unmounting is tried meanwhile.
const RETRY: Duration = Duration::from_millis(250);

/// What is to be served.
pub(super) struct Wanted<'a> {
    pub(super) nbd: &'a [NbdAddress],
    pub(super) allow_remote: bool,
    pub(super) tls: Tls,
    pub(super) fuse: Option<&'a Path>,
    pub(super) allow_root: bool,
}

/// Running frontends. Dropping stops them without waiting for users.
pub(super) struct Frontends {
    // In the order in which they go.
    fuse: Option<FuseServer>,
    nbd: Option<NbdServer>,
}

/// Finds out what is wrong with what is wanted, as far as that shows before there is a drive.
pub(super) fn check(wanted: &Wanted<'_>) -> anyhow::Result<()> {
    config(wanted)?.check()?;
    if let Some(dir) = wanted.fuse {
        FuseServer::clear(dir)?;
    }
    Ok(())
}

impl Frontends {
    /// Starts all that is wanted.
    pub(super) fn start(handle: &Handle, wanted: &Wanted<'_>) -> anyhow::Result<Frontends> {
        let nbd = if wanted.nbd.is_empty() {
            None
        } else {
            Some(NbdServer::start(handle.clone(), config(wanted)?)?)
        };
        let mut frontends = Frontends { fuse: None, nbd };
        if let Some(dir) = wanted.fuse {
            let config = FuseConfig {
                dir: dir.to_owned(),
                allow_root: wanted.allow_root,
            };
            frontends.fuse = Some(FuseServer::mount(handle.clone(), &config)?);
        }
        Ok(frontends)
    }

    /// Where clients find the drive.
    pub(super) fn places(&self) -> Vec<String> {
        let nbd = self
            .nbd
            .iter()
            .flat_map(NbdServer::addresses)
            .map(ToString::to_string);
        let fuse = self
            .fuse
            .iter()
            .map(|fuse| fuse.disk().display().to_string());
        nbd.chain(fuse).collect()
    }

    /// What closes all connections of NBD clients.
    pub(super) fn dropper(&self) -> DropConnections {
        match &self.nbd {
            Some(nbd) => Arc::new(nbd.dropper()),
            None => Arc::new(|| 0),
        }
    }

    /// Tells when the mount is gone.
    pub(super) fn unmounted(&self) -> Option<&Receiver<FuseEnd>> {
        self.fuse.as_ref().map(FuseServer::ended)
    }

    /// Unmounts, then lets NBD clients finish what is under way.
    pub(super) fn stop(mut self) {
        if let Some(fuse) = &mut self.fuse {
            unmount(fuse);
        }
        if let Some(nbd) = self.nbd.take() {
            nbd.stop();
        }
    }
}

fn config(wanted: &Wanted<'_>) -> anyhow::Result<NbdConfig> {
    let mut config = NbdConfig {
        allow_remote: wanted.allow_remote,
        tls: wanted.tls.clone(),
        ..NbdConfig::default()
    };
    for address in wanted.nbd {
        match address {
            NbdAddress::Unix(path) => config.unix.push(path.clone()),
            NbdAddress::Tcp(place) => config.tcp.push(address::resolve(place)?),
        }
    }
    Ok(config)
}

/// Waits for users to let go, then takes the mount away from under them.
fn unmount(fuse: &mut FuseServer) {
    let begun = Instant::now();
    let mut told = false;
    loop {
        match fuse.unmount() {
            Ok(()) => return,
            Err(busy @ FuseError::Busy { .. }) if begun.elapsed() < PATIENCE => {
                if !told {
                    output::say(&format!("waiting up to {} s: {busy}", PATIENCE.as_secs()));
                    told = true;
                }
                std::thread::sleep(RETRY);
            }
            Err(error) => {
                output::say(&format!(
                    "{error}\nunmounting it all the same; its users get errors from now on"
                ));
                if let Err(error) = fuse.unmount_lazily() {
                    output::say(&error.to_string());
                }
                return;
            }
        }
    }
}

//! Owns the question whether requests fit a drive, answered before a run and not in the middle of it.

use super::SimulationError;
use crate::lab::generator;
use crate::lab::playback::Playback;
use crate::lab::replay::{self, Beyond};
use crate::lab::source::Source;
use crate::lab::streams::Streams;
use crate::lab::workload::Workload;
use crate::profile::Profile;

/// Whether `workload` can be run on a drive of `profile`.
///
/// # Errors
/// What of it does not fit.
pub fn fits(profile: &Profile, workload: &Workload) -> Result<(), SimulationError> {
    made(profile, workload).map(drop)
}

/// Whether every request of a recording can be run on a drive of `profile`.
///
/// # Errors
/// The first that does not fit.
pub fn fits_back(
    profile: &Profile,
    playback: &Playback,
    beyond: Beyond,
) -> Result<(), SimulationError> {
    if beyond == Beyond::Refuse && playback.end_bytes > profile.drive.capacity_bytes {
        check_fit(profile, &mut playback.read()?)?;
    }
    Ok(())
}

/// The requests of a workload, if it fits the drive.
pub(super) fn made(
    profile: &Profile,
    workload: &Workload,
) -> Result<Source<'static>, SimulationError> {
    let trims = workload.streams.iter().find(|stream| stream.mix.trim > 0);
    if let Some(stream) = trims.filter(|_| !profile.trim.enabled) {
        return Err(SimulationError::NoTrim {
            stream: stream.name.clone(),
            percent: stream.mix.trim,
            drive: profile.name.clone(),
        });
    }
    let capacity = profile.drive.capacity_bytes;
    let streams = Streams::new(workload, capacity).map_err(|misfit| {
        let stream = &workload.streams[misfit.0];
        let (from, length) = generator::range(stream, capacity);
        SimulationError::OutOfRange {
            stream: stream.name.clone(),
            from,
            length,
            request: stream.largest(),
            capacity,
        }
    })?;
    Ok(Source::Made(Box::new(streams)))
}

/// Whether all of `all` fit a drive of `profile`.
pub(super) fn check_fit(
    profile: &Profile,
    all: &mut replay::From<'_>,
) -> Result<(), SimulationError> {
    for recorded in all {
        let recorded = recorded?;
        let fits = replay::fitted(&recorded, Beyond::Refuse, profile.drive.capacity_bytes);
        fits.map_err(|refusal| SimulationError::Unfit {
            request: recorded.number,
            drive: profile.name.clone(),
            refusal,
        })?;
    }
    Ok(())
}

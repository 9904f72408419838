//! Owns what a forecast is about: a workload or a trace, and the changes to it that are tried.
//!
//! A changed load asks for the same bytes as the one it was made from, unless its description says
//! otherwise. What cannot be changed is told with the reason.

use std::sync::Arc;

use crate::lab::generator;
use crate::lab::playback::Playback;
use crate::lab::replay::{How, Keep};
use crate::lab::simulation::Load;
use crate::lab::summary::Summary;
use crate::lab::workload::{Arrivals, Mix, Order, Phase, Spacing};
use crate::lab::workload::{Stream, Workload};
use crate::time::Duration;
use crate::units::count;

/// What is asked of the drives.
#[derive(Clone, Debug)]
pub enum Asked {
    /// Requests made as a workload says.
    Workload(Workload),
    /// Requests as they were recorded.
    Trace {
        /// The recording.
        playback: Arc<Playback>,
        /// How it is replayed.
        how: How,
        /// Neighbouring writes become one of up to so many bytes; 0: none does.
        joined_bytes: u64,
    },
}

/// Bytes of the largest request that a load is given.
pub const LARGEST_BYTES: u64 = 8 << 20;
/// How many times larger requests become.
const LARGER: u64 = 16;
/// Bytes of a discard that gives back what will be overwritten.
const TRIM_BYTES: u64 = 64 << 20;

impl Asked {
    /// Its name, shown to people.
    pub fn name(&self) -> String {
        match self {
            Asked::Workload(workload) => workload.name.clone(),
            Asked::Trace { playback, .. } => playback.name(),
        }
    }

    /// What the simulation runs.
    pub fn load(&self) -> Load<'_> {
        match self {
            Asked::Workload(workload) => Load::Made(workload),
            Asked::Trace {
                playback,
                how,
                joined_bytes,
            } => Load::Recorded {
                playback,
                how: *how,
                joined_bytes: *joined_bytes,
            },
        }
    }

    /// The same with another seed. A trace has none.
    #[must_use]
    pub fn seeded(&self, plus: u64) -> Asked {
        let mut other = self.clone();
        if let Asked::Workload(workload) = &mut other {
            workload.seed = workload.seed.wrapping_add(plus);
        }
        other
    }

    /// Whether requests come at times of their own, whatever the drive does.
    pub fn is_paced(&self) -> bool {
        match self {
            Asked::Workload(workload) => workload
                .streams
                .iter()
                .any(|stream| matches!(stream.arrivals, Arrivals::Open { .. })),
            Asked::Trace { how, .. } => how.keep == Keep::Times,
        }
    }

    /// Whether some of it waits for answers until a time of its own is over: what it asks for depends on
    /// how fast the drive is.
    pub fn ends_by_time(&self) -> bool {
        match self {
            Asked::Workload(workload) => ends_by_time(workload),
            Asked::Trace { .. } => false,
        }
    }

    /// How many requests it has, and how long it goes on, where it says so.
    pub fn extent(&self) -> (Option<u64>, Option<Duration>) {
        match self {
            Asked::Workload(workload) => workload.extent(),
            Asked::Trace { playback, .. } => (Some(playback.requests), None),
        }
    }

    /// The same bytes in larger writes, and what was done in words.
    ///
    /// # Errors
    /// Why not, in words.
    pub fn larger(&self) -> Result<(Asked, String), String> {
        match self {
            Asked::Workload(workload) => larger_workload(workload),
            Asked::Trace { playback, how, .. } => {
                let joined = Asked::Trace {
                    playback: Arc::clone(playback),
                    how: *how,
                    joined_bytes: LARGEST_BYTES,
                };
                let words = "writes that follow one another without a gap joined up to 8 MiB; \
                             others stay as they are";
                Ok((joined, words.to_owned()))
            }
        }
    }

    /// The load in slow motion: at so many thousandths of its rate. A stream that waits for answers is
    /// given the rate of `closed_per_s_milli` first, in thousandths of a request per second.
    ///
    /// # Errors
    /// Why not, in words.
    pub fn slowed(&self, milli: u64, closed_per_s_milli: u64) -> Result<Asked, String> {
        match self {
            Asked::Workload(workload) => slowed_workload(workload, milli, closed_per_s_milli),
            Asked::Trace { how, .. } if how.keep == Keep::ThinkTimes => {
                Err("the trace waits for answers and has no rate of its own (--keep times)".into())
            }
            Asked::Trace {
                playback,
                how,
                joined_bytes,
            } => Ok(Asked::Trace {
                playback: Arc::clone(playback),
                how: How {
                    speed_milli: (how.speed_milli * milli / 1000).max(1),
                    ..*how
                },
                joined_bytes: *joined_bytes,
            }),
        }
    }

    /// With a discard of what sequential streams will overwrite, before anything else. `written`: bytes
    /// that each stream wrote.
    ///
    /// # Errors
    /// Why not, in words.
    pub fn trimmed(&self, capacity: u64, written: &[u64]) -> Result<Asked, String> {
        let Asked::Workload(workload) = self else {
            return Err("a trace does not say what of it is no longer needed beforehand".into());
        };
        let mut workload = workload.clone();
        let mut added = Vec::new();
        for (stream, bytes) in workload.streams.iter().zip(written) {
            let writes = stream.mix.write + stream.mix.fua_write > 0;
            if writes && stream.place.order == Order::Sequential && *bytes > 0 {
                let (from, length) = generator::range(stream, capacity);
                added.push(trim_of(&stream.name, from, length.min(*bytes)));
            }
        }
        if added.is_empty() {
            let why = "it overwrites scattered blocks, and to discard more than these would throw \
                       away what is still needed";
            return Err(why.to_owned());
        }
        let first = workload.streams.len();
        let phase = Phase {
            name: "give back first".to_owned(),
            duration: None,
            streams: (first..first + added.len()).collect(),
        };
        if let Some(limit) = &mut workload.limits.count {
            *limit += added.iter().filter_map(|stream| stream.count).sum::<u64>();
        }
        workload.streams.extend(added);
        workload.phases.insert(0, phase);
        Ok(Asked::Workload(workload))
    }
}

fn trim_of(name: &str, from: u64, bytes: u64) -> Stream {
    let mix = Mix {
        trim: 100,
        ..Mix::default()
    };
    let name = format!("give back {name}");
    Stream::once_through(name, (from, bytes), TRIM_BYTES.min(bytes), mix)
}

fn ends_by_time(workload: &Workload) -> bool {
    let waits = |stream: &Stream| matches!(stream.arrivals, Arrivals::Closed { .. });
    let mut streams = workload.streams.iter();
    workload.limits.count.is_none() && streams.any(|stream| stream.count.is_none() && waits(stream))
}

fn larger_workload(workload: &Workload) -> Result<(Asked, String), String> {
    if ends_by_time(workload) {
        let why =
            "the load ends by its own time: in as much time larger requests are not the same bytes";
        return Err(why.to_owned());
    }
    let mut changed = workload.clone();
    let writes = |stream: &Stream| stream.mix.write + stream.mix.fua_write > 0;
    let largest = workload.streams.iter().filter(|stream| writes(stream));
    let Some(largest) = largest.map(Stream::largest).max() else {
        return Err("it writes nothing".to_owned());
    };
    let factor = (LARGEST_BYTES / largest).min(LARGER);
    if factor < 2 {
        return Err("its writes are as large already as is of use".to_owned());
    }
    if workload.limits.count.is_some() && workload.streams.len() > 1 {
        let why = "its streams share one number of requests, which larger requests would divide \
                   differently";
        return Err(why.to_owned());
    }
    for stream in changed.streams.iter_mut().filter(|stream| writes(stream)) {
        for size in &mut stream.sizes {
            size.bytes *= factor;
        }
        let fewer = |value: u64| value.div_ceil(factor);
        stream.count = stream.count.map(fewer);
        stream.flush_every = stream.flush_every.map(fewer);
        if let Some(bursts) = &mut stream.bursts {
            bursts.count = fewer(bursts.count);
        }
        if let Arrivals::Open { per_s_milli, .. } = &mut stream.arrivals {
            *per_s_milli = fewer(*per_s_milli);
        }
    }
    changed.limits.count = changed.limits.count.map(|value| value.div_ceil(factor));
    let words = format!("the same bytes in writes {factor} times as large, as many fewer");
    Ok((Asked::Workload(changed), words))
}

fn slowed_workload(workload: &Workload, milli: u64, closed: u64) -> Result<Asked, String> {
    let mut changed = workload.clone();
    let mut waiting = 0;
    for stream in &mut changed.streams {
        let per_s_milli = match stream.arrivals {
            Arrivals::Open { per_s_milli, .. } => per_s_milli,
            Arrivals::Closed { .. } => {
                waiting += 1;
                closed
            }
        };
        let spacing = match stream.arrivals {
            Arrivals::Open { spacing, .. } => spacing,
            Arrivals::Closed { .. } => Spacing::Even,
        };
        stream.arrivals = Arrivals::Open {
            per_s_milli: (per_s_milli * milli / 1000).max(1),
            spacing,
        };
        if let Some(day) = &mut stream.day {
            day.length = longer(day.length, milli);
        }
        if let Some(bursts) = &mut stream.bursts {
            bursts.pause = longer(bursts.pause, milli);
        }
    }
    if waiting > 0 && workload.streams.len() > 1 {
        let why = "some of its streams wait for answers and have no rate of their own";
        return Err(why.to_owned());
    }
    for phase in &mut changed.phases {
        phase.duration = phase.duration.map(|duration| longer(duration, milli));
    }
    changed.limits.duration = changed.limits.duration.map(|time| longer(time, milli));
    Ok(Asked::Workload(changed))
}

fn longer(time: Duration, milli: u64) -> Duration {
    let wide = u128::from(time.0) * 1000 / u128::from(milli.max(1));
    Duration(u64::try_from(wide).map_or(u64::MAX >> 2, |ns| ns.min(u64::MAX >> 2)))
}

/// Bytes that each stream of a workload wrote, by the summary of a run.
pub fn written_by_stream(workload: &Workload, summary: &Summary) -> Vec<u64> {
    let writes = |operations: &[crate::host::account::Latencies]| -> u64 {
        let all = operations.iter().filter(|kind| kind.operation == "write");
        all.map(|kind| kind.count).sum()
    };
    let of = |at: usize, stream: &Stream| match summary.streams.get(at) {
        Some(used) => writes(&used.operations) * stream.largest(),
        None if count(workload.streams.len()) == 1 => {
            writes(&summary.operations) * stream.largest()
        }
        None => 0,
    };
    let streams = workload.streams.iter().enumerate();
    streams.map(|(at, stream)| of(at, stream)).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::lab::workload::Spot;

    fn words(words: &str) -> Asked {
        Asked::Workload(Workload::from_words(words).expect("the words are known"))
    }

    fn bytes(asked: &Asked) -> u64 {
        let Asked::Workload(workload) = asked else {
            panic!("it is a workload");
        };
        let count = workload.limits.count.expect("it has one");
        count * workload.streams[0].largest()
    }

    #[test]
    fn larger_requests_ask_for_the_same_bytes() {
        let small = words("uniform write 4KiB 6400-requests");
        let (larger, _) = small.larger().expect("4 KiB can become larger");
        assert_eq!(bytes(&larger), bytes(&small));
        let Asked::Workload(workload) = &larger else {
            panic!("it stays a workload");
        };
        assert_eq!(workload.streams[0].largest(), 64 << 10);
    }

    #[test]
    fn what_cannot_be_larger_says_why() {
        for (load, why) in [
            ("uniform read 4KiB 10-requests", "writes nothing"),
            ("uniform write 8MiB 10-requests", "as large already"),
        ] {
            let told = words(load).larger().expect_err("it cannot");
            assert!(told.contains(why), "{told}");
        }
    }

    #[test]
    fn slow_motion_keeps_the_number_of_requests() {
        let Ok(Asked::Workload(slow)) = words("uniform write 4KiB 100/s 60s").slowed(250, 0) else {
            panic!("it has a rate");
        };
        let spacing = Spacing::Poisson;
        let expected = Arrivals::Open {
            per_s_milli: 25_000,
            spacing,
        };
        assert_eq!(slow.streams[0].arrivals, expected);
        assert_eq!(slow.limits.duration, Some(Duration::from_s(240)));
    }

    #[test]
    fn only_what_is_written_in_order_is_given_back_beforehand() {
        let told = words("uniform write 4KiB 10-requests").trimmed(1 << 30, &[40_960]);
        assert!(told.expect_err("scattered").contains("scattered"));
        let log = words("sequential write 1MiB 10-requests");
        let Ok(Asked::Workload(trimmed)) = log.trimmed(1 << 30, &[10 << 20]) else {
            panic!("it is sequential");
        };
        assert_eq!(trimmed.phases[0].streams, [1]);
        let place = trimmed.streams[1].place;
        assert_eq!(place.from, Spot::Bytes(0));
        assert_eq!(place.length, Some(Spot::Bytes(10 << 20)));
        assert_eq!(trimmed.limits.count, Some(11));
    }
}

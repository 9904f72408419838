//! Owns the step from what a TOML file says to a [`Workload`] that is complete and valid.
//!
//! Every problem is reported at once, by the reader that profiles are read with.

use super::book::{AFTERWARDS, ARRIVAL, ArrivalKind, ORDER, OrderKind, SPACING, WORKLOAD};
use super::error::WorkloadError;
use super::{Afterwards, Arrivals, Bursts, Limits, Mix, Order, Place, Workload};
use crate::profile::error::ProblemKind;
use crate::profile::raw::Document;
use crate::profile::reader::Reader;

const ORDER_KEY: &str = "place.order";
const KIND_KEY: &str = "arrivals.kind";
const LENGTH_KEY: &str = "place.length";
const MIX: [&str; 4] = ["mix.read", "mix.write", "mix.trim", "mix.flush"];

impl Workload {
    /// Reads a workload from TOML. `file_name` is only used to tell people where the problems are.
    ///
    /// # Errors
    /// [`WorkloadError::Syntax`] where the text is not TOML, else [`WorkloadError::Invalid`] with
    /// every problem of the file.
    pub fn from_toml(file_name: &str, text: &str) -> Result<Workload, WorkloadError> {
        let document = Document::parse(text).map_err(|problems| WorkloadError::Syntax {
            file: file_name.to_owned(),
            problems,
        })?;
        let mut reader = Reader::new(&document, &WORKLOAD);
        let workload = Workload {
            name: reader.name("workload.name"),
            seed: reader.number("workload.seed"),
            limits: limits(&mut reader),
            afterwards: afterwards(&mut reader),
            place: place(&mut reader),
            mix: mix(&mut reader),
            arrivals: arrivals(&mut reader),
            bursts: bursts(&mut reader),
        };
        let problems = reader.finish();
        if problems.is_empty() {
            Ok(workload)
        } else {
            Err(WorkloadError::Invalid {
                file: file_name.to_owned(),
                problems,
            })
        }
    }
}

fn limits(reader: &mut Reader<'_>) -> Limits {
    let (count, duration) = ("workload.count", "workload.duration");
    let neither = !reader.has(count) && !reader.has(duration);
    Limits {
        // With neither this reports the count as missing.
        count: (reader.has(count) || neither).then(|| reader.number(count)),
        duration: reader.has(duration).then(|| reader.time(duration)),
    }
}

fn afterwards(reader: &mut Reader<'_>) -> Afterwards {
    let key = "workload.afterwards";
    if reader.has(key) {
        reader.word(key, AFTERWARDS)
    } else {
        Afterwards::Stop
    }
}

fn place(reader: &mut Reader<'_>) -> Place {
    let order = match reader.word(ORDER_KEY, ORDER) {
        OrderKind::Uniform => Order::Uniform,
        OrderKind::Sequential => Order::Sequential,
        OrderKind::AlternateBlocks => Order::AlternateBlocks {
            skip: reader.number("place.skip"),
        },
    };
    if reader.has_failed(ORDER_KEY) {
        reader.pass_over("place.skip");
    }
    let place = Place {
        order,
        request_bytes: reader.number("place.request"),
        from: if reader.has("place.from") {
            reader.number("place.from")
        } else {
            0
        },
        length: reader.has(LENGTH_KEY).then(|| reader.number(LENGTH_KEY)),
    };
    let sure = !reader.has_failed(LENGTH_KEY) && !reader.has_failed("place.request");
    if sure
        && place
            .length
            .is_some_and(|length| length < place.request_bytes)
    {
        let kind = ProblemKind::Conflict {
            rule: "the range must hold a request",
            with: vec!["place.request"],
        };
        let allowed = format!("at least {} B", place.request_bytes);
        reader.report(LENGTH_KEY, allowed, kind);
    }
    place
}

fn mix(reader: &mut Reader<'_>) -> Mix {
    let shares = MIX.map(|key| {
        if reader.has(key) {
            reader.small(key)
        } else {
            0
        }
    });
    let total: u32 = shares.iter().sum();
    let sure = reader.has("mix") && !MIX.iter().any(|key| reader.has_failed(key));
    if sure && total != 100 {
        let kind = ProblemKind::Conflict {
            rule: "the shares must add up to 100%",
            with: MIX.to_vec(),
        };
        let allowed = format!("shares that add up to 100% (these add up to {total}%)");
        reader.report("mix", allowed, kind);
    }
    let [read, write, trim, flush] = shares;
    Mix {
        read,
        write,
        trim,
        flush,
    }
}

fn arrivals(reader: &mut Reader<'_>) -> Arrivals {
    let kind = reader.word(KIND_KEY, ARRIVAL);
    if reader.has_failed(KIND_KEY) {
        // The keys of a kind that is not known are not missed.
        reader.pass_over("arrivals");
        return Arrivals::Closed { under_way: 1 };
    }
    match kind {
        ArrivalKind::Open => Arrivals::Open {
            per_s_milli: reader.number("arrivals.per_second"),
            spacing: reader.word("arrivals.spacing", SPACING),
        },
        ArrivalKind::Closed => Arrivals::Closed {
            under_way: reader.small("arrivals.under_way"),
        },
    }
}

fn bursts(reader: &mut Reader<'_>) -> Option<Bursts> {
    reader.has("bursts").then(|| Bursts {
        count: reader.number("bursts.count"),
        pause: reader.time("bursts.pause"),
    })
}

//! Owns how one stream of a workload is read: its place, sizes, shares and arrivals.

use super::book::{HOT, ORDER, OrderKind, SPACING};
use super::check::{conflict, optional};
use super::{Arrivals, Bursts, Day, Mix, Order, Place, Size, Spacing, Spot, Stream};
use crate::profile::error::ProblemKind;
use crate::profile::quantity::Unit;
use crate::profile::reader::Reader;
use crate::time::Duration;

const DAY_PERCENT_MAX: u64 = 1000;
const HOURS_24: Duration = Duration::from_s(86_400);
const SHARES: [&str; 6] = ["read", "write", "fua_write", "flush", "trim", "zero"];

/// Reads keys of the stream with this index.
struct Keys<'r, 'd> {
    reader: &'r mut Reader<'d>,
    at: u64,
}

/// Reads the stream with index `at`.
pub(super) fn stream(reader: &mut Reader<'_>, at: u64) -> Stream {
    let mut keys = Keys { reader, at };
    let name = keys.key("name");
    let name = if keys.reader.has(&name) {
        keys.reader.name(&name)
    } else {
        format!("stream-{}", at + 1)
    };
    let sizes = keys.sizes();
    let mix = keys.mix();
    let stream = Stream {
        name,
        place: keys.place(&sizes),
        flush_every: keys.optional("flush_every"),
        arrivals: keys.arrivals(),
        day: keys.day(),
        bursts: keys.bursts(),
        count: keys.optional("count"),
        sizes,
        mix,
    };
    keys.check_range(&stream);
    stream
}

impl Keys<'_, '_> {
    fn key(&self, leaf: &str) -> String {
        format!("stream[{}].{leaf}", self.at)
    }

    fn has(&self, leaf: &str) -> bool {
        self.reader.has(&self.key(leaf))
    }

    fn optional(&mut self, leaf: &str) -> Option<u64> {
        let key = self.key(leaf);
        optional(self.reader, &key)
    }

    /// A percentage whose listed range fits in 32 bits.
    fn percent(&mut self, leaf: &str, otherwise: u32) -> u32 {
        if self.has(leaf) {
            let key = self.key(leaf);
            self.reader.small(&key)
        } else {
            otherwise
        }
    }

    fn conflict(&mut self, leaf: &str, allowed: &str, rule: &'static str) {
        let key = self.key(leaf);
        conflict(self.reader, &key, allowed, rule);
    }

    fn sizes(&mut self) -> Vec<Size> {
        let list = self.key("sizes");
        if !self.reader.has(&list) {
            let key = self.key("request");
            let bytes = self.reader.number(&key);
            return vec![Size { bytes, share: 100 }];
        }
        let mut sizes = Vec::new();
        for item in 0..self.reader.items(&list) {
            sizes.push(Size {
                bytes: self.reader.number(&format!("{list}[{item}].request")),
                share: self.reader.small(&format!("{list}[{item}].share")),
            });
        }
        let total: u32 = sizes.iter().map(|size| size.share).sum();
        if total != 100 && !sizes.is_empty() && !self.reader.has_failed("stream.sizes") {
            let allowed = format!("shares that add up to 100% (these add up to {total}%)");
            self.conflict("sizes", &allowed, "the shares must add up to 100%");
        }
        sizes
    }

    fn mix(&mut self) -> Mix {
        let shares = SHARES.map(|leaf| self.percent(leaf, 0));
        let total: u32 = shares.iter().sum();
        let sure = !SHARES
            .iter()
            .any(|leaf| self.reader.has_failed(&format!("stream.{leaf}")));
        if sure && total != 100 {
            let allowed = format!("shares that add up to 100% (these add up to {total}%)");
            let rule = "read, write, fua_write, flush, trim and zero must add up to 100%";
            let key = format!("stream[{}]", self.at);
            conflict(self.reader, &key, &allowed, rule);
        }
        let [read, write, fua_write, flush, trim, zero] = shares;
        Mix {
            read,
            write,
            fua_write,
            flush,
            trim,
            zero,
        }
    }

    fn place(&mut self, sizes: &[Size]) -> Place {
        let smallest = sizes.iter().map(|size| size.bytes).min().unwrap_or(512);
        Place {
            order: self.order(),
            from: self.spot("from", "from_part").unwrap_or(Spot::Bytes(0)),
            length: self.spot("length", "length_part"),
            align: self.optional("align").unwrap_or(smallest),
        }
    }

    fn spot(&mut self, bytes: &str, part: &str) -> Option<Spot> {
        match self.optional(bytes) {
            Some(bytes) => Some(Spot::Bytes(bytes)),
            None => self.optional(part).map(Spot::Part),
        }
    }

    fn order(&mut self) -> Order {
        let key = self.key("order");
        let kind = self.reader.word(&key, ORDER);
        if self.reader.has_failed("stream.order") {
            // Keys of an order that is not known are not held against anybody.
            for leaf in [
                "skip",
                "skew",
                "hot",
                "hot_part",
                "hot_share",
                "mark_every",
                "group",
                "group_area",
                "stay",
            ] {
                let key = self.key(leaf);
                self.reader.pass_over(&key);
            }
        }
        match kind {
            OrderKind::Uniform => Order::Uniform,
            OrderKind::Sequential => Order::Sequential,
            OrderKind::AlternateBlocks => Order::AlternateBlocks {
                skip: self.optional("skip").unwrap_or(1),
            },
            OrderKind::Skewed => Order::Skewed {
                share: self.percent("skew", 80),
                scattered: {
                    let key = self.key("hot");
                    self.reader.has(&key) && self.reader.word(&key, HOT)
                },
            },
            OrderKind::HotCold => Order::HotCold {
                part: self.percent("hot_part", 10),
                share: self.percent("hot_share", 90),
            },
            OrderKind::Ring => Order::Ring {
                mark_every: self.optional("mark_every").unwrap_or(32),
            },
            OrderKind::Scatter => Order::Scatter {
                group_bytes: self.optional("group").unwrap_or(128 << 20),
                area_bytes: self.optional("group_area").unwrap_or(2 << 20),
                stay: self.optional("stay").unwrap_or(4),
            },
        }
    }

    /// Whatever the drive, the range must hold a request.
    fn check_range(&mut self, stream: &Stream) {
        if self.reader.has_failed("stream.length") || self.reader.has_failed("stream.request") {
            return;
        }
        let largest = stream.largest();
        let allowed = format!("at least {largest} B");
        if let Some(Spot::Bytes(length)) = stream.place.length
            && length < largest
        {
            self.conflict("length", &allowed, "the range must hold a request");
        }
        if let Order::Scatter {
            group_bytes,
            area_bytes,
            ..
        } = stream.place.order
        {
            if area_bytes < largest {
                self.conflict("group_area", &allowed, "the area must hold a request");
            }
            if group_bytes < area_bytes {
                let allowed = format!("at least {area_bytes} B");
                self.conflict("group", &allowed, "the group must hold its area");
            }
        }
    }

    fn arrivals(&mut self) -> Arrivals {
        let (rate, under_way) = (self.key("per_second"), self.key("under_way"));
        if self.reader.has(&rate) {
            let spacing = self.key("spacing");
            return Arrivals::Open {
                per_s_milli: self.reader.number(&rate),
                spacing: if self.reader.has(&spacing) {
                    self.reader.word(&spacing, SPACING)
                } else {
                    Spacing::Poisson
                },
            };
        }
        if !self.reader.has(&under_way) {
            self.reader.pass_over(&under_way);
            let key = format!("stream[{}]", self.at);
            let rule = "nothing says when its requests come";
            conflict(self.reader, &key, "per_second or under_way", rule);
            return Arrivals::Closed { under_way: 1 };
        }
        Arrivals::Closed {
            under_way: self.reader.small(&under_way),
        }
    }

    fn day(&mut self) -> Option<Day> {
        let key = self.key("day");
        if !self.has("per_second") || !self.reader.has(&key) {
            return None;
        }
        let mut parts = Vec::new();
        for (item, text) in self.reader.texts(&key).iter().enumerate() {
            let percent = Unit::Percent.parse(text).ok();
            let percent = percent.filter(|percent| *percent <= DAY_PERCENT_MAX);
            let percent = percent.and_then(|percent| u32::try_from(percent).ok());
            if percent.is_none() && !text.is_empty() {
                let allowed = "a whole percentage from 0% to 1000%".to_owned();
                let kind = ProblemKind::NotAllowed;
                self.reader.report(&format!("{key}[{item}]"), allowed, kind);
            }
            parts.push(percent.unwrap_or(100));
        }
        if !parts.is_empty() && parts.iter().all(|percent| *percent == 0) {
            let rule = "no request would ever come";
            self.conflict("day", "at least one part above 0%", rule);
        }
        let length = self.optional("day_length").map_or(HOURS_24, Duration);
        Some(Day { parts, length })
    }

    fn bursts(&mut self) -> Option<Bursts> {
        let count = self.optional("burst")?;
        let pause = self.key("burst_pause");
        Some(Bursts {
            count,
            pause: self.reader.time(&pause),
        })
    }
}

impl Mix {
    /// Each operation's key and share in percent.
    pub fn shares(&self) -> [(&'static str, u32); 6] {
        let shares = [
            self.read,
            self.write,
            self.fua_write,
            self.flush,
            self.trim,
            self.zero,
        ];
        let mut all = SHARES.map(|word| (word, 0));
        for (place, share) in all.iter_mut().zip(shares) {
            place.1 = share;
        }
        all
    }
}

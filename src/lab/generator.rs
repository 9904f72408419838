//! Owns which request of a stream comes next: its operation, size and place, from the stream and the
//! dice.
//!
//! It does not know when the request comes nor what became of those before.

use super::dice::Dice;
use super::placing::{Placing, Range};
use super::workload::{Mix, Size, Spot, Stream};
use crate::drive::request::Operation;
use crate::units::SECTOR_BYTES;

/// A request to be made.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Wanted {
    /// What.
    pub operation: Operation,
    /// First byte.
    pub offset: u64,
    /// How many bytes; 0 for a flush.
    pub bytes: u64,
}

const FLUSH: Wanted = Wanted {
    operation: Operation::Flush,
    offset: 0,
    bytes: 0,
};

/// Makes one request after the other.
#[derive(Clone, Debug)]
pub struct Generator {
    mix: Mix,
    sizes: Vec<Size>,
    flush_every: Option<u64>,
    since_flush: u64,
    placing: Placing,
    dice: Dice,
}

impl Generator {
    /// The requests of `stream` on a drive of `capacity` bytes; `None` where its range does not lie
    /// on the drive or does not hold what its order needs.
    pub fn new(stream: &Stream, capacity: u64, dice: Dice) -> Option<Generator> {
        let (from, length) = range(stream, capacity);
        let end = from.checked_add(length)?;
        if end > capacity {
            return None;
        }
        Some(Generator {
            mix: stream.mix,
            sizes: stream.sizes.clone(),
            flush_every: stream.flush_every,
            since_flush: 0,
            placing: Placing::new(stream, Range { from, length })?,
            dice,
        })
    }

    /// The next request.
    pub fn draw(&mut self) -> Wanted {
        if self
            .flush_every
            .is_some_and(|every| self.since_flush >= every)
        {
            self.since_flush = 0;
            return FLUSH;
        }
        self.since_flush += 1;
        let operation = self.operation();
        if operation == Operation::Flush {
            return FLUSH;
        }
        let bytes = self.size();
        Wanted {
            operation,
            offset: self.placing.next(bytes, &mut self.dice),
            bytes,
        }
    }

    fn operation(&mut self) -> Operation {
        let drawn = self.dice.below(100);
        let all = [
            (self.mix.read, Operation::Read),
            (self.mix.write, Operation::Write { fua: false }),
            (self.mix.trim, Operation::Trim),
            (self.mix.fua_write, Operation::Write { fua: true }),
            (
                self.mix.zero,
                Operation::WriteZeroes {
                    fua: false,
                    may_deallocate: true,
                },
            ),
        ];
        let mut below = 0;
        for (share, operation) in all {
            below += u64::from(share);
            if drawn < below {
                return operation;
            }
        }
        Operation::Flush
    }

    fn size(&mut self) -> u64 {
        let [only] = &self.sizes[..] else {
            let drawn = self.dice.below(100);
            let mut below = 0;
            for size in &self.sizes {
                below += u64::from(size.share);
                if drawn < below {
                    return size.bytes;
                }
            }
            return 0;
        };
        only.bytes
    }
}

/// First byte and bytes of a stream's range on a drive of `capacity` bytes.
pub fn range(stream: &Stream, capacity: u64) -> (u64, u64) {
    let bytes = |spot| match spot {
        Spot::Bytes(bytes) => bytes,
        Spot::Part(millionths) => {
            let wide = u128::from(capacity) * u128::from(millionths) / 1_000_000;
            let bytes = u64::try_from(wide).expect("a part of the drive");
            bytes / SECTOR_BYTES * SECTOR_BYTES
        }
    };
    let from = bytes(stream.place.from);
    let length = stream.place.length.map(bytes);
    (from, length.unwrap_or(capacity.saturating_sub(from)))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::lab::workload::Workload;

    fn generator(keys: &str) -> Generator {
        let text = format!(
            "[workload]\nname = \"x\"\ncount = 1\n[[stream]]\nunder_way = 1\norder = \"uniform\"\n{keys}"
        );
        let workload = Workload::from_toml("x", &text).expect("valid");
        Generator::new(&workload.streams[0], 1 << 30, Dice::new(3)).expect("it fits")
    }

    #[test]
    fn operations_come_in_the_shares_asked_for() {
        let mut all = generator(
            "request = \"4 KiB\"\nread = \"40%\"\nwrite = \"20%\"\ntrim = \"15%\"\nflush = \"5%\"\n\
             fua_write = \"12%\"\nzero = \"8%\"",
        );
        let mut counts = [0_i32; 6];
        for _ in 0..10_000 {
            counts[match all.draw().operation {
                Operation::Read => 0,
                Operation::Write { fua: false } => 1,
                Operation::Trim => 2,
                Operation::Flush => 3,
                Operation::Write { fua: true } => 4,
                Operation::WriteZeroes { .. } => 5,
            }] += 1;
        }
        for (count, expected) in counts
            .into_iter()
            .zip([4_000, 2_000, 1_500, 500, 1_200, 800])
        {
            // Four standard deviations of the largest share.
            assert!((count - expected).abs() < 200, "{counts:?}");
        }
    }

    #[test]
    fn sizes_come_in_the_shares_asked_for() {
        let mut all = generator(
            "read = \"100%\"\nsizes = [{ request = \"4 KiB\", share = \"70%\" }, \
             { request = \"64 KiB\", share = \"30%\" }]",
        );
        let large = (0..10_000).filter(|_| all.draw().bytes == 65_536).count();
        // Four standard deviations.
        assert!(large.abs_diff(3_000) < 184, "{large}");
    }

    #[test]
    fn a_flush_follows_each_time_so_many_were_made() {
        let mut all = generator("request = \"4 KiB\"\nwrite = \"100%\"\nflush_every = 3");
        let words: Vec<&str> = (0..9).map(|_| all.draw().operation.word()).collect();
        let round = ["write", "write", "write", "flush"];
        assert_eq!(words, [&round[..], &round, &["write"]].concat());
    }

    #[test]
    fn a_range_beyond_the_drive_is_refused() {
        let workload = Workload::from_words("uniform read 4KiB first-1MiB 1-requests");
        let stream = workload.expect("valid").streams.remove(0);
        assert!(Generator::new(&stream, 1 << 20, Dice::new(1)).is_some());
        assert!(Generator::new(&stream, (1 << 20) - 512, Dice::new(1)).is_none());
    }

    #[test]
    fn parts_of_the_drive_follow_its_size() {
        let text = "[workload]\nname = \"x\"\ncount = 1\n[[stream]]\nunder_way = 1\n\
                    order = \"uniform\"\nrequest = \"4 KiB\"\nread = \"100%\"\n\
                    from_part = \"25%\"\nlength_part = \"50%\"\n";
        let workload = Workload::from_toml("x", text).expect("valid");
        let stream = &workload.streams[0];
        assert_eq!(range(stream, 4096 * 8), (4096 * 2, 4096 * 4));
        assert_eq!(range(stream, 4096 * 10), (4096 * 2, 4096 * 5));
    }
}

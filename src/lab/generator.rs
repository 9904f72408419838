//! Owns which request comes next: its operation and its place, from the workload and the dice.
//!
//! It does not know when the request comes nor what became of those before.

use super::dice::Dice;
use super::workload::{Mix, Order, Workload};
use crate::drive::request::Operation;

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

/// Makes one request after the other.
#[derive(Clone, Debug)]
pub struct Generator {
    mix: Mix,
    order: Order,
    from: u64,
    request_bytes: u64,
    blocks: u64,
    /// The block that comes next, where there is an order.
    next: u64,
    dice: Dice,
}

impl Generator {
    /// The requests of `workload` on a drive of `capacity` bytes; `None` where its range does not lie
    /// on the drive or holds no request.
    pub fn new(workload: &Workload, capacity: u64, dice: Dice) -> Option<Generator> {
        let place = &workload.place;
        let left = capacity.checked_sub(place.from)?;
        let length = place.length.unwrap_or(left);
        let blocks = length / place.request_bytes;
        (length <= left && blocks > 0).then_some(Generator {
            mix: workload.mix,
            order: place.order,
            from: place.from,
            request_bytes: place.request_bytes,
            blocks,
            next: 0,
            dice,
        })
    }

    /// The next request.
    pub fn draw(&mut self) -> Wanted {
        let operation = self.operation();
        if operation == Operation::Flush {
            return Wanted {
                operation,
                offset: 0,
                bytes: 0,
            };
        }
        let block = self.block();
        Wanted {
            operation,
            offset: self.from + block * self.request_bytes,
            bytes: self.request_bytes,
        }
    }

    fn operation(&mut self) -> Operation {
        let drawn = self.dice.below(100);
        let (read, write) = (u64::from(self.mix.read), u64::from(self.mix.write));
        let trim = u64::from(self.mix.trim);
        if drawn < read {
            Operation::Read
        } else if drawn < read + write {
            Operation::Write { fua: false }
        } else if drawn < read + write + trim {
            Operation::Trim
        } else {
            Operation::Flush
        }
    }

    fn block(&mut self) -> u64 {
        let step = match self.order {
            Order::Uniform => return self.dice.below(self.blocks),
            Order::Sequential => 1,
            Order::AlternateBlocks { skip } => skip + 1,
        };
        let block = self.next;
        self.next += step;
        if self.next >= self.blocks {
            // The first block that no round so far has begun with.
            let begun_with = block % step;
            self.next = (begun_with + 1) % step.min(self.blocks);
        }
        block
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn generator(order: &str, mix: &str, blocks: u64) -> Generator {
        let text = format!(
            "[workload]\nname = \"x\"\nseed = 3\ncount = 1\n[place]\n{order}\nrequest = \"4 KiB\"\n\
             from = \"1 MiB\"\nlength = \"{} KiB\"\n[mix]\n{mix}\n[arrivals]\nkind = \"closed\"\n\
             under_way = 1\n",
            4 * blocks + 2
        );
        let workload = Workload::from_toml("x", &text).expect("valid");
        Generator::new(&workload, 1 << 30, Dice::new(workload.seed)).expect("it fits")
    }

    fn blocks(generator: &mut Generator, count: usize) -> Vec<u64> {
        let blocks = (0..count).map(|_| {
            let wanted = generator.draw();
            assert_eq!(wanted.bytes, 4096);
            (wanted.offset - (1 << 20)) / 4096
        });
        blocks.collect()
    }

    #[test]
    fn sequential_requests_go_round_and_round() {
        let mut all = generator("order = \"sequential\"", "read = \"100%\"", 3);
        assert_eq!(blocks(&mut all, 7), [0, 1, 2, 0, 1, 2, 0]);
    }

    #[test]
    fn alternate_blocks_leave_out_and_come_back() {
        for (skip, count, expected) in [
            (1, 5, vec![0, 2, 4, 1, 3, 0, 2]),
            (2, 5, vec![0, 3, 1, 4, 2, 0, 3]),
            (3, 2, vec![0, 1, 0, 1]),
            (1, 1, vec![0, 0]),
        ] {
            let order = format!("order = \"alternate-blocks\"\nskip = {skip}");
            let mut all = generator(&order, "write = \"100%\"", count);
            assert_eq!(blocks(&mut all, expected.len()), expected, "{skip} {count}");
        }
    }

    #[test]
    fn uniform_requests_reach_every_block() {
        let mut all = generator("order = \"uniform\"", "read = \"100%\"", 9);
        let mut seen = blocks(&mut all, 300);
        seen.sort_unstable();
        seen.dedup();
        assert_eq!(seen, (0..9).collect::<Vec<_>>());
    }

    #[test]
    fn operations_come_in_the_shares_asked_for() {
        let mix = "read = \"50%\"\nwrite = \"30%\"\ntrim = \"15%\"\nflush = \"5%\"";
        let mut all = generator("order = \"uniform\"", mix, 50);
        let mut counts = [0_i32; 4];
        for _ in 0..10_000 {
            counts[match all.draw().operation {
                Operation::Read => 0,
                Operation::Write { .. } => 1,
                Operation::Trim => 2,
                _ => 3,
            }] += 1;
        }
        for (count, expected) in counts.into_iter().zip([5_000, 3_000, 1_500, 500]) {
            // Four standard deviations of the largest share.
            assert!((count - expected).abs() < 200, "{counts:?}");
        }
    }

    #[test]
    fn a_range_beyond_the_drive_is_refused() {
        let workload = Workload::from_words("uniform read 4KiB first-1MiB 1-requests");
        let workload = workload.expect("valid");
        assert!(Generator::new(&workload, 1 << 20, Dice::new(1)).is_some());
        assert!(Generator::new(&workload, (1 << 20) - 512, Dice::new(1)).is_none());
    }
}

//! Owns where the next request of a stream goes: the orders in which blocks of a range are asked for.
//!
//! A block is a place where a request may begin; every request lies wholly inside the range. It does
//! not know what is asked.

use super::dice::Dice;
use super::workload::{Order, Stream};

/// A range of the drive, cut into places where requests may begin.
#[derive(Clone, Debug)]
pub(super) struct Placing {
    from: u64,
    length: u64,
    align: u64,
    /// Places where the largest request fits.
    blocks: u64,
    state: State,
}

#[derive(Clone, Debug)]
enum State {
    Uniform,
    /// Bytes from the start to the next request.
    Sequential {
        cursor: u64,
    },
    Alternate {
        next: u64,
        step: u64,
        block_bytes: u64,
    },
    Skewed {
        share: u64,
        stride: u64,
    },
    HotCold {
        hot: u64,
        share: u64,
    },
    /// The ring begins after the mark.
    Ring {
        mark_bytes: u64,
        cursor: u64,
        mark_every: u64,
        since: u64,
    },
    Scatter {
        group_bytes: u64,
        groups: u64,
        area_blocks: u64,
        stay: u64,
        left: u64,
        group: u64,
    },
}

/// A range in bytes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Range {
    pub(super) from: u64,
    pub(super) length: u64,
}

impl Placing {
    /// The places of `stream` in `range`; `None` where the range does not hold what the order needs.
    pub(super) fn new(stream: &Stream, range: Range) -> Option<Placing> {
        let largest = stream.largest();
        let align = stream.place.align;
        let blocks = |bytes: u64| bytes.checked_sub(largest).map(|rest| rest / align + 1);
        let all = blocks(range.length)?;
        let state = match stream.place.order {
            Order::Uniform => State::Uniform,
            Order::Sequential => State::Sequential { cursor: 0 },
            Order::AlternateBlocks { skip } => State::Alternate {
                next: 0,
                step: skip + 1,
                block_bytes: largest,
            },
            Order::Skewed { share, scattered } => State::Skewed {
                share: u64::from(share),
                stride: if scattered { stride(all) } else { 1 },
            },
            Order::HotCold { part, share } => State::HotCold {
                hot: (all * u64::from(part) / 100).max(1),
                share: u64::from(share),
            },
            Order::Ring { mark_every } => State::Ring {
                mark_bytes: (range.length >= 2 * largest).then_some(largest)?,
                cursor: 0,
                mark_every,
                since: 0,
            },
            Order::Scatter {
                group_bytes,
                area_bytes,
                stay,
            } => State::Scatter {
                group_bytes,
                // A last group counts if its area is whole.
                groups: range.length.checked_sub(area_bytes)? / group_bytes + 1,
                area_blocks: blocks(area_bytes)?,
                stay,
                left: 0,
                group: 0,
            },
        };
        Some(Placing {
            from: range.from,
            length: range.length,
            align,
            blocks: all,
            state,
        })
    }

    /// First byte of the next request, which has so many bytes.
    pub(super) fn next(&mut self, bytes: u64, dice: &mut Dice) -> u64 {
        let (blocks, align) = (self.blocks, self.align);
        let within = match &mut self.state {
            State::Uniform => dice.below(blocks) * align,
            State::Sequential { cursor } => round(cursor, bytes, self.length),
            State::Alternate {
                next,
                step,
                block_bytes,
            } => alternate(next, *step, self.length / *block_bytes) * *block_bytes,
            State::Skewed { share, stride } => {
                let rank = skewed(*share, blocks, dice);
                let place = u128::from(rank) * u128::from(*stride) % u128::from(blocks);
                u64::try_from(place).expect("below the number of blocks") * align
            }
            State::HotCold { hot, share } => {
                let is_hot = dice.below(100) < *share || *hot == blocks;
                let block = if is_hot {
                    dice.below(*hot)
                } else {
                    *hot + dice.below(blocks - *hot)
                };
                block * align
            }
            State::Ring {
                mark_bytes,
                cursor,
                mark_every,
                since,
            } => {
                *since += 1;
                if *since > *mark_every {
                    *since = 0;
                    0
                } else {
                    *mark_bytes + round(cursor, bytes, self.length - *mark_bytes)
                }
            }
            State::Scatter {
                group_bytes,
                groups,
                area_blocks,
                stay,
                left,
                group,
            } => {
                if *left == 0 {
                    (*group, *left) = (dice.below(*groups), *stay);
                }
                *left -= 1;
                *group * *group_bytes + dice.below(*area_blocks) * align
            }
        };
        self.from + within
    }
}

/// The next place of a cursor that goes round and round in `length` bytes.
fn round(cursor: &mut u64, bytes: u64, length: u64) -> u64 {
    if *cursor + bytes > length {
        *cursor = 0;
    }
    let at = *cursor;
    *cursor += bytes;
    at
}

fn alternate(next: &mut u64, step: u64, blocks: u64) -> u64 {
    let block = *next;
    *next += step;
    if *next >= blocks {
        // The first block that no round so far has begun with.
        let begun_with = block % step;
        *next = (begun_with + 1) % step.min(blocks);
    }
    block
}

/// A rank: `share` percent of all go to the first `100 - share` percent of the ranks, the others to
/// the rest, and so on within both.
fn skewed(share: u64, blocks: u64, dice: &mut Dice) -> u64 {
    let (mut first, mut count) = (0, blocks);
    while count > 1 {
        let wide = u128::from(count) * u128::from(100 - share) / 100;
        let few = u64::try_from(wide).expect("a part of the blocks").max(1);
        if dice.below(100) < share {
            count = few;
        } else {
            (first, count) = (first + few, count - few);
        }
    }
    first
}

/// A step that visits every one of `blocks` before it comes back, and jumps far.
fn stride(blocks: u64) -> u64 {
    // The golden section (common practice): multiples of it spread evenly.
    let wide = u128::from(blocks) * 618_033_989 / 1_000_000_000;
    let near = u64::try_from(wide).expect("a part of the blocks").max(1);
    (near..=blocks)
        .find(|step| divisor(*step, blocks) == 1)
        .unwrap_or(1)
}

fn divisor(a: u64, b: u64) -> u64 {
    if b == 0 { a } else { divisor(b, a % b) }
}

#[cfg(test)]
mod tests;

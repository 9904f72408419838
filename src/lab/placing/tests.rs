//! Tests of where requests go.

use super::{Placing, Range, stride};
use crate::lab::dice::Dice;
use crate::lab::workload::{Stream, Workload};
use proptest::prelude::*;

const KIB: u64 = 1024;

fn stream(keys: &str) -> Stream {
    let text = format!(
        "[workload]\nname = \"x\"\ncount = 1\n[[stream]]\nunder_way = 1\nread = \"100%\"\n{keys}\n"
    );
    Workload::from_toml("x", &text)
        .expect("valid")
        .streams
        .remove(0)
}

fn places(keys: &str, length: u64, sizes: &[u64]) -> Vec<u64> {
    let from = 1 << 20;
    let placing = Placing::new(&stream(keys), Range { from, length });
    let mut placing = placing.expect("it fits");
    let mut dice = Dice::new(3);
    let places = sizes.iter().map(|bytes| {
        let at = placing.next(*bytes, &mut dice) - from;
        assert!(at + bytes <= length, "{at} {bytes}");
        at
    });
    places.collect()
}

/// In blocks of 4 KiB, all requests of that size.
fn blocks(keys: &str, blocks: u64, count: usize) -> Vec<u64> {
    let keys = format!("request = \"4 KiB\"\n{keys}");
    // A rest that holds no block is never asked for.
    let places = places(&keys, blocks * 4 * KIB + 512, &vec![4 * KIB; count]);
    places.iter().map(|at| at / (4 * KIB)).collect()
}

#[test]
fn sequential_requests_go_round_and_round() {
    let found = blocks("order = \"sequential\"", 3, 7);
    assert_eq!(found, [0, 1, 2, 0, 1, 2, 0]);
}

#[test]
fn sequential_requests_of_several_sizes_leave_nothing_out() {
    let keys = "order = \"sequential\"\nsizes = [{ request = \"1 KiB\", share = \"50%\" }, \
                { request = \"4 KiB\", share = \"50%\" }]";
    let sizes = [4 * KIB, KIB, 4 * KIB, KIB, KIB].map(u64::from);
    assert_eq!(places(keys, 8 * KIB, &sizes), [0, 4096, 0, 4096, 5120]);
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
        let found = blocks(&order, count, expected.len());
        assert_eq!(found, expected, "{skip} {count}");
    }
}

#[test]
fn uniform_requests_reach_every_block() {
    let mut seen = blocks("order = \"uniform\"", 9, 300);
    seen.sort_unstable();
    seen.dedup();
    assert_eq!(seen, (0..9).collect::<Vec<_>>());
}

#[test]
fn a_ring_is_written_round_and_round_beside_its_mark() {
    let found = blocks("order = \"ring\"\nmark_every = 2", 4, 10);
    assert_eq!(found, [1, 2, 0, 3, 1, 0, 2, 3, 0, 1]);
}

#[test]
fn skewed_requests_go_to_few_blocks_and_within_them_to_fewer() {
    let found = blocks("order = \"skewed\"\nskew = \"80%\"", 10_000, 10_000);
    let below = |limit: u64| found.iter().filter(|block| **block < limit).count();
    // Four standard deviations of a share of 8 in 10 are 160 of 10,000.
    assert!(below(2_000).abs_diff(8_000) < 160, "{}", below(2_000));
    assert!(below(400).abs_diff(6_400) < 192, "{}", below(400));
    // Of the rest of 8,000 the first fifth has 8 in 10 as well.
    let of_rest = below(2_000 + 1_600) - below(2_000);
    assert!(of_rest.abs_diff(1_600) < 147, "{of_rest}");
}

#[test]
fn scattered_blocks_are_the_same_ones_elsewhere() {
    let together = blocks("order = \"skewed\"", 101, 500);
    let scattered = blocks("order = \"skewed\"\nhot = \"scattered\"", 101, 500);
    let mut places: Vec<Option<u64>> = vec![None; 101];
    for (rank, place) in together.iter().zip(&scattered) {
        let known = places[usize::try_from(*rank).expect("small")].get_or_insert(*place);
        assert_eq!(known, place, "one rank has one place");
    }
    let mut known: Vec<u64> = places.into_iter().flatten().collect();
    let ranks = known.len();
    known.sort_unstable();
    known.dedup();
    assert_eq!(known.len(), ranks, "one place has one rank");
    assert!(ranks > 20 && known.last().is_some_and(|last| *last > 90));
}

#[test]
fn the_hot_part_has_its_share() {
    let keys = "order = \"hot-cold\"\nhot_part = \"20%\"\nhot_share = \"70%\"";
    let found = blocks(keys, 100, 10_000);
    let hot = found.iter().filter(|block| **block < 20).count();
    assert!(hot.abs_diff(7_000) < 184, "{hot}");
    assert!((20..100).all(|block| found.contains(&block)));
}

#[test]
fn scattered_metadata_stays_in_the_areas_of_its_groups() {
    let keys = "order = \"scatter\"\ngroup = \"64 KiB\"\ngroup_area = \"8 KiB\"\nstay = 3";
    // Three groups, and a fourth whose area is whole.
    let found = blocks(keys, 3 * 16 + 2, 3000);
    for three in found.chunks(3) {
        assert!(three.iter().all(|block| block / 16 == three[0] / 16));
        assert!(three.iter().all(|block| block % 16 < 2));
    }
    for group in 0..4 {
        let count = found.iter().filter(|block| **block / 16 == group).count();
        // Four standard deviations of 1,000 choices of one in four, three requests each.
        assert!(count.abs_diff(750) < 165, "{group}: {count}");
    }
}

#[test]
fn what_the_range_does_not_hold_is_refused() {
    for (keys, least) in [
        ("order = \"uniform\"", 8 * KIB),
        ("order = \"ring\"", 16 * KIB),
        ("order = \"scatter\"\ngroup_area = \"12 KiB\"", 12 * KIB),
    ] {
        let stream = stream(&format!("request = \"8 KiB\"\n{keys}"));
        let fits = |length| Placing::new(&stream, Range { from: 0, length }).is_some();
        assert!(fits(least) && !fits(least - 1), "{keys}");
    }
}

proptest! {
    #[test]
    fn a_stride_visits_every_block(blocks in 1_u64..5000) {
        let stride = stride(blocks);
        let mut seen: Vec<u64> = (0..blocks).map(|rank| rank * stride % blocks).collect();
        seen.sort_unstable();
        prop_assert_eq!(seen, (0..blocks).collect::<Vec<_>>());
    }

    #[test]
    fn every_request_lies_in_its_range(
        order in prop::sample::select(vec![
            "uniform", "sequential", "alternate-blocks", "skewed", "hot-cold", "ring", "scatter",
        ]),
        sectors in 200_u64..5000,
        large in 1_u64..64,
        align in 1_u64..64,
    ) {
        let keys = format!(
            "order = \"{order}\"\nalign = \"{} B\"\nsizes = [{{ request = \"512 B\", share = \"50%\" }}, \
             {{ request = \"{} B\", share = \"50%\" }}]\n{}",
            512 * align,
            512 * large,
            if order == "scatter" { "group = \"64 KiB\"\ngroup_area = \"32 KiB\"" } else { "" },
        );
        let sizes: Vec<u64> = (0..200).map(|n| if n % 3 == 0 { 512 * large } else { 512 }).collect();
        // It is asserted in there.
        prop_assert_eq!(places(&keys, 512 * sectors, &sizes).len(), 200);
    }
}

//! Tests of what is said of two sides.

use super::*;
use crate::drive::request::Operation;
use crate::lab::compare::answer::Answer;
use crate::lab::compare::tally::Tally;
use crate::lab::dice::Dice;
use crate::lab::ranges::Ranges;
use crate::time::Duration;
use crate::units::index;
use proptest::prelude::*;

const CAPACITY: u64 = 1 << 20;

fn answer(at: u64, took: u64, part: usize) -> Answer {
    let mut parts = [0; 12];
    parts[part] = took;
    Answer {
        operation: Operation::Write { fua: false },
        offset: Some(at * 4096 % CAPACITY),
        bytes: 4096,
        arrived_ns: at * 1000,
        due_ns: at * 1000 + took,
        lag: Duration::ZERO,
        parts,
    }
}

fn compared(a: &[Vec<Answer>], b: &[Vec<Answer>], by: By) -> Comparison {
    let ranges = Ranges::equal(CAPACITY, CAPACITY / 16);
    let division = Division {
        ranges: &ranges,
        structures: None,
    };
    let tallied = |runs: &[Vec<Answer>]| -> Vec<Tally> {
        let tally = |run: &Vec<Answer>| {
            let mut tally = Tally::new(division);
            for answer in run {
                tally.take(answer, division);
            }
            tally
        };
        runs.iter().map(tally).collect()
    };
    let settings = Settings {
        division,
        by,
        seed: 1,
    };
    Comparison::of(("a", &tallied(a)), ("b", &tallied(b)), settings)
}

fn noisy(seed: u64, base: u64) -> Vec<Answer> {
    let mut dice = Dice::new(seed);
    (0..1000)
        .map(|at| answer(at, base + dice.below(1000), 5))
        .collect()
}

#[test]
fn a_longer_time_is_slower_and_a_shorter_one_faster() {
    let (short, long) = (noisy(1, 1000), noisy(2, 1500));
    let told = compared(
        std::slice::from_ref(&short),
        std::slice::from_ref(&long),
        By::Mean,
    );
    assert_eq!(told.verdict, Verdict::Slower);
    assert_eq!(told.method.units, Units::Stretches);
    let mean = told.operations[0].mean_ns;
    assert!(mean.low <= Some(500) && mean.high >= Some(500), "{mean:?}");
    let back = compared(&[long], &[short], By::P90);
    assert_eq!(back.verdict, Verdict::Faster);
    assert!(told.to_string().contains("B is slower than A"), "{told}");
}

#[test]
fn noise_alone_cannot_be_told_apart() {
    let told = compared(&[noisy(1, 1000)], &[noisy(2, 1000)], By::Mean);
    assert_eq!(told.verdict, Verdict::CannotBeToldApart);
}

#[test]
fn pairs_of_runs_show_what_stretches_of_one_cannot() {
    // Each pair has the same noise; B takes one nanosecond more.
    let runs =
        |more: u64| -> Vec<Vec<Answer>> { (0..6).map(|seed| noisy(seed, 1000 + more)).collect() };
    let told = compared(&runs(0), &runs(1), By::Median);
    assert_eq!(told.method.units, Units::Runs);
    assert_eq!(told.verdict, Verdict::Slower);
    assert_eq!(
        (
            told.operations[0].mean_ns.low,
            told.operations[0].mean_ns.high
        ),
        (Some(1), Some(1))
    );
    let one = compared(&runs(0)[..1], &runs(1)[..1], By::Median);
    assert_eq!(one.verdict, Verdict::CannotBeToldApart);
}

#[test]
fn few_runs_or_requests_have_no_interval() {
    let few: Vec<Answer> = noisy(1, 1000).into_iter().take(19).collect();
    let more: Vec<Answer> = noisy(1, 90_000).into_iter().take(19).collect();
    let told = compared(
        std::slice::from_ref(&few),
        std::slice::from_ref(&more),
        By::Mean,
    );
    assert_eq!(
        (told.method.units, told.verdict),
        (Units::None, Verdict::CannotBeToldApart)
    );
    assert_eq!(told.operations[0].mean_ns.low, None);
    assert!(told.operations[0].mean_ns.difference > Some(80_000));
    let pairs = vec![noisy(1, 1000); 4];
    assert_eq!(compared(&pairs, &pairs, By::Mean).method.units, Units::None);
}

#[test]
fn late_answers_are_marked() {
    let mut late = noisy(1, 1000);
    late[3].lag = Duration::from_ms(7);
    let told = compared(&[noisy(1, 1000)], &[late], By::Mean);
    assert_eq!((told.a.late, told.b.late), (0, 1));
    let words = told.to_string();
    assert!(
        words.contains("RESULTS ARE AFFECTED: 1 of 1000 answers"),
        "{words}"
    );
}

/// `reads` reads of 1000 ns and `flushes` flushes of 90 000 ns, give or take, in turn.
fn mixed(seed: u64, (reads, flushes): (u64, u64), slower: u64) -> Vec<Answer> {
    let mut dice = Dice::new(seed);
    let all = reads + flushes;
    let made = (0..all).map(|at| {
        let is_flush = (at + 1) * flushes / all > at * flushes / all;
        let base = if is_flush { 90_000 } else { 1000 };
        let mut answer = answer(at, base + slower + dice.below(100), 5);
        answer.operation = if is_flush {
            Operation::Flush
        } else {
            Operation::Read
        };
        answer
    });
    made.collect()
}

#[test]
fn another_mix_of_operations_makes_nobody_slower() {
    let told = compared(
        &[mixed(1, (900, 100), 0)],
        &[mixed(2, (500, 500), 0)],
        By::Mean,
    );
    let alike = told.alike.as_ref().expect("the mixes differ");
    // Half as many flushes more make all requests together far slower, and none of them.
    assert!(told.operations[0].mean_ns.low > Some(20_000), "{told}");
    assert_eq!(told.verdict, Verdict::CannotBeToldApart, "{told}");
    assert!(
        alike
            .mean_ns
            .difference
            .is_some_and(|apart| apart.abs() < 50),
        "{told}"
    );
    let slower = compared(
        &[mixed(1, (900, 100), 0)],
        &[mixed(2, (990, 10), 500)],
        By::Mean,
    );
    assert!(slower.operations[0].mean_ns.high < Some(0), "{slower}");
    assert_eq!(slower.verdict, Verdict::Slower, "{slower}");
    let words = slower.to_string();
    assert!(
        words.contains("each operation counted alike on both sides"),
        "{words}"
    );
    let same = compared(
        &[mixed(1, (900, 100), 0)],
        &[mixed(2, (450, 50), 0)],
        By::Mean,
    );
    assert!(same.alike.is_none(), "{same}");
}

#[test]
fn what_only_one_side_asked_for_is_named_and_not_judged() {
    let told = compared(
        &[mixed(1, (500, 0), 0)],
        &[mixed(2, (500, 20), 0)],
        By::Mean,
    );
    assert_eq!(told.verdict, Verdict::CannotBeToldApart, "{told}");
    let words = told.to_string();
    assert!(words.contains("not judged: flush"), "{words}");
    let nothing = compared(&[mixed(1, (500, 0), 0)], &[mixed(2, (0, 500), 0)], By::Mean);
    assert_eq!(nothing.verdict, Verdict::CannotBeToldApart, "{nothing}");
    assert!(
        nothing.to_string().contains("no operation in common"),
        "{nothing}"
    );
}

/// An operation that one run lacks took that run's figure with it, and with it the verdict.
#[test]
fn an_operation_that_some_run_lacks_is_named_and_the_others_are_judged() {
    let runs = |slower: u64, flushes: u64| -> Vec<Vec<Answer>> {
        let flushes = |seed: u64| if seed == 3 { 0 } else { flushes };
        (1..=5)
            .map(|seed| mixed(seed, (500, flushes(seed)), slower))
            .collect()
    };
    let told = compared(&runs(0, 2), &runs(1000, 3), By::Mean);
    assert_eq!(told.verdict, Verdict::Slower, "{told}");
    let words = told.to_string();
    assert!(words.contains("not judged: flush"), "{words}");
}

#[test]
fn a_difference_is_told_of_the_runs_that_its_interval_is_of() {
    // The third run of A flushes far slower than any other, and that of B does not flush.
    let side = |slower: u64| -> Vec<Vec<Answer>> {
        (1..=6).map(|seed| mixed(seed, (0, 50), slower)).collect()
    };
    let (mut a, mut b) = (side(0), side(10));
    a[2] = mixed(3, (0, 50), 5_000_000);
    b[2] = mixed(3, (50, 0), 0);
    let told = compared(&a, &b, By::Mean);
    let flush = told
        .operations
        .iter()
        .find(|told| told.operation == "flush");
    let mean = flush.expect("they flushed").mean_ns;
    assert!(
        mean.low <= mean.difference && mean.difference <= mean.high,
        "{told}"
    );
}

#[test]
fn a_zeroing_counts_its_bytes_and_a_discard_none() {
    let zeroing = Operation::WriteZeroes {
        fua: false,
        may_deallocate: true,
    };
    let of = |operation: Operation| -> Vec<Answer> {
        let all = noisy(1, 1000).into_iter();
        all.map(|answer| Answer {
            operation,
            ..answer
        })
        .collect()
    };
    for (operation, bytes) in [
        (Operation::Read, 4_096_000),
        (Operation::Write { fua: true }, 4_096_000),
        (Operation::Trim, 0),
        (zeroing, 4_096_000),
    ] {
        let told = compared(&[of(operation)], &[of(operation)], By::Mean);
        assert_eq!(told.operations[0].bytes.a, Some(bytes), "{operation:?}");
    }
}

proptest! {
    #[test]
    fn parts_and_ranges_add_up_to_the_difference_of_the_total_time(
        a in prop::collection::vec((0..300_u64, 0..10_000_u64, 0..12_usize), 1..60),
        b in prop::collection::vec((0..300_u64, 0..10_000_u64, 0..12_usize), 1..60),
    ) {
        let made = |all: &[(u64, u64, usize)]| -> Vec<Answer> {
            let each = all.iter().map(|&(at, took, part)| {
                let mut answer = answer(at, took, part);
                if at % 7 == 0 {
                    (answer.operation, answer.offset, answer.bytes) = (Operation::Flush, None, 0);
                }
                answer
            });
            each.collect()
        };
        let total = |all: &[(u64, u64, usize)]| all.iter().map(|(_, took, _)| *took).sum::<u64>();
        let expected = i64::try_from(total(&b)).unwrap() - i64::try_from(total(&a)).unwrap();
        let told = compared(&[made(&a)], &[made(&b)], By::Mean);
        let parts: i64 = told.parts.iter().filter_map(|part| part.total_ns.difference).sum();
        let ranges: i64 = told.ranges.iter().filter_map(|range| range.total_ns.difference).sum();
        let operations = told.operations[1..].iter();
        let operations: i64 = operations.filter_map(|one| one.total_ns.difference).sum();
        prop_assert_eq!(told.operations[0].total_ns.difference, Some(expected));
        prop_assert_eq!((parts, ranges, operations), (expected, expected, expected));
        let counted: i64 = told.ranges.iter().filter_map(|range| range.count.b).sum();
        prop_assert_eq!(index(u64::try_from(counted).unwrap()), b.len());
    }
}

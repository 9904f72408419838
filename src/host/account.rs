//! Owns the account of what the host was answered: latencies by kind of request, the slowest
//! requests and why, what faults on request did, which limits of hosts were tripped, and how late the
//! host machine was.
//!
//! Takes constant memory. Snapshots are values that nobody changes any more.

use hdrhistogram::Histogram;

use super::monitor::Monitor;
use super::time_limits::Tripped;
use crate::drive::fault::Note;
use crate::drive::request::{Completion, Operation};
use crate::time::Duration;
use crate::units::counted;

/// An answer that is later than this is counted as late. Below it are timers and other threads of
/// a machine that keeps up.
pub const LAG_NOTICED: Duration = Duration::from_ms(1);

/// Slowest requests kept.
const SLOWEST_MAX: usize = 10;
/// What faults on request did, in notes; beyond that they are only counted.
const NOTES_MAX: usize = 1000;
/// Longest latency told apart; longer ones count as this. Requests that wait for foreground
/// cleaning take seconds, none an hour.
/// The longest of each kind is kept beside them.
const LATENCY_MAX: Duration = Duration::from_s(3600);

/// A snapshot.
#[derive(Clone, Debug, Default, PartialEq, Eq, serde::Serialize)]
pub struct Account {
    /// Latencies by kind: read, write, flush, trim, write-zeroes.
    pub kinds: Vec<Latencies>,
    /// Requests that were failed at an enforced limit. They have no answer of the drive, so `kinds` and
    /// `slowest` are without them.
    pub failed_at_limits: u64,
    /// The slowest requests, slowest first.
    pub slowest: Vec<Slow>,
    /// Answers that the host machine gave noticeably later than the model said.
    pub late: u64,
    /// How late the latest was, in nanoseconds of model time.
    pub lag_ns_max: u64,
    /// How late they were together, in nanoseconds of model time.
    pub lag_ns_sum: u64,
    /// The longest time in which the drive's thread could not look at new requests, in nanoseconds
    /// of model time. Requests that came meanwhile count as arrived after it. Nothing with the pace
    /// off.
    pub turn_ns_max: u64,
    /// What happened by faults on request, oldest first.
    pub faults: Vec<Note>,
    /// How often something did; the notes end where that would be too many.
    pub faults_noted: u64,
    /// The limits of hosts and what each would have done.
    pub limits: Vec<Tripped>,
}

impl Account {
    /// Requests answered.
    pub fn answered(&self) -> u64 {
        self.kinds.iter().map(|kind| kind.count).sum()
    }

    /// Whether this machine was in time, in a sentence: how many answers were late, by how much, and
    /// what that means for the figures.
    pub fn lag_words(&self) -> String {
        let words = lag_words(&Lag {
            answered: self.answered(),
            late: self.late,
            longest: Duration(self.lag_ns_max),
            sum: Duration(self.lag_ns_sum),
        });
        let turn = Duration(self.turn_ns_max);
        if turn <= LAG_NOTICED {
            return words;
        }
        format!("{words}; requests may have waited up to {turn} before the drive saw them")
    }
}

/// How late answers were that count as late.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Lag {
    /// Answers in all.
    pub answered: u64,
    /// Those that were late.
    pub late: u64,
    /// How late the latest was.
    pub longest: Duration,
    /// How late they were together.
    pub sum: Duration,
}

/// The sentence of [`Account::lag_words`].
pub fn lag_words(lag: &Lag) -> String {
    let Lag {
        answered,
        late,
        longest,
        sum,
    } = lag;
    if *late == 0 {
        let came = match answered {
            1 => "the only answer".to_owned(),
            answered => format!("each of {answered} answers"),
        };
        return format!("none: {came} came within {LAG_NOTICED} of its moment");
    }
    let milli = u128::from(*late) * 100_000 / u128::from((*answered).max(1));
    let (whole, rest) = (milli / 1000, milli % 1000);
    let mean = Duration(sum.0 / late);
    let answers = counted(*answered, "answer");
    format!(
        "RESULTS ARE AFFECTED: {late} of {answers} ({whole}.{rest:03} %) came late, by {mean} \
         on average, the latest by {longest}: this machine is too slow for the pace, the drive is not \
         to blame"
    )
}

/// Latencies of one kind of request in nanoseconds of model time, with an error below 1 %; the longest
/// is exact.
#[derive(Clone, Debug, Default, PartialEq, Eq, serde::Serialize)]
pub struct Latencies {
    /// Which kind.
    pub operation: &'static str,
    /// Requests answered.
    pub count: u64,
    /// Half took no longer.
    pub p50_ns: u64,
    /// 90 % took no longer.
    pub p90_ns: u64,
    /// 99 % took no longer.
    pub p99_ns: u64,
    /// 99.9 % took no longer.
    pub p999_ns: u64,
    /// The longest.
    pub max_ns: u64,
    /// Upper bounds, each twice the last, and how many requests lie between it and the one before.
    pub buckets: Vec<(u64, u64)>,
}

/// A slow request.
#[derive(Clone, Debug, PartialEq, Eq, serde::Serialize)]
pub struct Slow {
    /// Which kind.
    pub operation: &'static str,
    /// First byte.
    pub offset: u64,
    /// How many bytes.
    pub bytes: u64,
    /// When it arrived, in nanoseconds of model time.
    pub arrived_ns: u64,
    /// How long it took, in nanoseconds of model time.
    pub took_ns: u64,
    /// Why, in words.
    pub cause: String,
    /// All there is to know.
    #[serde(skip)]
    pub completion: Completion,
}

/// Keeps the account.
pub(crate) struct Ledger {
    histograms: [Histogram<u64>; 5],
    longest: [Duration; 5],
    failed_at_limits: u64,
    /// Ascending by how long they took.
    slowest: Vec<(Duration, Completion)>,
    late: u64,
    lag_max: Duration,
    lag_sum: Duration,
    turn_max: Duration,
    faults: Vec<Note>,
    faults_noted: u64,
    pub(crate) monitor: Monitor,
}

impl Ledger {
    pub(crate) fn new() -> Ledger {
        let histogram = || {
            Histogram::new_with_bounds(1, LATENCY_MAX.0, 2).expect("the bounds are 2 apart or more")
        };
        Ledger {
            histograms: std::array::from_fn(|_| histogram()),
            longest: [Duration::ZERO; 5],
            failed_at_limits: 0,
            slowest: Vec::with_capacity(SLOWEST_MAX + 1),
            late: 0,
            lag_max: Duration::ZERO,
            lag_sum: Duration::ZERO,
            turn_max: Duration::ZERO,
            faults: Vec::new(),
            faults_noted: 0,
            monitor: Monitor::new(),
        }
    }

    /// Takes an answer into account. Its lag is nothing if it was given in time.
    pub(crate) fn enter(&mut self, completion: &Completion) {
        self.monitor.answered(completion);
        let lag = completion.breakdown.lag;
        if lag > Duration::ZERO {
            self.late += 1;
            self.lag_max = self.lag_max.max(lag);
            self.lag_sum += lag;
        }
        let took = completion.due.since(completion.arrived) + lag;
        let kind = completion.operation.kind();
        self.histograms[kind].saturating_record(took.0);
        self.longest[kind] = self.longest[kind].max(took);
        let full = self.slowest.len() == SLOWEST_MAX;
        if full
            && self
                .slowest
                .first()
                .is_some_and(|(least, _)| *least >= took)
        {
            return;
        }
        let place = self.slowest.partition_point(|(other, _)| *other < took);
        self.slowest.insert(place, (took, *completion));
        if full {
            self.slowest.remove(0);
        }
    }

    /// Takes into account what a fault on request did.
    pub(crate) fn note(&mut self, note: Note) {
        log::info!("fault {} on request: {}", note.fault, note.what);
        self.faults_noted += 1;
        if self.faults.len() < NOTES_MAX {
            self.faults.push(note);
        }
    }

    /// Takes into account that a request was failed at an enforced limit.
    pub(crate) fn failed_at_limit(&mut self) {
        self.failed_at_limits += 1;
    }

    /// Takes into account how long the drive's thread was busy at a stretch.
    pub(crate) fn turn_took(&mut self, took: Duration) {
        self.turn_max = self.turn_max.max(took);
    }

    pub(crate) fn snapshot(&self) -> Account {
        let kinds = self.histograms.iter().zip(self.longest);
        let kinds = Operation::WORDS.iter().zip(kinds);
        let slowest = self.slowest.iter().rev();
        Account {
            kinds: kinds
                .map(|(word, (histogram, longest))| latencies(word, histogram, longest))
                .collect(),
            failed_at_limits: self.failed_at_limits,
            slowest: slowest
                .map(|(took, completion)| slow(*took, completion))
                .collect(),
            late: self.late,
            lag_ns_max: self.lag_max.0,
            lag_ns_sum: self.lag_sum.0,
            turn_ns_max: self.turn_max.0,
            faults: self.faults.clone(),
            faults_noted: self.faults_noted,
            limits: self.monitor.snapshot(),
        }
    }
}

fn latencies(operation: &'static str, histogram: &Histogram<u64>, longest: Duration) -> Latencies {
    // A histogram says the upper edge of where a value lies.
    let quantile = |q| histogram.value_at_quantile(q).min(longest.0);
    Latencies {
        operation,
        count: histogram.len(),
        p50_ns: quantile(0.5),
        p90_ns: quantile(0.9),
        p99_ns: quantile(0.99),
        p999_ns: quantile(0.999),
        max_ns: longest.0,
        buckets: histogram
            .iter_log(1 << 10, 2.0)
            .map(|step| (step.value_iterated_to(), step.count_since_last_iteration()))
            .collect(),
    }
}

fn slow(took: Duration, completion: &Completion) -> Slow {
    Slow {
        operation: completion.operation.word(),
        offset: completion.offset,
        bytes: completion.bytes,
        arrived_ns: completion.arrived.0,
        took_ns: took.0,
        cause: completion.cause(),
        completion: *completion,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::drive::request::Breakdown;
    use crate::medium::movement::RequestId;
    use crate::time::Instant;
    use proptest::prelude::*;

    fn completion(took: u64, lag: u64) -> Completion {
        Completion {
            request: RequestId(took),
            operation: Operation::Read,
            offset: 0,
            bytes: 4096,
            arrived: Instant(100),
            due: Instant(100 + took),
            needs: None,
            breakdown: Breakdown {
                seek: Duration(took),
                lag: Duration(lag),
                ..Breakdown::default()
            },
            behind: None,
            room_by: None,
            missed_by: None,
            failing: None,
        }
    }

    proptest! {
        #[test]
        fn the_slowest_are_those_that_a_full_sort_finds(
            times in prop::collection::vec(0..5_000_000_000_u64, 0..60)
        ) {
            let mut ledger = Ledger::new();
            for took in &times {
                ledger.enter(&completion(*took, 0));
            }
            let mut sorted = times.clone();
            sorted.sort_unstable_by_key(|took| std::cmp::Reverse(*took));
            sorted.truncate(10);
            let account = ledger.snapshot();
            let slowest: Vec<u64> = account.slowest.iter().map(|slow| slow.took_ns).collect();
            prop_assert_eq!(slowest, sorted);
            let counted: u64 = account.kinds[0].buckets.iter().map(|(_, count)| count).sum();
            prop_assert_eq!(counted, u64::try_from(times.len()).expect("small"));
        }

        #[test]
        fn the_longest_is_exact_however_long_it_is(
            times in prop::collection::vec(0..20_000_000_000_000_u64, 1..20),
            lag in 0..5_u64,
        ) {
            let mut ledger = Ledger::new();
            for took in &times {
                ledger.enter(&completion(*took, lag));
            }
            let told = &ledger.snapshot().kinds[0];
            let longest = times.iter().max().expect("one at least") + lag;
            prop_assert_eq!(told.max_ns, longest);
            prop_assert!(told.p50_ns <= longest && told.p999_ns <= longest);
        }
    }

    #[test]
    fn latencies_are_told_apart_by_kind_and_within_a_percent() {
        let mut ledger = Ledger::new();
        (1..=1000).for_each(|n| ledger.enter(&completion(n * 1_000_000, 0)));
        ledger.enter(&Completion {
            operation: Operation::Flush,
            ..completion(7, 0)
        });
        let kinds = ledger.snapshot().kinds;
        let words: Vec<_> = kinds
            .iter()
            .map(|kind| (kind.operation, kind.count))
            .collect();
        let expected = [
            ("read", 1000),
            ("write", 0),
            ("flush", 1),
            ("trim", 0),
            ("write-zeroes", 0),
        ];
        assert_eq!(words, expected);
        for (told, exact) in [
            (kinds[0].p50_ns, 500),
            (kinds[0].p99_ns, 990),
            (kinds[0].max_ns, 1000),
        ] {
            let exact = exact * 1_000_000;
            assert!(
                told.abs_diff(exact) <= exact / 100,
                "{told} instead of {exact}"
            );
        }
    }

    #[test]
    fn late_answers_are_said_to_affect_the_results_and_by_how_much() {
        let mut ledger = Ledger::new();
        (0..99).for_each(|_| ledger.enter(&completion(1_000_000, 0)));
        let words = ledger.snapshot().lag_words();
        assert_eq!(
            words,
            "none: each of 99 answers came within 1 ms of its moment"
        );
        for lag in [3_000_000, 5_000_000] {
            ledger.enter(&completion(1_000_000, lag));
        }
        let words = ledger.snapshot().lag_words();
        let said = "RESULTS ARE AFFECTED: 2 of 101 answers (1.980 %) came late, by 4 ms on average, \
                    the latest by 5 ms: ";
        assert!(words.starts_with(said), "{words}");
    }

    #[test]
    fn lateness_of_the_host_machine_is_counted_and_belongs_to_the_latency() {
        let mut ledger = Ledger::new();
        ledger.enter(&completion(1000, 0));
        ledger.enter(&completion(1000, 5000));
        ledger.enter(&completion(1000, 3000));
        let account = ledger.snapshot();
        let lag = (account.late, account.lag_ns_max, account.lag_ns_sum);
        assert_eq!(lag, (2, 5000, 8000));
        assert_eq!(account.slowest[0].took_ns, 6000);
        assert!(
            account.slowest[0].cause.contains("late"),
            "{}",
            account.slowest[0].cause
        );
    }
}

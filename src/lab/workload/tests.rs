//! Tests of how workloads are read.

use super::error::WorkloadError;
use super::{Afterwards, Arrivals, Bursts, Order, Spacing, Workload};
use crate::time::Duration;

const GOOD: &str = "[workload]\nname = \"x\"\nseed = 7\ncount = 10\n\
    [place]\norder = \"uniform\"\nrequest = \"4 KiB\"\n\
    [mix]\nwrite = \"100%\"\n[arrivals]\nkind = \"closed\"\nunder_way = 2\n";

/// What is said of the good workload with one part replaced.
fn problems(replace: &[(&str, &str)]) -> Vec<String> {
    let mut text = GOOD.to_owned();
    for (from, to) in replace {
        assert!(text.contains(from), "{from}");
        text = text.replace(from, to);
    }
    match Workload::from_toml("w.toml", &text) {
        Err(WorkloadError::Invalid { problems, .. }) => {
            problems.iter().map(ToString::to_string).collect()
        }
        other => panic!("{other:?}"),
    }
}

#[test]
fn every_problem_is_reported_at_once_with_key_value_and_what_is_allowed() {
    let found = problems(&[
        ("seed = 7", "sede = 7"),
        ("\"uniform\"", "\"random\""),
        ("\"4 KiB\"", "4096"),
        ("under_way = 2", "per_second = 3"),
    ]);
    let check = |parts: &[&str]| {
        let said = |line: &String| parts.iter().all(|part| line.contains(part));
        assert!(found.iter().any(said), "{parts:?} in {found:#?}");
    };
    check(&["workload.sede = 7", "did you mean workload.seed"]);
    check(&["workload.seed", "missing"]);
    check(&[
        "place.order = \"random\"",
        "\"uniform\"",
        "\"alternate-blocks\"",
    ]);
    check(&["place.request = 4096", "give a size"]);
    check(&["arrivals.under_way", "missing"]);
    check(&[
        "arrivals.per_second = 3",
        "counts only with arrivals.kind = \"open\"",
    ]);
    assert_eq!(found.len(), 6, "{found:#?}");
}

#[test]
fn shares_must_add_up_to_the_whole() {
    let found = problems(&[("write = \"100%\"", "write = \"60%\"\nread = \"30%\"")]);
    assert_eq!(found.len(), 1);
    assert!(found[0].contains("these add up to 90%"), "{found:?}");
}

#[test]
fn a_workload_without_an_end_is_refused() {
    let found = problems(&[("count = 10\n", "")]);
    assert_eq!(found.len(), 1);
    assert!(found[0].contains("workload.count: missing"), "{found:?}");
}

#[test]
fn a_range_shorter_than_a_request_is_refused() {
    let found = problems(&[("request =", "length = \"512 B\"\nrequest =")]);
    assert_eq!(found.len(), 1);
    assert!(
        found[0].contains("the range must hold a request"),
        "{found:?}"
    );
}

#[test]
fn words_say_what_a_file_would() {
    let workload = Workload::from_words(
        "alternate-blocks 70%write,30%read 8KiB first-1GiB 200.5/s 60s bursts-of-10 pause-2s then-drain",
    );
    let workload = workload.expect("valid");
    assert_eq!(workload.place.order, Order::AlternateBlocks { skip: 1 });
    assert_eq!(workload.place.request_bytes, 8192);
    assert_eq!(workload.place.length, Some(1 << 30));
    assert_eq!((workload.mix.write, workload.mix.read), (70, 30));
    let open = Arrivals::Open {
        per_s_milli: 200_500,
        spacing: Spacing::Poisson,
    };
    assert_eq!(workload.arrivals, open);
    assert_eq!(workload.limits.duration, Some(Duration::from_s(60)));
    assert_eq!(workload.limits.count, None);
    let bursts = Bursts {
        count: 10,
        pause: Duration::from_s(2),
    };
    assert_eq!(workload.bursts, Some(bursts));
    assert_eq!(workload.afterwards, Afterwards::Drain);
}

#[test]
fn words_that_mean_nothing_are_all_named() {
    let refused = Workload::from_words("uniform quickly write write 4KiB 8KiB pause-3s");
    let Err(WorkloadError::Words { problems, .. }) = refused else {
        panic!("{refused:?}");
    };
    for part in [
        "quickly: not known",
        "write comes twice",
        "8KiB: 4KiB has said",
        "when it ends",
        "come together",
    ] {
        assert!(
            problems.iter().any(|p| p.contains(part)),
            "{part}: {problems:?}"
        );
    }
    assert_eq!(problems.len(), 5);
}

#[test]
fn only_texts_that_begin_with_an_order_are_words() {
    assert!(Workload::is_words("uniform,write"));
    assert!(Workload::is_words(" sequential read 60s"));
    assert!(!Workload::is_words("uniform.toml"));
    assert!(!Workload::is_words("mine/uniform"));
}

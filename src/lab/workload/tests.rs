//! Tests of how workloads are read.

use super::error::WorkloadError;
use super::{Afterwards, Arrivals, Bursts, Order, Size, Spacing, Spot, Workload};
use crate::time::Duration;

const GOOD: &str = "[workload]\nname = \"x\"\nseed = 7\ncount = 10\n\
    [[stream]]\norder = \"uniform\"\nrequest = \"4 KiB\"\nwrite = \"100%\"\nunder_way = 2\n";

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

/// Whether one of the problems has all these parts.
fn check(found: &[String], parts: &[&str]) {
    let said = |line: &String| parts.iter().all(|part| line.contains(part));
    assert!(found.iter().any(said), "{parts:?} in {found:#?}");
}

#[test]
fn every_problem_is_reported_at_once_with_key_value_and_what_is_allowed() {
    let found = problems(&[
        ("seed = 7", "sede = 7"),
        ("\"uniform\"", "\"random\"\nskip = 3"),
        ("\"4 KiB\"", "4096"),
        (
            "under_way = 2",
            "per_second = 3\nunder_way = 2\nhot_part = \"3%\"",
        ),
    ]);
    check(&found, &["workload.sede = 7", "did you mean workload.seed"]);
    let words = ["stream[0].order = \"random\"", "\"uniform\"", "\"scatter\""];
    check(&found, &words);
    check(&found, &["stream[0].request = 4096", "give a size"]);
    check(
        &found,
        &["stream[0].under_way = 2", "counts only without per_second"],
    );
    assert_eq!(found.len(), 4, "{found:#?}");
    let found = problems(&[("under_way = 2", "under_way = 2\nhot_part = \"3%\"")]);
    let only = "counts only with order = \"hot-cold\"";
    check(&found, &["stream[0].hot_part = \"3%\"", only]);
    assert_eq!(found.len(), 1, "{found:#?}");
}

#[test]
fn shares_must_add_up_to_the_whole() {
    let found = problems(&[("write = \"100%\"", "write = \"60%\"\nread = \"30%\"")]);
    assert_eq!(found.len(), 1);
    check(&found, &["stream[0]", "these add up to 90%"]);
    let sizes = "sizes = [{ request = \"4 KiB\", share = \"50%\" }]";
    let found = problems(&[("request = \"4 KiB\"", sizes)]);
    assert_eq!(found.len(), 1);
    check(&found, &["stream[0].sizes", "these add up to 50%"]);
}

#[test]
fn a_workload_without_an_end_is_refused() {
    let found = problems(&[("count = 10\n", "")]);
    assert_eq!(found.len(), 1);
    check(&found, &["workload.count: missing", "a count for a stream"]);
    let phase = "[[phase]]\nname = \"a\"\n[[stream]]";
    let found = problems(&[("[[stream]]", phase)]);
    assert_eq!(found.len(), 1);
    check(&found, &["phase[0].duration: missing"]);
}

#[test]
fn a_stream_says_when_its_requests_come() {
    let found = problems(&[("under_way = 2\n", "")]);
    assert_eq!(found.len(), 1);
    check(
        &found,
        &["stream[0]", "nothing says when its requests come"],
    );
    let found = problems(&[("[[stream]]", "[[strom]]")]);
    check(&found, &["stream: missing"]);
}

#[test]
fn phases_name_streams_that_are_there_and_leave_none_out() {
    let two = "[[phase]]\nname = \"a\"\nduration = \"1 s\"\nstreams = [\"y\", \"z\", \"z\"]\n\
               [[stream]]\nname = \"z\"\norder = \"ring\"\nrequest = \"4 KiB\"\nread = \"100%\"\n\
               under_way = 1\n[[stream]]\nname = \"unused\"";
    let found = problems(&[("[[stream]]", two)]);
    check(
        &found,
        &[
            "phase[0].streams[0] = \"y\"",
            "no stream has this name",
            "z, unused",
        ],
    );
    check(&found, &["phase[0].streams[2] = \"z\"", "it runs already"]);
    assert_eq!(found.len(), 2, "{found:#?}");
    let unused = two.replace("\"y\", \"z\", \"z\"", "\"z\"");
    let found = problems(&[("[[stream]]", &unused)]);
    check(&found, &["stream[1]", "no phase runs this stream"]);
    assert_eq!(found.len(), 1, "{found:#?}");
    let same = two
        .replace("\"y\", \"z\", \"z\"", "\"z\"")
        .replace("unused", "z");
    let found = problems(&[("[[stream]]", &same)]);
    check(&found, &["stream[1].name = \"z\"", "another name"]);
}

#[test]
fn parts_of_a_day_are_percentages() {
    let day =
        |parts: &str| problems(&[("under_way = 2", &format!("per_second = 1\nday = {parts}"))]);
    check(
        &day("[\"10%\", \"x\"]"),
        &["stream[0].day[1] = \"x\"", "a whole percentage"],
    );
    check(
        &day("[\"10%\", 3]"),
        &["stream[0].day[1] = 3", "wrong type"],
    );
    check(
        &day("[\"0%\", \"0%\"]"),
        &["stream[0].day", "no request would ever come"],
    );
    check(&day("[\"10%\"]"), &["stream[0].day", "a list of 2 to 96"]);
}

#[test]
fn a_range_shorter_than_a_request_is_refused() {
    let found = problems(&[("request =", "length = \"512 B\"\nrequest =")]);
    assert_eq!(found.len(), 1);
    check(
        &found,
        &["stream[0].length", "the range must hold a request"],
    );
}

#[test]
fn words_say_what_a_file_would() {
    let workload = Workload::from_words(
        "alternate-blocks 60%write,30%read,10%fua-write 8KiB first-1GiB 200.5/s 60s bursts-of-10 \
         pause-2s then-drain",
    );
    let workload = workload.expect("valid");
    let [stream] = &workload.streams[..] else {
        panic!("{workload:?}");
    };
    assert_eq!(stream.place.order, Order::AlternateBlocks { skip: 1 });
    let size = Size {
        bytes: 8192,
        share: 100,
    };
    assert_eq!(stream.sizes, [size]);
    assert_eq!(stream.place.length, Some(Spot::Bytes(1 << 30)));
    let mix = stream.mix;
    assert_eq!((mix.write, mix.read, mix.fua_write), (60, 30, 10));
    let open = Arrivals::Open {
        per_s_milli: 200_500,
        spacing: Spacing::Poisson,
    };
    assert_eq!(stream.arrivals, open);
    assert_eq!(workload.limits.duration, Some(Duration::from_s(60)));
    assert_eq!(workload.limits.count, None);
    let bursts = Bursts {
        count: 10,
        pause: Duration::from_s(2),
    };
    assert_eq!(stream.bursts, Some(bursts));
    assert_eq!(workload.afterwards, Afterwards::Drain);
}

#[test]
fn what_comes_with_imbrex_is_valid_and_bears_its_name() {
    let mut count = 0;
    for (name, about) in Workload::built_in_names() {
        let text = Workload::built_in(name).expect("it is listed");
        let workload = Workload::from_toml(name, text).expect("valid");
        assert_eq!(workload.name, name);
        assert!(!about.is_empty());
        count += 1;
    }
    let folder = concat!(env!("CARGO_MANIFEST_DIR"), "/configs/workloads");
    let files = std::fs::read_dir(folder).expect("the folder is there");
    assert_eq!(files.count(), count, "each file is built in");
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

//! The workloads that come with imbrex run on scaled drives, and every stream of them is answered.

use imbrex::image::open;
use imbrex::lab::simulation::{self, Observers};
use imbrex::lab::summary::Summary;
use imbrex::lab::workload::{Afterwards, Phase, Workload};
use imbrex::profile::Profile;
use imbrex::time::Duration;

/// Large enough for the groups and requests of all of them.
const CAPACITY: u64 = 4 << 30;

fn built_in(name: &str) -> Workload {
    let text = Workload::built_in(name).expect("it comes with imbrex");
    Workload::from_toml(name, text).expect("it is valid")
}

/// Phases of no more than so long.
fn shortened(mut workload: Workload, longest: Duration) -> Workload {
    let shorten = |phase: Phase| Phase {
        duration: Some(phase.duration.unwrap_or(longest).min(longest)),
        ..phase
    };
    workload.phases = workload.phases.into_iter().map(shorten).collect();
    workload.afterwards = Afterwards::Stop;
    workload
}

fn run(profile: &Profile, workload: &Workload) -> Summary {
    let observers = Observers {
        progress: &mut |_| {},
        jobs: None,
        answers: None,
    };
    simulation::run(
        open::imagined(profile).expect("it fits"),
        workload,
        observers,
    )
    .expect("it runs")
}

#[test]
fn each_of_them_runs_on_a_scaled_drive_and_every_stream_is_answered() {
    let text = Profile::default_text();
    let profile = Profile::from_toml("default", text).expect("it is valid");
    let (profile, _) = profile.scaled_to(CAPACITY).expect("it can be scaled");
    for (name, _) in Workload::built_in_names() {
        let workload = shortened(built_in(name), Duration::from_s(60));
        let summary = run(&profile, &workload);
        let seen: Vec<&str> = summary.streams.iter().map(|s| s.stream.as_str()).collect();
        let named: Vec<&str> = workload.streams.iter().map(|s| s.name.as_str()).collect();
        assert_eq!(seen, named, "{name}");
        let mut answered = 0;
        for stream in &summary.streams {
            let count: u64 = stream.operations.iter().map(|kind| kind.count).sum();
            assert!(count > 0, "{name}: {}", stream.stream);
            answered += count;
        }
        assert_eq!(answered, summary.answered, "{name}");
        let shown = summary.to_string();
        assert!(named.iter().all(|stream| shown.contains(stream)), "{shown}");
    }
}

#[test]
fn a_workload_of_several_streams_gives_the_same_summary_twice() {
    let text = Profile::built_in("tiny").expect("a shipped profile");
    let tiny = Profile::from_toml("tiny", text).expect("it is valid");
    let text = "[workload]\nname = \"two\"\nrounds = 2\n[[phase]]\nname = \"a\"\nduration = \"3 s\"\n\
                [[phase]]\nname = \"b\"\nduration = \"2 s\"\nstreams = []\n\
                [[stream]]\nname = \"log\"\norder = \"ring\"\nlength_part = \"10%\"\nfua_write = \"100%\"\n\
                per_second = 30\nsizes = [{ request = \"4 KiB\", share = \"60%\" }, \
                { request = \"12 KiB\", share = \"40%\" }]\n\
                [[stream]]\nname = \"rest\"\norder = \"skewed\"\nfrom_part = \"10%\"\nrequest = \"8 KiB\"\n\
                read = \"30%\"\nwrite = \"50%\"\ntrim = \"10%\"\nzero = \"10%\"\nunder_way = 3\n";
    let told = |seed| {
        let mut workload = Workload::from_toml("two", text).expect("it is valid");
        workload.seed = seed;
        serde_json::to_string(&run(&tiny, &workload)).expect("plain values")
    };
    assert_eq!(told(1), told(1));
    assert_ne!(told(1), told(2));
}

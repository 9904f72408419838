//! Runs of small drives of many kinds, watched. While they run the watcher itself asserts that the bands
//! it takes for dirty are as many as the drive says, and each run that its sums are the drive's counters.

use super::super::account::{Gathered, OfOwner};
use super::*;
use crate::lab::start::Start;
use crate::lab::structures::Structure;
use crate::lab::summary::Summary;
use crate::lab::workload::Workload;
use crate::medium::layout::Layout;
use crate::profile::Profile;
use crate::profile::changed::Change;
use proptest::prelude::*;

/// Everything that was charged to anyone is what the arm did, purpose by purpose.
pub(super) fn conserved(gathered: &Gathered, summary: &Summary) {
    let (ns, bytes) = gathered.sums();
    let seen: Vec<(u64, u64)> = ns.into_iter().zip(bytes).collect();
    let told: Vec<(u64, u64)> = summary
        .purposes
        .iter()
        .map(|purpose| (purpose.arm_ns, purpose.bytes))
        .collect();
    assert_eq!(seen, told);
}

fn tiny(changes: &[&str]) -> Profile {
    let tiny = Profile::from_toml("tiny", Profile::built_in("tiny").unwrap()).unwrap();
    let changes: Vec<Change> = changes
        .iter()
        .map(|words| Change::from_words(words).unwrap())
        .collect();
    tiny.changed(&changes).unwrap()
}

fn blamed(profile: &Profile, start: &str, workload: &str, ranges: Ranges) -> Blame {
    let drive = Start::from_words(start).unwrap().drive(profile).unwrap();
    let workload = Workload::from_words(workload).unwrap();
    let asked = Load::Made(&workload);
    run(drive, asked, (ranges, Weigh::Bytes), &mut |_| {}).unwrap()
}

fn bands(profile: &Profile) -> Ranges {
    Ranges::bands(&Layout::new(profile).unwrap())
}

fn cleaning(purposes: &[&str], summary: &[crate::lab::summary::PurposeUse]) -> u64 {
    let wanted = summary.iter().filter(|one| purposes.contains(&one.purpose));
    wanted.map(|one| one.arm_ns).sum()
}

#[test]
fn who_writes_to_one_half_only_causes_all_the_cleaning() {
    let profile = tiny(&[]);
    let capacity = profile.drive.capacity_bytes;
    let half = Ranges::equal(capacity, capacity.div_ceil(2));
    let first = format!(
        "uniform write 4KiB first-{}KiB 3000-requests",
        capacity / 4096
    );
    let blame = blamed(&profile, "formatted", &first, half);
    assert!(blame.cleanings > 10, "{blame:?}");
    assert_eq!(blame.owners.len(), 1);
    let only = &blame.owners[0];
    assert_eq!(only.owner.start_bytes, 0);
    assert_eq!(
        (only.cleaning_ns, only.cleanings),
        (blame.cleaning_ns, blame.cleanings)
    );
    assert_eq!((only.waits > 0, only.waited_ns), (true, blame.waited_ns));
    assert_eq!(only.host_written_bytes, 3000 * 4096);
    let words = [&blame.before, &blame.nobody].map(|one| one.cleaning_ns);
    assert_eq!(words, [0, 0]);
}

#[test]
fn what_was_staged_before_the_run_is_not_blamed_on_it() {
    let profile = tiny(&["cleaning.idle_delay=10ms"]);
    // Nothing is written; the drive cleans what it finds when left alone.
    let blame = blamed(
        &profile,
        "filled 80%, staging 60%",
        "uniform read 4KiB 20-requests then-drain",
        bands(&profile),
    );
    assert!(blame.cleanings > 0, "{blame:?}");
    assert_eq!(blame.before.cleaning_ns, blame.cleaning_ns);
    assert!(blame.owners.is_empty(), "{:?}", blame.owners);
    assert!(
        blame.words(5).contains("before the run"),
        "{}",
        blame.words(5)
    );
}

#[test]
fn a_structure_bears_its_part_and_what_no_list_names_the_rest() {
    let profile = tiny(&[]);
    let capacity = profile.drive.capacity_bytes;
    let list = [Structure {
        start: 0,
        end: capacity / 4,
        name: "journal".to_owned(),
    }];
    let ranges = Ranges::listed(capacity, &list);
    let blame = blamed(
        &profile,
        "formatted",
        "uniform write 4KiB 4000-requests",
        ranges,
    );
    let told: Vec<&str> = blame
        .owners
        .iter()
        .map(|one| one.owner.name.as_str())
        .collect();
    assert_eq!(told, ["not listed", "journal"]);
    let sum: u64 = blame.owners.iter().map(|one| one.cleaning_ns).sum();
    assert_eq!(sum, blame.cleaning_ns);
    // Writes everywhere alike: a quarter of the drive causes about a quarter of the cleaning.
    let percent = blame.owners[1].cleaning_ns * 100 / sum;
    assert!((18..=32).contains(&percent), "{percent} %");
    assert_eq!(blame.csv().lines().count(), 5);
}

#[test]
fn what_is_in_the_write_cache_at_the_end_is_told_as_in_no_figure() {
    let left = |words| {
        let profile = tiny(&[]);
        let blame = blamed(&profile, "new", words, bands(&profile));
        let told = blame
            .words(20)
            .contains("still in the write cache at the end");
        (blame.left_in_cache_bytes, told, blame.host_written_bytes)
    };
    let (bytes, told, written) = left("uniform write 4KiB 20-requests 1-under-way");
    assert!(bytes > 0 && bytes <= written && told, "{bytes} {told}");
    // A write that has to be on the medium when it is answered leaves nothing behind.
    let (bytes, told, _) = left("uniform fua-write 4KiB 20-requests 1-under-way");
    assert_eq!((bytes, told), (0, false));
}

#[test]
fn a_conventional_drive_has_no_cleaning_to_blame_on_anyone() {
    let control = Profile::built_in("control-5tb").unwrap();
    let control = Profile::from_toml("control", control).unwrap();
    let ranges = Ranges::equal(control.drive.capacity_bytes, 1 << 40);
    let blame = blamed(
        &control,
        "as-it-comes",
        "uniform write 4KiB 50-requests",
        ranges,
    );
    assert_eq!(
        (blame.cleanings, blame.cleaning_ns, blame.waited_ns),
        (0, 0, 0)
    );
    let written: u64 = blame.owners.iter().map(|one| one.host_written_bytes).sum();
    assert_eq!(written, 50 * 4096);
}

const PROFILES: [&[&str]; 6] = [
    &[],
    &["cleaning.passes=2"],
    &["cleaning.style=lazy"],
    &["cleaning.step=band"],
    &["write_cache.enabled=false"],
    &["cleaning.choice=fullest"],
];

proptest! {
    #![proptest_config(ProptestConfig::with_cases(48))]
    #[test]
    fn shares_add_up_to_what_the_drive_did_whatever_is_asked(
        profile in 0..PROFILES.len(),
        start in prop::sample::select(vec!["new", "formatted", "filled 70%, staging 80%"]),
        order in prop::sample::select(vec!["uniform", "sequential", "hot-cold"]),
        mix in prop::sample::select(vec!["write", "50%write 30%trim 20%read", "70%write 30%zero", "60%fua-write 40%read"]),
        size in prop::sample::select(vec!["4KiB", "2560B", "300KiB"]),
        pieces in any::<bool>(),
        seed in 0..1000_u64,
    ) {
        let profile = tiny(PROFILES[profile]);
        let drive = Start::from_words(start).unwrap().drive(&profile).unwrap();
        let words = format!("{order} {mix} {size} 250-requests then-drain");
        let workload = Workload { seed, ..Workload::from_words(&words).unwrap() };
        let weigh = if pieces { Weigh::Pieces } else { Weigh::Bytes };
        // `run` compares every purpose with the drive's counters.
        let blame = run(drive, Load::Made(&workload), (bands(&profile), weigh), &mut |_| {}).unwrap();
        let all: Vec<&OfOwner> = blame.owners.iter().chain([&blame.before, &blame.nobody]).collect();
        let by_purpose: u64 = all
            .iter()
            .flat_map(|one| &one.cleaning_by_purpose)
            .map(|one| one.arm_ns)
            .sum();
        prop_assert_eq!(by_purpose, blame.cleaning_ns);
        // A merge of the map that a cleaning needs belongs to the cleaning; no cleaning lies outside.
        let clean = ["clean-read", "clean-gather", "clean-copy", "clean-verify", "clean-write"];
        prop_assert_eq!(cleaning(&clean, &blame.not_shared), 0);
        let host: u64 = all.iter().map(|one| one.host_written_bytes).sum();
        prop_assert_eq!(host, blame.host_written_bytes);
    }
}

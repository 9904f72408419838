//! Good files make the profile they describe; bad ones are answered with every problem at once.

use super::*;
use crate::profile::BandSize;
use crate::profile::error::Problem;
use proptest::prelude::*;

const TINY: &str = "tiny";

fn tiny() -> String {
    Profile::built_in(TINY).expect("it is built in").to_owned()
}

/// The tiny profile with some of its text replaced; every text to replace must be there.
fn changed(changes: &[(&str, &str)]) -> String {
    changes.iter().fold(tiny(), |text, (old, new)| {
        assert!(text.contains(old), "{old:?} is not in the tiny profile");
        text.replacen(old, new, 1)
    })
}

fn problems(text: &str) -> Vec<Problem> {
    match Profile::from_toml("bad.toml", text) {
        Err(ProfileError::Invalid { file, problems }) => {
            assert_eq!(file, "bad.toml");
            assert!(!problems.is_empty());
            problems
        }
        other => panic!("not refused key by key: {other:?}"),
    }
}

/// Keys that are complained about.
fn blamed(text: &str) -> Vec<String> {
    problems(text)
        .into_iter()
        .map(|problem| problem.key)
        .collect()
}

/// One change of the tiny profile gives exactly one problem, with `key` and words of the message.
fn check(changes: &[(&str, &str)], key: &str, words: &[&str]) {
    let text = changed(changes);
    let problems = problems(&text);
    assert_eq!(problems.len(), 1, "{problems:#?}");
    assert_eq!(problems[0].key, key);
    let message = problems[0].to_string();
    for word in words {
        assert!(message.contains(word), "{message:?} does not say {word:?}");
    }
}

#[test]
fn a_single_bad_value_is_reported_with_line_key_value_and_what_is_allowed() {
    let text = changed(&[("capacity = \"8 MiB\"", "capacity = \"8 XB\"")]);
    let line = text
        .lines()
        .position(|line| line.contains("8 XB"))
        .expect("it is there")
        + 1;
    let error = Profile::from_toml("bad.toml", &text)
        .expect_err("refused")
        .to_string();
    let expected = format!("bad.toml: line {line}: drive.capacity = \"8 XB\": the unit \"XB\"");
    assert!(error.contains(&expected), "{error}");
    assert!(error.contains("a multiple of 4096 bytes"), "{error}");
}

#[test]
fn values_out_of_range_or_of_another_type_are_refused() {
    check(
        &[("8 MiB", "8388609 B")],
        "drive.capacity",
        &["multiple of 4096"],
    );
    check(&[("8 MiB", "4 KiB")], "drive.capacity", &["1 MiB"]);
    check(
        &[("capacity = \"8 MiB\"", "capacity = 8")],
        "drive.capacity",
        &["wrong type"],
    );
    check(
        &[("logical_sector = 512", "logical_sector = 520")],
        "drive.logical_sector",
        &["512 or 4096"],
    );
    check(
        &[("\"nearest\"", "\"random\"")],
        "drive.queue_order",
        &["\"arrival\""],
    );
    check(
        &[("rpm = 5900", "rpm = 999.999")],
        "platters.rpm",
        &["1000", "20000"],
    );
    check(
        &[("rpm = 5900", "rpm = 5900.0001")],
        "platters.rpm",
        &["thousandths"],
    );
    check(&[("rpm = 5900", "rpm = -5900")], "platters.rpm", &["1000"]);
    check(&[("rpm = 5900", "rpm = nan")], "platters.rpm", &["1000"]);
    check(&[("rpm = 5900", "rpm = 1e300")], "platters.rpm", &["1000"]);
    check(
        &[("surfaces = 2", "surfaces = 0")],
        "platters.surfaces",
        &["1 to 64"],
    );
    check(
        &[("surfaces = 2", "surfaces = 99999999999999999999999")],
        "platters.surfaces",
        &["1 to 64"],
    );
}

#[test]
fn words_that_are_not_offered_are_refused() {
    check(
        &[("\"4 tracks\"", "\"0 tracks\"")],
        "bands.size",
        &["24 tracks"],
    );
    check(
        &[("\"1/2 track\"", "\"2/3 track\"")],
        "staging.quantum",
        &["none"],
    );
    check(
        &[("passes = 4", "passes = 5")],
        "cleaning.passes",
        &["2 or 3 or 4"],
    );
    check(
        &[("name = \"tiny\"", "name = \"\"")],
        "drive.name",
        &["1 to 64"],
    );
    check(
        &[("formatted = false", "formatted = \"no\"")],
        "drive.formatted",
        &["true or false"],
    );
}

#[test]
fn missing_keys_and_sections_are_named() {
    check(
        &[("idle_delay = \"1 s\"\n", "")],
        "cleaning.idle_delay",
        &["missing", "a time"],
    );
    check(
        &[("[read_ahead]\nbytes = \"32 KiB\"\n", "")],
        "read_ahead",
        &["missing", "[read_ahead]"],
    );
    check(
        &[("tracks = 75  ", "#")],
        "platters.zones[0].tracks",
        &["missing"],
    );
}

#[test]
fn an_empty_file_misses_every_section_that_is_always_needed() {
    let required = keys::SECTIONS.iter().filter(|section| section.required);
    let required: Vec<&str> = required.map(|section| section.path).collect();
    let mut missing = blamed("");
    missing.retain(|key| {
        keys::PROFILE
            .find_section(key)
            .is_some_and(|section| section.required)
    });
    assert_eq!(missing, required);
}

#[test]
fn unknown_keys_are_refused_with_the_nearest_known_one() {
    check(
        &[("[drive]", "[drive]\nque_depth = 3")],
        "drive.que_depth",
        &["drive.queue_depth"],
    );
    check(
        &[("[drive]", "[drive]\nrpm = 3")],
        "drive.rpm",
        &["platters.rpm"],
    );
    check(
        &[("[drive]", "[drives]\nx = 1\n[drive]")],
        "drives",
        &["drive"],
    );
    check(
        &[("[drive]", "\"drive.name\" = 1\n[drive]")],
        "\"drive.name\"",
        &["no such key"],
    );
    check(
        &[("tracks = 75 ", "zzz = 1\ntracks = 75 ")],
        "platters.zones[0].zzz",
        &["no such key"],
    );
}

#[test]
fn keys_that_would_count_for_nothing_are_refused() {
    check(
        &[("[staging]", "[staging]\nregions = 4")],
        "staging.regions",
        &["spread"],
    );
    check(
        &[("[staging]", "[staging]\nrate = \"1 GB/s\"")],
        "staging.rate",
        &["flash"],
    );
    check(
        &[("rpm =", "zone_count = 2\nrpm =")],
        "platters.zone_count",
        &["without platters.zones"],
    );
    check(
        &[(
            "rpm =",
            "seek_points = [{ tracks = 1, time = \"1 ms\" }]\nrpm =",
        )],
        "platters.seek_points",
        &["without the table [platters.seek]"],
    );
}

#[test]
fn all_problems_are_reported_at_once_and_in_order_of_the_file() {
    let text = changed(&[
        ("capacity = \"8 MiB\"", "capacity = \"lots\""),
        ("surfaces = 2", "surfices = 2"),
        ("guard_tracks = 1", "guard_tracks = 0"),
        ("low_mark = \"20%\"", "low_mark = \"80%\""),
        ("destage_delay = \"100 ms\"\n", ""),
    ]);
    let expected = [
        "drive.capacity",
        "platters.surfices",
        "bands.guard_tracks",
        "cleaning.low_mark",
        "platters.surfaces",
        "write_cache.destage_delay",
    ];
    assert_eq!(blamed(&text), expected);
}

#[test]
fn rules_between_keys_are_kept() {
    let overlap = ("overlap_tracks = 1", "overlap_tracks = 0");
    check(
        &[overlap],
        "bands.overlap_tracks",
        &["at least 1", "drive.personality"],
    );
    let guard = ("guard_tracks = 1", "guard_tracks = 0");
    check(&[guard], "bands.guard_tracks", &["destroy the next band"]);
    let wide = [
        ("8 MiB", "4 MiB"),
        ("overlap_tracks = 1", "overlap_tracks = 4"),
        ("guard_tracks = 1", "guard_tracks = 4"),
    ];
    check(&wide, "bands.overlap_tracks", &["less than 4"]);
    check(
        &[("spares_per_zone = 1", "spares_per_zone = 0")],
        "bands.spares_per_zone",
        &["spare"],
    );
    check(
        &[("8 MiB", "12 MiB")],
        "drive.capacity",
        &["at most", "staging.bytes"],
    );
    let entry = ("entry_max = \"64 KiB\"", "entry_max = \"256 KiB\"");
    check(&[entry], "staging.entry_max", &["at most \"192 KiB\""]);
    let bytes = ("bytes = \"2 MiB\"", "bytes = \"60 KiB\"");
    check(&[bytes], "staging.entry_max", &["at most \"60 KiB\""]);
    check(
        &[("\"1/2 track\"", "\"1/13 track\"")],
        "staging.quantum",
        &["1/12 track"],
    );
    check(
        &[("far_base = \"5.6 ms\"", "far_base = \"5.4 ms\"")],
        "platters.seek.far_base",
        // The move of 38 tracks against that of 37 of 149.
        &["5476459 ns"],
    );
    check(
        &[("sectors_per_track = 12", "sectors_per_track = 17")],
        "platters.zones",
        &["grow"],
    );
    check(
        &[("bytes = \"64 KiB\"\n", "bytes = \"0 B\"\n")],
        "write_cache.bytes",
        &["4 KiB"],
    );
    check(
        &[("merge_tracks = 2", "merge_tracks = 76")],
        "staging.merge_tracks",
        &["at most 75"],
    );
    let short = changed(&[("\"4 tracks\"", "\"60 KiB\"")]);
    assert!(blamed(&short).contains(&"bands.size".to_owned()));
}

#[test]
fn personality_and_sections_belong_together() {
    let conventional = ("\"drive-managed\"", "\"conventional\"");
    let flat = ("overlap_tracks = 1", "overlap_tracks = 0");
    check(
        &[conventional, flat],
        "staging",
        &["no staging area", "drive.personality"],
    );
    let text = tiny();
    let start = text.find("[staging]").expect("it is there");
    let end = text.find("[cleaning]").expect("it is there");
    let without = format!("{}{}", &text[..start], &text[end..]);
    assert_eq!(blamed(&without), ["staging"]);
    let without = without
        .replace(conventional.0, conventional.1)
        .replace(flat.0, flat.1);
    let profile = Profile::from_toml("ok.toml", &without).expect("a conventional drive");
    assert_eq!(profile.staging, None);
}

#[test]
fn both_ways_to_write_zones_and_seeks_are_understood() {
    let text = Profile::built_in("control-5tb")
        .expect("built in")
        .to_owned();
    let text = text
        .replace("zone_count = 16", "zone_count = 3")
        .replace("tracks_per_surface = 510000", "tracks_per_surface = 700001")
        .replace(
            "outer_sectors_per_track = 424",
            "outer_sectors_per_track = 301",
        )
        .replace(
            "inner_sectors_per_track = 212",
            "inner_sectors_per_track = 300",
        );
    let profile = Profile::from_toml("ok.toml", &text).expect("valid");
    let zone = |tracks, sectors_per_track| RecordingZone {
        tracks,
        sectors_per_track,
    };
    // Two tracks left over go to the outer zones; half a step rounds towards the inner one.
    assert_eq!(
        profile.platters.zones,
        [zone(233_334, 301), zone(233_334, 300), zone(233_333, 300)]
    );

    let text = Profile::built_in("inner-4tb").expect("built in").to_owned();
    let late = text.replace("tracks = 549999", "tracks = 549998");
    assert_eq!(blamed(&late), ["platters.seek_points"]);
    let falling = text.replace("\"10 ms\"", "\"17 ms\"");
    assert_eq!(blamed(&falling), ["platters.seek_points"]);
    let first = text.replace("tracks = 1,", "tracks = 2,");
    assert_eq!(blamed(&first), ["platters.seek_points"]);
    let none = text.replace("zone_count = 16", "zone_count = 600000");
    assert_eq!(blamed(&none), ["platters.zone_count"]);
}

#[test]
fn mistakes_in_toml_itself_come_with_line_and_column() {
    let error = Profile::from_toml("bad.toml", "[drive]\nname = \n").expect_err("refused");
    assert!(matches!(error, ProfileError::Syntax { .. }));
    assert!(
        error.to_string().contains("bad.toml: line 2, column "),
        "{error}"
    );
    let twice = Profile::from_toml("bad.toml", "[drive]\nformatted = true\nformatted = true\n");
    assert!(twice.expect_err("refused").to_string().contains("line 3"));
}

#[test]
fn values_at_their_limits_are_judged_without_overflow() {
    let zone = "[[platters.zones]]\ntracks = 10000000\nsectors_per_track = 100000\n";
    let text = tiny();
    let start = text.find("[[platters.zones]]").expect("it is there");
    let end = text.find("[platters.seek]").expect("it is there");
    let huge = format!("{}{}{}", &text[..start], zone.repeat(1024), &text[end..]);
    let huge = huge.replace("surfaces = 2", "surfaces = 64");
    assert_eq!(blamed(&huge), ["platters.zones"]);
}

/// Values of every kind, fit for some keys and hostile to most.
fn any_value() -> impl Strategy<Value = String> {
    prop_oneof![
        Just("[]".to_owned()),
        Just("{}".to_owned()),
        Just("[[1], {a = 2}]".to_owned()),
        Just("2020-01-01".to_owned()),
        Just("inf".to_owned()),
        Just("true".to_owned()),
        any::<i64>().prop_map(|n| n.to_string()),
        (0_i64..30).prop_map(|n| n.to_string()),
        any::<u64>().prop_map(|n| format!("\"{n} PiB\"")),
        (0_u64..5000, "(B|kB|MiB|TB|ms|s|ns|%|tracks|MB/s)")
            .prop_map(|(n, unit)| format!("\"{n} {unit}\"")),
        (0_u64..5000).prop_map(|n| format!("\"1/{n} track\"")),
        prop_oneof!["spread", "flash", "conventional", "lazy", "none"]
            .prop_map(|word| format!("\"{word}\"")),
    ]
}

proptest! {
    /// Whatever single values a file has, it is answered without a panic; if it is accepted, its own
    /// text gives the same profile.
    #[test]
    fn hostile_values_never_panic_and_what_is_accepted_round_trips(
        base in 0_usize..7,
        changes in proptest::collection::vec((0..keys::KEYS.len(), any_value()), 1..4),
    ) {
        let name = Profile::built_in_names().nth(base).expect("seven profiles");
        let mut text = Profile::built_in(name).expect("built in").to_owned();
        for (key, value) in changes {
            let leaf = keys::split(keys::KEYS[key].path).1;
            if let Some(at) = text.find(&format!("\n{leaf} = ")) {
                let end = text[at + 1..].find('\n').map_or(text.len(), |end| at + 1 + end);
                text.replace_range(at..end, &format!("\n{leaf} = {value}"));
            }
        }
        if let Ok(profile) = Profile::from_toml("any.toml", &text) {
            prop_assert_eq!(Profile::from_toml("own", &profile.to_toml()), Ok(profile));
        }
    }

    #[test]
    fn hostile_text_never_panics(text: String, toml in "[a-z\\[\\]={}\"'.\n0-9 ,]{0,80}") {
        for text in [text, toml.clone(), format!("{}{toml}", tiny())] {
            if let Ok(profile) = Profile::from_toml("any.toml", &text) {
                prop_assert!(profile.drive.capacity_bytes > 0);
            }
        }
    }

    /// Profiles made of other numbers read back from their own text.
    #[test]
    fn the_text_of_a_profile_gives_the_same_profile(
        base in 0_usize..7,
        name in "[ -~]{0,20}[!-~]",
        ns in proptest::array::uniform8(0_u64..=1_000_000_000),
        cache in 4096_u64..1 << 34,
        rpm_milli in 1_000_000_u64..=20_000_000,
        percents in (0_u32..50, 50_u32..=100),
        milli in 0_u32..=100_000,
    ) {
        let from = Profile::built_in_names().nth(base).expect("seven profiles");
        let text = Profile::built_in(from).expect("built in");
        let mut profile = Profile::from_toml(from, text).expect("valid");
        profile.name = name;
        profile.platters.rpm_milli = rpm_milli;
        profile.platters.head_switch = Duration(ns[0]);
        profile.platters.write_settle = Duration(ns[1]);
        profile.drive.command_overhead = Duration(ns[2]);
        profile.cleaning.idle_delay = Duration(ns[3] * 7);
        profile.write_cache.destage_delay = Duration(ns[4]);
        profile.write_cache.bytes = cache;
        profile.write_cache.bypass_run_bytes = cache / 3;
        profile.cleaning.low_mark_percent = percents.0;
        profile.cleaning.high_mark_percent = percents.1;
        let format = profile.format_fingerprint();
        if let Some(staging) = &mut profile.staging {
            match &mut staging.medium {
                StagingMedium::Disk { out_of_band_rev_milli, .. } => *out_of_band_rev_milli = milli,
                StagingMedium::Flash { read_latency, .. } => *read_latency = Duration(ns[5]),
            }
        }
        prop_assert_eq!(profile.format_fingerprint(), format);
        if let SeekCurve::RootThenLine { base, far_base, .. } = &mut profile.platters.seek {
            *base = Duration(base.0 + ns[6]);
            *far_base = Duration(far_base.0 + ns[6] + ns[7]);
        }
        prop_assert_eq!(profile.format_fingerprint(), format);
        prop_assert_eq!(Profile::from_toml("own", &profile.to_toml()), Ok(profile));
    }
}

#[test]
fn the_fingerprint_tells_formats_apart_and_ignores_timing() {
    let parse = |text: &str| Profile::from_toml("t.toml", text).expect("valid");
    let own = parse(&tiny()).format_fingerprint();
    let same = [
        ("rpm = 5900", "rpm = 7200"),
        ("name = \"tiny\"", "name = \"other\""),
        ("idle_delay = \"1 s\"", "idle_delay = \"2 s\""),
        ("merge_every = 8", "merge_every = 9"),
        ("knee = \"25%\"", "knee = \"20%\""),
        ("enabled = true\nbytes", "enabled = false\nbytes"),
    ];
    for change in same {
        assert_eq!(
            parse(&changed(&[change])).format_fingerprint(),
            own,
            "{change:?}"
        );
    }
    let other = [
        ("8 MiB", "4 MiB"),
        ("logical_sector = 512", "logical_sector = 4096"),
        ("sectors_per_track = 12", "sectors_per_track = 13"),
        ("\"4 tracks\"", "\"5 tracks\""),
        ("guard_tracks = 1", "guard_tracks = 2"),
        ("spares_per_zone = 1", "spares_per_zone = 2"),
        ("place = \"outer\"", "place = \"inner\""),
        ("\"1/2 track\"", "\"none\""),
        ("slots = 64", "slots = 63"),
        ("extents = 128", "extents = 129"),
        ("merge_tracks = 2", "merge_tracks = 3"),
        ("merge_place = \"middle\"", "merge_place = \"outer\""),
    ];
    for change in other {
        assert_ne!(
            parse(&changed(&[change])).format_fingerprint(),
            own,
            "{change:?}"
        );
    }
}

#[test]
fn band_sizes_and_quanta_are_read_in_every_spelling() {
    let size = |text: &str| {
        let text = changed(&[("\"4 tracks\"", text)]);
        Profile::from_toml("t.toml", &text)
            .expect("valid")
            .bands
            .size
    };
    assert_eq!(size("\"5tracks\""), BandSize::Tracks(5));
    assert_eq!(size("\"256 KiB\""), BandSize::Bytes(256 * 1024));
    let quanta = |text: &str| {
        let text = changed(&[("\"1/2 track\"", text)]);
        let staging = Profile::from_toml("t.toml", &text).expect("valid").staging;
        match staging.expect("drive-managed").medium {
            StagingMedium::Disk {
                quanta_per_track, ..
            } => quanta_per_track,
            StagingMedium::Flash { .. } => panic!("it is a disk"),
        }
    };
    assert_eq!(
        [
            quanta("\"none\""),
            quanta("\"1 track\""),
            quanta("\"1/4 track\"")
        ],
        [0, 1, 4]
    );
}

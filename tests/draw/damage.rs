//! What goes wrong with a sealed image, and how it is refused: told without what it hides, by the code
//! that is documented.

use std::os::unix::fs::FileExt as _;
use std::path::Path;

use imbrex::medium::layout::Layout;
use imbrex::profile::Profile;
use imbrex::units::index;
use nix::mount::{MntFlags, MsFlags, mount, umount2};
use tempfile::TempDir;

use super::{RANGES, Sealed, run};
use crate::program::{Served, tool};

/// Words that come with a place in the image.
const PLACES: [&str; 5] = ["sector", "band", "at byte", "half", "record"];

/// Makes both maps of an image of `profile` something else.
fn spoil_maps(image: &Path, profile: &Profile) {
    let layout = Layout::new(profile).expect("a drive");
    let file = std::fs::File::options().write(true).open(image);
    let file = file.expect("it is there");
    for half in [0, 1] {
        let half = layout.band(layout.map_half(half)).extent();
        let junk = vec![0xA5; index(half.sectors.bytes())];
        let at = half.start.0 * 4096;
        file.write_all_at(&junk, at).expect("written");
    }
}

#[test]
fn damage_of_a_sealed_image_is_told_without_a_place_in_it() {
    let sealed = Sealed::draw("31");
    let truth = Profile::from_toml("truth", &sealed.truth()).unwrap();
    let toml = sealed.file("open.toml");
    std::fs::write(&toml, sealed.truth()).unwrap();
    let open = sealed.file("open.img");
    run(&["create", &open, "--profile", &toml]).success();
    for image in [Path::new(&open), &sealed.image] {
        spoil_maps(image, &truth);
    }
    // An open one is told of in full.
    let told = run(&["inspect", &open]).expect(3);
    assert!(told.contains("sector"), "{told}");
    let path = sealed.path();
    let words = "uniform write 4KiB 10-requests";
    let all: [&[&str]; 8] = [
        &["inspect", path, "-vv"],
        &["inspect", path, "--json"],
        &["check", path],
        &["check", path, "--data", "-vv"],
        &["check", path, "--json"],
        &["serve", path, "--nbd", "tcp:127.0.0.1:0", "-vv"],
        &["simulate", path, words, "--start", "as-it-is"],
        &["age", path, "--staging", "10%"],
    ];
    for arguments in all {
        let ended = run(arguments);
        let told = format!("{}{}", ended.stdout, ended.stderr).replace(path, "IMAGE");
        assert_eq!(ended.code, Some(3), "{arguments:?}: {ended:#?}");
        assert!(told.contains("sealed"), "{arguments:?}: {told}");
        for place in PLACES {
            assert!(
                !told.contains(place),
                "{arguments:?} tells of {place}: {told}"
            );
        }
    }
    let told = run(&["check", path, "--json"]).json();
    assert_eq!(
        (&told["clean"], &told["sealed"]),
        (&false.into(), &true.into())
    );
}

#[test]
fn a_terminal_shows_that_a_sealed_image_is_read_and_not_how_much_of_it() {
    let sealed = Sealed::draw("32");
    run(&["age", sealed.path(), "--filled", "100%"]).success();
    let open = sealed.file("open.img");
    run(&["create", &open, "--profile", "tiny"]).success();
    run(&["age", &open, "--filled", "100%"]).success();
    let on_a_terminal = |image: &str| {
        let line = format!("{} check {image} --data", env!("CARGO_BIN_EXE_imbrex"));
        tool("script", ["-qec", &line, "/dev/null"]).success()
    };
    let (hidden, shown) = (on_a_terminal(sealed.path()), on_a_terminal(&open));
    assert!(shown.contains("iB/"), "{shown:?}");
    assert!(
        !hidden.contains("iB") && hidden.contains("clean"),
        "{hidden:?}"
    );
}

/// A filesystem in memory, unmounted when dropped.
struct Volume(TempDir);

impl Volume {
    fn of_mebibytes(mebibytes: u32) -> Volume {
        let volume = Volume(tempfile::tempdir().expect("a folder"));
        let options = format!("size={mebibytes}m");
        let (path, nothing) = (volume.0.path(), MsFlags::empty());
        mount(Some("tmpfs"), path, Some("tmpfs"), nothing, Some(&*options)).expect("root may");
        volume
    }
}

impl Drop for Volume {
    fn drop(&mut self) {
        // Whatever a test that failed left open goes with its process.
        let _ = umount2(self.0.path(), MntFlags::MNT_DETACH);
    }
}

#[test]
fn a_full_filesystem_is_told_without_what_a_sealed_drive_needs_of_it() {
    if !nix::unistd::geteuid().is_root() {
        eprintln!("not run: it needs root");
        return;
    }
    let volume = Volume::of_mebibytes(3);
    let image = volume.0.path().join("sealed.img");
    let path = image.to_str().expect("a plain path");
    let ranges = volume.0.path().join("ranges.toml");
    std::fs::write(&ranges, RANGES).unwrap();
    let draw = ["draw", "-o", path, "--ranges", ranges.to_str().unwrap()];
    let told = run(&draw).expect(4);
    assert!(told.contains("--allow-overcommit"), "{told}");
    let told = told.replace(path, "IMAGE");
    assert!(!told.contains(|c: char| c.is_ascii_digit()), "{told}");
    assert!(!image.exists());
    run(&[&draw[..], &["--allow-overcommit"]].concat()).success();
    let served = Served::start(&image, "--pace off");
    let mut client = served.client();
    let failed = (0..400_u64).find_map(|at| {
        let written = client.write(at * 16_384, &[5; 16_384]);
        written.and_then(|()| client.flush()).err()
    });
    assert!(failed.is_some(), "six mebibytes found room in three");
    let told = run(&["tell", path, "account"]);
    let ended = served.wait();
    let told = format!("{}{}", told.stderr, ended.expect(5));
    assert!(told.contains("No space left"), "{told}");
    for place in PLACES {
        assert!(!told.contains(place), "it tells of {place}: {told}");
    }
}

#[test]
fn a_sealed_image_is_refused_by_its_code_wherever_files_are_read() {
    let sealed = Sealed::draw("33");
    let path = sealed.path();
    let matrix = sealed.file("m.toml");
    let text = "[matrix]\nname = \"m\"\n[[drive]]\nprofile = \"sealed.img\"\n\
        [[work]]\nworkload = \"uniform write 4KiB 1-requests\"\n";
    std::fs::write(&matrix, text).unwrap();
    let page = sealed.file("page.html");
    let refused: [&[&str]; 8] = [
        &["profile", "check", path],
        &["report", path, "-o", &page],
        &["matrix", &matrix, "--list"],
        &["matrix", path, "--list"],
        &["workload", "check", path],
        &[
            "forecast",
            "small-files-sync",
            "--deadline",
            "1h",
            "--profile",
            path,
        ],
        &["simulate", "tiny", path],
        &["draw", "score", path, path],
    ];
    for arguments in refused {
        let told = run(arguments).expect(4);
        assert!(told.contains("is a sealed drive"), "{arguments:?}: {told}");
    }
    assert!(!Path::new(&page).exists());
}

#[test]
fn what_draw_cannot_do_is_told_by_its_code() {
    let sealed = Sealed::draw("34");
    let path = sealed.path();
    let (missing, other) = (sealed.file("nofile"), sealed.file("other.img"));
    let ranges = sealed.file("ranges.toml");
    for (arguments, code, words) in [
        (vec!["draw", "score", path, &missing], 3, "cannot open"),
        (vec!["draw", "score", &missing, &missing], 3, "cannot open"),
        (vec!["draw", "unseal", &missing], 3, "cannot open"),
        (
            vec!["draw", "-o", &other, "--ranges", &missing],
            3,
            "cannot open",
        ),
        (
            vec!["draw", "-o", &other, "--capacity", "90TB"],
            2,
            "more than",
        ),
        (
            vec!["draw", "-o", &other, "--capacity", "64KiB"],
            2,
            "too small",
        ),
        (
            vec!["draw", "-o", path, "--ranges", &ranges],
            4,
            "--replace",
        ),
    ] {
        let told = run(&arguments).expect(code);
        assert!(told.contains(words), "{arguments:?}: {told}");
    }
    let before = sealed.commitment.clone();
    let again = [
        "draw",
        "-o",
        path,
        "--ranges",
        &ranges,
        "--seed",
        "35",
        "--replace",
    ];
    let told = run(&again).success();
    assert!(
        !told.contains(&before) && told.contains("commitment"),
        "{told}"
    );
    let told = run(&["draw", "unseal", path, "--commitment", &before]).expect(3);
    assert!(told.contains("another drive"), "{told}");
}

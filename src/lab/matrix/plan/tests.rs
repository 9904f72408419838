//! Cells are those of nested loops, and what cannot be run is told before anything is.

use proptest::prelude::*;

use super::*;
use crate::lab::matrix::bundle;
use crate::lab::matrix::results::Header;

fn plan_of(text: &str) -> Result<Plan, MatrixError> {
    Plan::new(Matrix::from_toml("m", text)?, "m", Path::new(""))
}

/// A matrix with so many items on each axis.
fn axes(drives: usize, changes: usize, starts: usize, works: usize, seeds: usize) -> String {
    let starts: Vec<String> = (0..starts).map(|at| format!("\"staging {at}%\"")).collect();
    let mut text = format!(
        "[matrix]\nname = \"m\"\nseed_count = {seeds}\nstarts = [{}]\n",
        starts.join(", ")
    );
    for at in 0..drives {
        let _ = write!(text, "[[drive]]\nname = \"d{at}\"\nprofile = \"tiny\"\n");
    }
    for at in 0..changes {
        let _ = write!(
            text,
            "[[change]]\nset = [\"drive.queue_depth={}\"]\n",
            at + 1
        );
    }
    for at in 0..works {
        let _ = write!(
            text,
            "[[work]]\nname = \"w{at}\"\nworkload = \"uniform write 4KiB 1-requests\"\n"
        );
    }
    text
}

/// Names of some items of an axis; all where none are named.
fn subset(items: usize) -> impl Strategy<Value = Vec<usize>> {
    proptest::sample::subsequence((0..items).collect::<Vec<_>>(), 0..=items)
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    #[test]
    fn cells_are_those_of_nested_loops_without_those_left_out(
        (sizes, out) in (1_usize..4, 1_usize..3, 1_usize..3, 1_usize..4, 1_usize..4)
            .prop_flat_map(|sizes| {
                let some = (subset(sizes.0), subset(sizes.2), subset(sizes.3));
                (Just(sizes), proptest::collection::vec(some, 0..3))
            })
    ) {
        let (drives, changes, starts, works, seeds) = sizes;
        let mut text = axes(drives, changes, starts, works, seeds);
        let left_out: Vec<_> = out.into_iter().filter(|(d, s, w)| d.len() + s.len() + w.len() > 0).collect();
        for (d, s, w) in &left_out {
            text += "[[leave_out]]\n";
            let named = |key: &str, names: Vec<String>| match names.len() {
                0 => String::new(),
                _ => format!("{key} = {names:?}\n"),
            };
            text += &named("drives", d.iter().map(|at| format!("d{at}")).collect());
            text += &named("starts", s.iter().map(|at| format!("staging {at}%")).collect());
            text += &named("works", w.iter().map(|at| format!("w{at}")).collect());
        }
        let mut expected = Vec::new();
        for drive in 0..drives {
            for change in 0..changes {
                for start in 0..starts {
                    for work in 0..works {
                        let covered = |list: &Vec<usize>, at| list.is_empty() || list.contains(&at);
                        if left_out.iter().any(|(d, s, w)| covered(d, drive) && covered(s, start) && covered(w, work)) {
                            continue;
                        }
                        for seed in 1..=seeds {
                            expected.push(format!(
                                "d{drive}, staging {start}%, seed {seed}, w{work}, seed {seed}, drive.queue_depth={}",
                                change + 1
                            ));
                        }
                    }
                }
            }
        }
        match plan_of(&text) {
            Ok(plan) => {
                let words: Vec<String> = plan.cells.iter().map(|cell| plan.words(cell)).collect();
                prop_assert_eq!(words, expected);
                prop_assert!(plan.cells.iter().map(|cell| cell.number).eq(1..=count(plan.cells.len())));
            }
            Err(told) => {
                prop_assert!(expected.is_empty() && told.to_string().contains("no cell is left"), "{told}");
            }
        }
    }
}

#[test]
fn everything_that_cannot_be_run_is_told_at_once() {
    let text = "[matrix]\nname = \"m\"\n\
        [[drive]]\nprofile = \"tiny\"\n[[drive]]\nprofile = \"huge\"\n\
        [[change]]\nset = [\"drive.queue_dept=3\"]\n\
        [[work]]\nworkload = \"nothing.toml\"\n[[work]]\nreplay = \"no.parquet\"\n";
    let told = plan_of(text).unwrap_err().to_string();
    for part in [
        "4 problems",
        "drive[1] (huge): huge is neither a file nor a built-in profile",
        "change[0] (drive.queue_dept=3) on drive[0] (tiny)",
        "did you mean drive.queue_depth",
        "work[0] (nothing.toml)",
        "work[1] (no.parquet): cannot open",
    ] {
        assert!(told.contains(part), "{part}: {told}");
    }
}

#[test]
fn what_does_not_fit_together_is_told_with_both_sides() {
    let text = "[matrix]\nname = \"m\"\n[[drive]]\nprofile = \"tiny\"\n\
        [[work]]\nname = \"w\"\nworkload = \"uniform write 4KiB 1-requests first-100GB\"\n\
        [[work]]\nname = \"v\"\nworkload = \"uniform write 4KiB 1-requests\"\n\
        [[leave_out]]\nworks = [\"v\"]\n\
        [[demand]]\ndrained_within = \"1 s\"\n[[demand]]\nworks = [\"v\"]\nstall_at_most = \"1 s\"\n";
    let told = plan_of(text).unwrap_err().to_string();
    for part in [
        "3 problems",
        "work[0] (w) on drive[0] (tiny) with change[0] (unchanged)",
        "demand (drained within 1 s): work[0] (w) does not let the drive drain",
        "demand (longest stall at most 1 s): no cell is meant by it",
    ] {
        assert!(told.contains(part), "{part}: {told}");
    }
}

#[test]
fn the_fingerprint_changes_with_whatever_decides_the_results() {
    let base = axes(1, 1, 1, 1, 2);
    let print = |text: &str| Header::of(&plan_of(text).unwrap()).fingerprint;
    assert_eq!(print(&base), print(&format!("# a remark\n{base}")));
    for (old, new) in [
        ("4KiB", "8KiB"),
        ("seed_count = 2", "seed_count = 3"),
        ("staging 0%", "staging 1%"),
        ("queue_depth=1", "queue_depth=2"),
        ("\"d0\"", "\"e0\""),
        ("\"w0\"", "\"v0\""),
    ] {
        let other = base.replace(old, new);
        assert_ne!(other, base, "{old}");
        assert_ne!(print(&other), print(&base), "{old}");
    }
    let demand = "[[demand]]\nstall_at_most = \"1 s\"\n";
    assert_ne!(print(&format!("{base}{demand}")), print(&base));
}

#[test]
fn a_start_takes_the_seed_of_the_cell_unless_it_has_one() {
    let text = axes(1, 1, 1, 1, 2).replace(
        "\"staging 0%\"",
        "\"staging 5%\", \"staging 5%, seed 9\", \"new\"",
    );
    let plan = plan_of(&text).unwrap();
    let starts: Vec<String> = plan
        .cells
        .iter()
        .map(|cell| cell.start.to_string())
        .collect();
    let expected = [
        "staging 5%, seed 1",
        "staging 5%, seed 2",
        "staging 5%, seed 9",
        "staging 5%, seed 9",
        "new",
        "new",
    ];
    assert_eq!(starts, expected);
}

/// What a bundle holds is the same cell: same profile, start, work, seed and demands.
#[test]
fn a_bundle_is_a_matrix_of_the_same_cell() {
    let text = "[matrix]\nname = \"a \\\"name\\\"\"\nseeds = [7]\nstarts = [\"staging 50%\"]\n\
        [[drive]]\nprofile = \"tiny\"\n[[change]]\nset = [\"drive.queue_depth=3\"]\n\
        [[work]]\nworkload = \"database-commit\"\ncount = 10\n\
        [[work]]\nworkload = \"uniform write 4KiB 1-requests then-drain\"\n\
        [[work]]\ncommand = \"echo \\\"{uri}\\\" 'x'\"\npace = \"0.5x\"\nverify = true\nexit = 3\nends_within = \"90 s\"\n\
        [[demand]]\noperation = \"write\"\np50_at_most = \"1.5 ms\"\nlongest_at_most = \"2 h\"\n\
        [[demand]]\ntrips_none_of = [\"any\"]\nwritten_at_least = \"1 MB/s\"\nread_at_least = \"2 kB/s\"\n\
        [[demand]]\nstall_at_most = \"1 s\"\namplification_at_most = 1.5\n\
        [[demand]]\nworks = [\"uniform write 4KiB 1-requests then-drain\"]\n\
        drained_within = \"3 s\"\nstaging_down_to = \"7%\"\nstaging_down_within = \"9 min\"\n";
    let plan = plan_of(text).unwrap();
    for cell in &plan.cells {
        let folder = tempfile::tempdir().unwrap();
        for (name, text) in bundle::files(&plan, cell) {
            std::fs::write(folder.path().join(name), text).unwrap();
        }
        let file = folder.path().join(bundle::MATRIX);
        let text = std::fs::read_to_string(file).unwrap();
        let matrix = Matrix::from_toml("b", &text).unwrap();
        let again = Plan::new(matrix, "b", folder.path()).unwrap();
        let [one] = again.cells.as_slice() else {
            panic!("one cell");
        };
        assert_eq!(one.profile, cell.profile);
        assert_eq!((one.seed, one.start), (cell.seed, cell.start));
        assert_eq!(one.demands, cell.demands);
        assert_eq!(again.job(one).essence(), plan.job(cell).essence());
        assert_eq!(again.work_name(one), plan.work_name(cell));
        assert_eq!(again.drive_name(one), plan.drive_name(cell));
        assert_eq!(again.matrix.name, plan.matrix.name);
    }
}
